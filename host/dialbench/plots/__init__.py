"""Figures for paper and screen; the only rooms that know matplotlib."""
