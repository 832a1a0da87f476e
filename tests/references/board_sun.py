"""dialcore.sun as three runtimes compute it in narrow floats, and DE421 to hold it against.

A program for the boards holds sun.py and frames.py with nothing in them changed but what
a 9 KB heap has no room for: docstrings, comments, annotations. For a runtime with 64-bit
floats the same source gets a call around every operand, operator, call and constant,
which rounds to 32 bits.
"""

import ast
import struct
import tempfile
import warnings
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from dialcore import frames, sun

DAY_MS = 86_400_000
FIRST_MS = 946_684_800_000  # 2000-01-01
DAYS = 18_628  # to 2050-12-31
BATCH = 3000  # instants that the emulated board's files have room for

MAIN = b"""\
import math, struct, sun
def show(pair):
    print("%016x%016x" % struct.unpack("<QQ", struct.pack("<dd", *pair)))
print()
with open("instants", "rb") as f:
    while True:
        t = int.from_bytes(f.read(6), "big")
        if not t:
            break
        show(sun.sun(t // 1000, t % 1000, math))
with open("places", "rb") as f:
    while True:
        place = f.read(6)
        if not place:
            break
        show(sun.altitude_azimuth(*[n / 64 for n in struct.unpack("<hhh", place)] + [math]))
print("done")
"""

# Stands before each module whose floats are to be rounded.
ROUNDING = """\
import struct
def rounded(value):
    if isinstance(value, float):
        return struct.unpack("f", struct.pack("f", value))[0]
    return value
def step(do, a, b, divides):
    if divides or isinstance(a, float) or isinstance(b, float):
        a = rounded(float(a))
        b = rounded(float(b))
    return rounded(do(a, b))
"""


class Bare(ast.NodeTransformer):
    """Takes out what a small heap has no room for."""

    def visit_Module(self, node):
        self.generic_visit(node)
        node.body = node.body[1:]  # the docstring
        return node

    def visit_FunctionDef(self, node):
        self.generic_visit(node)
        node.returns = None
        for argument in node.args.args:
            argument.annotation = None
        if ast.get_docstring(node):
            node.body = node.body[1:]
        return node

    def visit_ImportFrom(self, node):
        if node.module == "dialcore":  # the boards' files all lie in one folder
            return ast.Import(node.names)
        assert (node.module, node.names[0].name) == ("dialcore.compat", "Any")
        return None


class Rounding(ast.NodeTransformer):
    """Rounds whatever can make a float."""

    def visit_BinOp(self, node):
        self.generic_visit(node)
        a, b = ast.Name("a", ast.Load()), ast.Name("b", ast.Load())
        plain = ast.unparse(ast.BinOp(a, node.op, b))
        do = ast.parse(f"lambda a, b: {plain}", mode="eval").body
        divides = ast.Constant(isinstance(node.op, ast.Div))
        return ast.Call(ast.Name("step", ast.Load()), [do, node.left, node.right, divides], [])

    def visit_AugAssign(self, node):
        value = ast.BinOp(ast.Name(node.target.id, ast.Load()), node.op, node.value)
        return ast.copy_location(ast.Assign([node.target], self.visit(value)), node)

    def _around(self, node):
        self.generic_visit(node)
        return ast.Call(ast.Name("rounded", ast.Load()), [node], [])

    visit_UnaryOp = visit_Call = _around

    def visit_Constant(self, node):
        return self._around(node) if isinstance(node.value, float) else node


def source(module, narrow):
    """A module's source as the boards get it; narrow: every step rounded to 32 bits."""
    tree = Bare().visit(ast.parse(Path(module.__file__).read_text()))
    if narrow:
        tree = Rounding().visit(tree)
    return (ROUNDING if narrow else "") + ast.unparse(ast.fix_missing_locations(tree)) + "\n"


def compute(runtime, narrow, instants_ms=(), places=()):
    """What a runtime (of on_boards) makes of sun(instants) and altitude_azimuth(places).

    places: hour angle, declination, latitude in 64ths of a radian, so that every float
    format holds them exactly. Returns two arrays of shape (n, 2), in radians.
    """
    program = {
        "sun.py": source(sun, narrow).encode(),
        "frames.py": source(frames, narrow).encode(),
        "main.py": MAIN,
    }
    rows = []
    for start in range(0, max(1, len(instants_ms)), BATCH):
        batch = instants_ms[start : start + BATCH]
        program["instants"] = b"".join(int(t).to_bytes(6, "big") for t in batch)
        last = start + BATCH >= len(instants_ms)
        program["places"] = b"".join(struct.pack("<hhh", *p) for p in places if last)
        with tempfile.TemporaryDirectory() as folder:
            lines = runtime(program, Path(folder))
        lines = lines[lines.index("") + 1 :]
        assert len(lines) == len(batch) + len(places) * last, lines[-5:]
        rows += [struct.unpack(">dd", bytes.fromhex(line)) for line in lines]
    values = np.array(rows).reshape(-1, 2)
    return values[: len(instants_ms)], values[len(instants_ms) :]


def instants():
    """UT1 in ms of Unix time: one of every day of 2000-2050, the hour running through."""
    day = np.arange(DAYS)
    return FIRST_MS + day * DAY_MS + day * 53_398_165 % DAY_MS


@cache
def _skyfield():
    from skyfield.api import load
    from skyfield.jpllib import SpiceKernel

    with warnings.catch_warnings():
        # The package warns that its Earth orientation file, which nobody reads here, is old.
        warnings.filterwarnings("ignore", message="The file finals2000A.all has expired")
        import skyfield_data

        folder = Path(skyfield_data.get_skyfield_data_path())
    kernel = SpiceKernel(str(folder / "de421.bsp"))
    return SimpleNamespace(
        earth=kernel["earth"], sun=kernel["sun"], timescale=load.timescale(builtin=True)
    )


def de421(ut1_ms):
    """Greenwich hour angle and declination in radians, shape (n, 2): geocentric, apparent.

    A Julian day in one double is good to 0.05 ms, 2e-7 degrees of hour angle.
    """
    sky = _skyfield()
    rows = []
    for part in np.array_split(ut1_ms, -(-len(ut1_ms) // 1000)):
        t = sky.timescale.ut1_jd(2440587.5 + part / DAY_MS)
        ra, dec, _ = sky.earth.at(t).observe(sky.sun).apparent().radec("date")
        rows.append(np.stack((np.radians(t.gast * 15) - ra.radians, dec.radians), axis=-1))
    return np.concatenate(rows)


def apart_deg(one, other):
    """Signed differences in degrees of angles in radians, the short way round."""
    return np.degrees((one - other + np.pi) % (2 * np.pi) - np.pi)
