"""Dialbench firmware: what the board runs."""
