"""From a wish to a dial: where every bore goes."""
