"""Which variant, which swap, how much."""
