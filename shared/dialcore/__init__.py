"""Code that runs unchanged on the board (MicroPython) and on the host (CPython)."""
