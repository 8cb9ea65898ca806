"""All votes become one cast with its spread: counted, told as features, and weighed by a fit."""
