"""A whole archive pre-sorted: walked, judged once, kept in a ledger, put in order, handed on."""
