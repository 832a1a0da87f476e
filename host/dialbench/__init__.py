"""Dialbench: the instrument for light-channel dials."""

__version__ = "0.1.0"
