"""The board's Sun in 32-bit floats against DE421, 2000-2050.

The source of dialcore.sun is compiled with every constant and every result of an
operator or call rounded to 32 bits, as on a board whose floats are no wider.
"""

import ast
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from dialbench import sky
from dialcore import frames, sun

FIRST_S, LAST_S = 946_684_800, 2_556_144_000  # 2000-01-01 to 2051-01-01


def rounded(value):
    if isinstance(value, tuple):
        return tuple(rounded(item) for item in value)
    return np.float32(value) if isinstance(value, (float, np.floating)) else value


class Rounding(ast.NodeTransformer):
    """Puts a call of `rounded` around whatever can make a float."""

    def generic_visit(self, node):
        node = super().generic_visit(node)
        floats = isinstance(node, (ast.BinOp, ast.UnaryOp, ast.Call)) or (
            isinstance(node, ast.Constant) and isinstance(node.value, float)
        )
        if not floats:
            return node
        return ast.Call(ast.Name("rounded", ast.Load()), [node], [])


def in_32_bits(module, **replaced):
    """The functions of a module that computes in 32-bit floats throughout."""
    tree = Rounding().visit(ast.parse(Path(module.__file__).read_text()))
    tree.body = [node for node in tree.body if not isinstance(node, ast.ImportFrom)]
    names = {"rounded": rounded, "Any": object, **replaced}  # annotations need a name, no more
    exec(compile(ast.fix_missing_locations(tree), module.__file__, "exec"), names)  # noqa: S102
    return SimpleNamespace(**names)


@pytest.fixture(scope="module")
def board():
    return in_32_bits(sun, frames=in_32_bits(frames))


@pytest.fixture(scope="module")
def truth():
    """4000 instants: UT1 in ms of Unix time; hour angle at Greenwich, declination in radians."""
    ut1_ms = np.random.default_rng(421).integers(FIRST_S * 1000, LAST_S * 1000, 4000)
    hour_angle, declination = [], []
    eph = sky._ephemeris()
    for part in np.split(ut1_ms, 4):
        t = sky._skyfield_time(part * 1000)
        ra, dec, _ = eph.earth.at(t).observe(eph.sun).apparent().radec("date")
        hour_angle.append(np.radians(t.gast * 15) - ra.radians)
        declination.append(dec.radians)
    return ut1_ms, np.concatenate(hour_angle), np.concatenate(declination)


def worst_deg(maths, module, truth):
    ut1_ms, hour_angle, declination = truth
    got = np.array([module.sun(int(t) // 1000, int(t) % 1000, maths) for t in ut1_ms], dtype=float)
    off = (got[:, 0] - hour_angle + np.pi) % (2 * np.pi) - np.pi
    return np.degrees(np.abs(off).max()), np.degrees(np.abs(got[:, 1] - declination).max())


def test_every_step_is_rounded(board):
    got = board.sun(1_777_809_600, 250, np)
    assert [type(x) for x in got] == [np.float32, np.float32]
    exact = sun.sun(1_777_809_600, 250, math)
    for narrow, wide in zip(got, exact, strict=True):
        assert 0 < abs(float(narrow) - wide) < 2e-6


def test_within_the_bound_in_32_bits(board, truth):
    hour_angle_deg, declination_deg = worst_deg(np, board, truth)
    assert hour_angle_deg <= 0.005
    assert declination_deg <= 0.002


def test_32_bits_cost_little(board, truth):
    narrow, wide = worst_deg(np, board, truth), worst_deg(math, sun, truth)
    assert narrow == pytest.approx(wide, abs=0.0005)


def test_altitude_and_azimuth_in_32_bits(board):
    """Against the same place in the sky in doubles, from horizon to near the zenith."""
    latitude = math.radians(20.0)
    for hour_angle in (-1.6, -0.7, -0.002, 0.001, 1.2):
        for declination in (-0.4, 0.0, 0.349):
            narrow = board.altitude_azimuth(
                *(np.float32(x) for x in (hour_angle, declination, latitude)), np
            )
            wide = sun.altitude_azimuth(hour_angle, declination, latitude, math)
            assert float(narrow[0]) == pytest.approx(wide[0], abs=5e-6)
            turned = math.remainder(float(narrow[1]) - wide[1], 2 * math.pi)
            assert abs(turned) * math.cos(wide[0]) < 5e-6
