"""All votes become one cast with its spread: counted, given as features, and weighed by a fit."""
