"""Gives one target all inputs of a corpus again and again, without a fuzzer around it:

    python -m tests.fuzz.replay NAME FOLDER

and prints after each lap how many blocks of memory Python holds. The fuzzer itself holds more
with every execution, so that growth cannot be told while it runs.
"""

import gc
import sys
from pathlib import Path

from tests.fuzz import targets, targets_link

LAPS = 5
LEAST = 1000  # executions a lap


def main():
    name, folder = sys.argv[1:]
    inputs = [path.read_bytes() for path in sorted(Path(folder).iterdir())][:LEAST]
    if name not in targets_link.TARGETS:  # those take long, and once a lap is enough
        inputs *= -(-LEAST // len(inputs))
    for _ in range(LAPS):
        for data in inputs:
            targets.TARGETS[name](data)
        gc.collect()
        print(f"blocks {len(inputs)} {sys.getallocatedblocks()}")
    targets.put_away()


main()
