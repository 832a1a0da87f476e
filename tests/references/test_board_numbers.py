"""The rest of the core's numbers on the emulated Cortex-M0: lit fractions in its floats, and
the table of pins. (The Sun is in test_board_sun.)

A heap of 9 KB has no room for the whole of `bores`: a program gets the functions it needs, as
they stand.
"""

import ast
import math
import random

import pytest
from tests.references import board_sun, on_boards

from dialcore import bores, disc, wiring

CASES = 60
# Floats of 30 bits resolve 2**-22, 2.4e-7. A slot's share is such a number times a few; a lens
# between two circles is a small difference of two arc cosines, each about ten of them.
SLOT_BOUND = 3e-6
HOLE_BOUND = 2e-5


def some(module, *names):
    """A module's source as the board gets it, with these functions alone."""
    tree = ast.parse(board_sun.source(module, narrow=False))
    tree.body = [
        node
        for node in tree.body
        if isinstance(node, ast.Import)
        or (isinstance(node, ast.Assign) and module is disc)
        or getattr(node, "name", None) in names
    ]
    for node in tree.body:
        if isinstance(node, ast.Import):
            node.names = [name for name in node.names if name.name == "disc"]
    return ast.unparse(tree).encode() + b"\n"


# Line by line: a program that held all its numbers would not fit.
MAIN = b"""\
import math, MODULE
print()
with open("asked") as f:
    while True:
        line = f.readline()
        if not line:
            break
        print("%d" % int(SHOWN))
print("done")
"""


def program(module, shown, lines):
    """Shows a number for each line."""
    return {
        "main.py": MAIN.replace(b"MODULE", module.encode()).replace(b"SHOWN", shown.encode()),
        "asked": "".join(f"{line}\n" for line in lines).encode(),
    }


def calls(call, cases):
    """Calls a function of bores for each case, for ten millionths."""
    shown = f"1e7 * bores.{call}(*([float(x) for x in line.split()] + [math]))"
    return program("bores", shown, [" ".join(map(repr, case)) for case in cases])


def worst(program_, want, folder):
    """The largest error of a program's numbers."""
    lines = on_boards.emulated(program_, folder)
    got = [int(line) / 1e7 for line in lines if line]
    assert len(got) == len(want)
    return max(abs(a - b) for a, b in zip(got, want, strict=True))


@pytest.mark.needs_qemu
def test_slots_on_an_emulated_cortex_m0(tmp_path):
    chance = random.Random(5)
    # Exact in the board's floats. slope, the Sun's radius, exit, entry, length.
    cases = [(chance.randrange(-160, 161) / 1024, 5 / 1024, 4.0, 5.0, 40.0) for _ in range(CASES)]
    want = [bores.slit_lit(*case, math) for case in cases]
    assert min(want) == 0 and max(want) > 0.99 and sum(0.01 < x < 0.99 for x in want) > 10
    files = {
        "disc.py": some(
            disc, "positive", "held", "bow", "_rest", "ramp", "beyond", "mean", "blurred"
        ),
        "bores.py": some(bores, "clip", "slit", "slit_lit"),
        **calls("slit_lit", cases),
    }
    error = worst(files, want, tmp_path)
    print(f"slots: {error:.1e}")
    assert 0 < error < SLOT_BOUND


@pytest.mark.needs_qemu
def test_round_bores_on_an_emulated_cortex_m0(tmp_path):
    chance = random.Random(6)
    cases = [(chance.randrange(-160, 161) / 1024, 4.0, 5.0, 40.0) for _ in range(CASES)]
    want = [bores.hole(*case, math) for case in cases]
    assert min(want) < 0.01 and max(want) > 0.99 and sum(0.01 < x < 0.99 for x in want) > 10
    files = {
        "disc.py": some(disc, "positive"),
        "bores.py": some(bores, "clip", "hole"),
        **calls("hole", cases),
    }
    error = worst(files, want, tmp_path)
    print(f"round bores: {error:.1e}")
    assert 0 < error < HOLE_BOUND


@pytest.mark.needs_qemu
def test_the_table_of_pins_on_an_emulated_cortex_m0(tmp_path):
    asked = [f"wiring.pin(wiring.PICO, {row[0]!r})" for row in wiring.PICO]
    asked += [f"wiring.ladder_tap({root}, {leaf})" for root in (0, 8, 9, 15) for leaf in (0, 7, 15)]
    asked += [
        "wiring.tap_counts(16)",
        "wiring.leaves(128)",
        "wiring.bus(wiring.ESP32_BUSES, 'SPI')",
    ]
    files = {
        "wiring.py": b"from micropython import const\n"
        + board_sun.source(wiring, narrow=False).encode(),
        **program("wiring", "eval(line)", asked),
    }
    got = [int(line) for line in on_boards.emulated(files, tmp_path) if line]
    assert got == [eval(one) for one in asked]
