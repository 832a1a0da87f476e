"""Many boards: pulled at once, and held against each other."""
