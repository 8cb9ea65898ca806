"""A whole archive pre-sorted: walked, judged once, kept in a ledger, put in order, handed on."""

DEADLINE = 120.0
"""Seconds one picture may take, unless another number is given (project convention)."""
