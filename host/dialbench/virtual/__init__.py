"""The virtual dial: a dial that is known down to its faults, and what its sensors read.

It stands in for the real one, so it works light out on its own: nothing in here uses
the closed forms of dialcore.bores or dialbench.predict, against which it is compared.
"""
