"""How often a board has started: a number in a file of its own."""

import os


def count(path):
    """The number of this start, from 1; it is in the file when this returns."""
    try:
        with open(path) as file:
            boot = int(file.read(10)) + 1
    except (OSError, ValueError):
        boot = 1
    with open(path + ".new", "w") as file:
        file.write(str(boot))
        file.flush()
    os.rename(path + ".new", path)
    return boot
