"""The bench page: each channel's response against the shaft's angle as it is traced."""
