"""From a dial to the files it is built from."""
