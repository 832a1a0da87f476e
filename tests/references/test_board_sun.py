"""The board's Sun in narrow floats against DE421, on every day of 2000-2050.

Three runtimes run the same source: CPython and MicroPython with the result of every step
rounded to 32 bits, and MicroPython on an emulated Cortex-M0 whose own floats are narrower
still. See board_sun.py and on_boards.py.
"""

import ast
import itertools
import math
import struct
from types import SimpleNamespace

import numpy as np
import pytest
from tests.references import board_sun, on_boards, plot_board_sun

from dialcore import sun

# What one step can be off at 2 to 4 radians, where hour angles and longitudes end: half a
# unit in the last of 24 bits, and a whole one in the last of 22 where bits are cut off.
ROUNDED, CUT = 2.0**-23, 2.0**-20

# Hour angle, declination, latitude in 64ths of a radian: the zenith and next to it, the
# horizon, either hemisphere, half a degree from a pole.
PLACES = tuple(
    itertools.product(
        (-201, -101, -45, -1, 0, 1, 77, 100, 201),
        (-26, -9, 0, 9, 22, 26),
        (-100, -64, -22, -13, 0, 22, 45, 100),
    )
)


@pytest.fixture(scope="module")
def instants_ms():
    return board_sun.instants()


@pytest.fixture(scope="module")
def true(instants_ms):
    return board_sun.de421(instants_ms)


@pytest.fixture(scope="module")
def on(instants_ms):
    """Function: what a runtime makes of all instants and places; rounded or as it is."""
    known = {}

    def on(runtime, narrow):
        if (runtime, narrow) not in known:
            suns, skies = board_sun.compute(runtime, narrow, instants_ms, PLACES)
            known[runtime, narrow] = SimpleNamespace(suns=suns, skies=skies)
        return known[runtime, narrow]

    return on


@pytest.fixture(scope="module")
def wide(on):
    return on(on_boards.cpython, narrow=False)


def assert_within_bounds(got, true):
    hour_angle_deg, declination_deg = np.abs(board_sun.apart_deg(got.suns, true)).max(axis=0)
    assert hour_angle_deg <= 0.005
    assert declination_deg <= 0.002


def assert_floats_cost_little(got, wide, step):
    """step: what one step can be off.

    In the hour angle two angles of up to half a turn, each the product of a rounded
    integer and a rounded unit, or a sum of such, end as one. The declination feels the
    errors of the longitude by no more than the sine of the obliquity, 0.4.
    """
    off = np.radians(np.abs(board_sun.apart_deg(got.suns, wide.suns)).max(axis=0))
    assert 0 < off[0] <= 4 * step
    assert 0 < off[1] <= 2 * step
    altitude_off = np.abs(got.skies[:, 0] - wide.skies[:, 0])
    turned = np.radians(board_sun.apart_deg(got.skies[:, 1], wide.skies[:, 1]))
    assert 0 < altitude_off.max() <= 2 * step
    assert 0 < np.abs(turned * np.cos(wide.skies[:, 0])).max() <= 2 * step


def legends(got, wide, true):
    """What the figure has to say of these values."""
    errors_deg = board_sun.apart_deg(got.suns, true)
    floats_deg = board_sun.apart_deg(got.suns, wide.suns)
    return [
        plot_board_sun.legend(quantity, errors_deg[:, k], floats_deg[:, k])
        for k, quantity in enumerate(plot_board_sun.QUANTITIES)
    ]


def drawn(runtime):
    """What the figure says of a runtime: the two texts that follow its title."""
    texts = [
        line.split(">")[1].removesuffix("</text")
        for line in plot_board_sun.FIGURE.read_text(encoding="utf-8").splitlines()
        if line.startswith("<text") and "tick" not in line
    ]
    (title,) = (t for t, (r, _) in plot_board_sun.RUNTIMES.items() if r is runtime)
    at = texts.index(title)
    return texts[at + 1 : at + 3]


def test_the_instants_are_the_days_of_2000_to_2050(instants_ms):
    day, of_day_ms = np.divmod(instants_ms, board_sun.DAY_MS)
    first, last = (np.datetime64(d).astype(int) for d in ("2000-01-01", "2050-12-31"))
    assert (day == np.arange(first, last + 1)).all()
    hours = np.bincount(of_day_ms // 3_600_000, minlength=24)
    assert hours.min() > 0.99 * hours.max()


def test_the_boards_source_has_the_same_formulas(wide, instants_ms):
    """Stripped of annotations and docstrings it computes the very same numbers."""
    for row, t in zip(wide.suns[::100], instants_ms[::100].tolist(), strict=True):
        assert tuple(row) == sun.sun(t // 1000, t % 1000, math)
    for row, place in zip(wide.skies, PLACES, strict=True):
        assert tuple(row) == sun.altitude_azimuth(*(n / 64 for n in place), math)


def test_every_step_is_rounded():
    program = (
        "def f(a, m):\n"
        "    a += 0.1\n"
        "    a *= 3\n"
        "    b = (1 << 24 | 1) * a\n"
        "    return (b - 7 / 3, -a / 3, m.sin(b), 7 // 2)\n"
    )
    plain, names = {}, {}
    exec(program, plain)  # noqa: S102
    tree = board_sun.Rounding().visit(ast.parse(program))
    exec(board_sun.ROUNDING + ast.unparse(ast.fix_missing_locations(tree)), names)  # noqa: S102
    single = np.float32
    a = (single(0.25) + single(0.1)) * single(3)
    b = single(1 << 24 | 1) * a
    want = (b - single(7) / single(3), -a / single(3), single(math.sin(b)), 3)
    got = names["f"](0.25, math)
    assert got == tuple(float(x) for x in want)
    assert [x == y for x, y in zip(got, plain["f"](0.25, math), strict=True)] == [False] * 3 + [
        True
    ]


def test_every_eighth_day_is_within_the_bound_in_32_bits_of_micropython(wide, true, instants_ms):
    suns, skies = board_sun.compute(on_boards.micropython, True, instants_ms[::8], PLACES)
    got = SimpleNamespace(suns=suns, skies=skies)
    assert_within_bounds(got, true[::8])
    assert_floats_cost_little(got, SimpleNamespace(suns=wide.suns[::8], skies=wide.skies), ROUNDED)


@pytest.mark.parametrize(
    "runtime", [on_boards.cpython, pytest.param(on_boards.micropython, marks=pytest.mark.deep)]
)
def test_within_the_bound_in_32_bits(on, wide, true, runtime):
    got = on(runtime, narrow=True)
    for values in (got.suns, got.skies):
        assert (values == values.astype(np.float32)).all()
    assert_within_bounds(got, true)
    assert_floats_cost_little(got, wide, ROUNDED)
    assert drawn(runtime) == legends(got, wide, true)


def test_micropython_as_it_is_computes_what_cpython_does(on, wide, true):
    """Its floats have 64 bits on a computer; the last few may differ with its mathematics."""
    got = on(on_boards.micropython, narrow=False)
    assert_within_bounds(got, true)
    assert np.abs(board_sun.apart_deg(got.suns, wide.suns)).max() < 1e-12
    assert np.abs(board_sun.apart_deg(got.skies, wide.skies)).max() < 1e-12


@pytest.mark.needs_qemu
def test_within_the_bound_on_an_emulated_cortex_m0(on, wide, true):
    got = on(on_boards.emulated, narrow=False)
    for value in got.suns.flat:
        assert struct.unpack("<I", struct.pack("<f", value))[0] % 4 == 0  # 30 bits, no more
    assert_within_bounds(got, true)
    assert_floats_cost_little(got, wide, CUT)


@pytest.mark.needs_qemu
def test_the_figure_is_what_the_runtimes_say_now(on, wide, true):
    curves = {}
    for title, arguments in plot_board_sun.RUNTIMES.items():
        got = on(*arguments)
        assert drawn(arguments[0]) == legends(got, wide, true)
        curves[title] = (
            board_sun.apart_deg(got.suns, true),
            board_sun.apart_deg(got.suns, wide.suns),
        )
    assert plot_board_sun.figure(curves) == plot_board_sun.FIGURE.read_text(encoding="utf-8")


@pytest.mark.needs_qemu
def test_a_program_that_fails_there_is_told(tmp_path):
    with pytest.raises(on_boards.ProgramError, match="ZeroDivisionError"):
        on_boards.emulated({"main.py": b"print()\nprint(1 / 0)\n"}, tmp_path)
