"""The setting assistant: how a dial stands, told by its live looks alone, and what to do next."""
