"""The log page: what is on the board, what is in the store, and the way between."""
