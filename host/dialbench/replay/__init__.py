"""A day of a dial, predicted or logged, to be shown at any instant of it."""
