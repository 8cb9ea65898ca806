"""How far judgements can be trusted: measured on groups that no fit has seen, with intervals."""
