"""Runs the test modules named as arguments without pytest, on MicroPython or CPython.

From the checkout: MICROPYPATH=shared:firmware:tests/dual:.frozen micropython
tests/dual/run.py test_bores. Prints one line a test; the exit status is 1 if any fails.
"""

import sys


def run(name):
    """Call every test function of one module, by name; return how many failed."""
    module = __import__(name)
    failed = 0
    for test in sorted(dir(module)):
        if not test.startswith("test_"):
            continue
        try:
            getattr(module, test)()
        except Exception as error:
            failed += 1
            print("failed", name, test)
            if hasattr(sys, "print_exception"):
                sys.print_exception(error)
            else:
                raise
        else:
            print("passed", name, test)
    return failed


if __name__ == "__main__":
    sys.exit(1 if sum([run(name) for name in sys.argv[1:]]) else 0)
