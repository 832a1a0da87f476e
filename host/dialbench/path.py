"""The Sun's way over a body, day by day, as smooth pieces in hour angle.

What a channel shows depends on where the Sun stands in the body's frame: an hour angle,
a declination, and the disc's size. Along one apparent day the hour angle runs once round;
so the day is cut at even steps of the Sun's *true* hour angle at the site (geocentric,
without refraction), and between these nodes the hour angle and the declination that the
body meets (refraction, parallax and pose in them) are cubics, and UTC is a line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris
from dialbench.crossing import NOMINAL, Pose
from dialbench.sky import Sky, mean_semidiameter_deg
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_US = 86_400_000_000
_STEP_DEG = 0.25  # one minute: refraction at the horizon is a cubic to 0.3 arcsec over it
_LEAP_US = 500_000  # UT1-UTC changes by less in a fortnight, or else by a whole second
_BELOW_DEG = 0.6  # a centre so far below the skyline shows no limb, nor within a piece
_US_PER_DEG = DAY_US / 360
_GRACE_US = 2 * DAY_US  # a whole day of the Sun may begin or end where nothing is asked

# Lagrange's cubic through the values at -1, 0, 1, 2 as coefficients of 1, x, x^2, x^3.
CUBIC = np.array(
    [
        [0.0, 1.0, 0.0, 0.0],
        [-1 / 3, -1 / 2, 1.0, -1 / 6],
        [1 / 2, -1.0, 1 / 2, 0.0],
        [-1 / 6, 1 / 2, -1 / 2, 1 / 6],
    ]
)


@dataclass(frozen=True)
class Place:
    """Where the Sun stands in the body's frame, radians, arrays of one shape."""

    hour_angle: Floats
    declination: Floats
    semidiameter: Floats


@dataclass(frozen=True)
class Path:
    """Some whole apparent days of the Sun over one body.

    days: how many; first_deg: the true hour angle of the first node; cells: pieces a
    day. Along a day x counts pieces from the first node. turn, fall,
    disc, time, shape (days * cells, 4): of each piece the cubics of hour angle less true hour
    angle and of declination; at its start and over it the semi-diameter, and by how much it
    exceeds mean_semidiameter_deg (all in radians); UT1, and UTC (in microseconds after
    begin_us, of UT1). leap: whether a leap second is among them. up, shape (days, cells): where the Sun may be seen.
    """

    STEP = math.radians(_STEP_DEG)

    days: int
    cells: int
    first_deg: float
    begin_us: int
    turn: Floats
    fall: Floats
    disc: Floats
    time: Floats
    leap: bool
    up: NDArray[np.bool_]

    def about(self, hour_angle: Floats) -> Floats:
        """Where the Sun's true hour angle is one given in radians."""
        return (hour_angle - math.radians(self.first_deg)) / self.STEP

    def at_hour_angle(self, day: Ints, hour_angle: Floats) -> Floats:
        """Where on days the body meets hour angles, shape (n,), in radians."""
        x = self.about(hour_angle)
        for _ in range(5):
            piece, u = self.pieces(day, x)
            turn = self.turn.take(piece, axis=0)
            met = self.true_hour_angle(x) + cubic(turn, u)
            x = x + (hour_angle - met) / (self.STEP + slope(turn, u))
        return np.clip(x, 0.0, self.cells)

    def pieces(self, day: Ints, x: Floats) -> tuple[Ints, Floats]:
        """Numbers of the pieces that hold x, and how far into them it is."""
        cell = np.floor(x)
        np.maximum(cell, 0, out=cell)
        np.minimum(cell, self.cells - 1, out=cell)
        piece = cell.astype(np.int64)
        piece += day * self.cells
        return piece, x - cell

    def true_hour_angle(self, x: Floats) -> Floats:
        return math.radians(self.first_deg) + self.STEP * x

    def declinations(self, reach_deg: float = 360.0) -> tuple[Floats, Floats]:
        """The least and the greatest that each day comes to while the Sun is up, and at true
        hour angles within reach_deg of noon.

        Radians, shape (days,); least above greatest on a day without Sun.
        """
        here = self.fall[:, 0].reshape(self.days, self.cells)
        near = np.abs(self.first_deg + _STEP_DEG * np.arange(self.cells)) < reach_deg
        low = np.where(self.up & near, here, np.inf).min(axis=1)
        high = np.where(self.up & near, here, -np.inf).max(axis=1)
        margin = np.abs(np.diff(here, axis=1)).max(axis=1, initial=0.0)
        return low - margin, high + margin

    def place(self, day: Ints, x: Floats) -> Place:
        """Where the Sun stands at x of days, arrays of shape (n,)."""
        piece, u = self.pieces(day, x)
        disc = self.disc.take(piece, axis=0)
        return Place(
            self.true_hour_angle(x) + cubic(self.turn.take(piece, axis=0), u),
            cubic(self.fall.take(piece, axis=0), u),
            disc[:, 0] + disc[:, 1] * u,
        )

    def utc_us(self, day: Ints, x: Floats) -> Ints:
        piece, u = self.pieces(day, x)
        time = self.time.take(piece, axis=0)
        ut1, utc = time[:, 0:2], time[:, 2:4]
        start, growth = (ut1 if self.leap else utc).T
        u *= growth
        u += start
        found_us = self.begin_us + np.rint(u, out=u).astype(np.int64)
        return ephemeris.utc_us(found_us) if self.leap else found_us


def cubic(coefficients: Floats, x: Floats) -> Floats:
    """Cubics (n, 4), lowest power first, at x (n,)."""
    c = coefficients
    value: Floats = ((c[:, 3] * x + c[:, 2]) * x + c[:, 1]) * x + c[:, 0]
    return value


def slope(coefficients: Floats, x: Floats) -> Floats:
    """Their derivatives."""
    c = coefficients
    value: Floats = (3 * c[:, 3] * x + 2 * c[:, 2]) * x + c[:, 1]
    return value


def first_day(sky: Sky, utc_us: int) -> int:
    """Number of the apparent day (noon to be counted from 1970) that holds an instant."""
    ut1_us = ephemeris.ut1_us(np.array([utc_us], np.int64))
    ahead, _, _ = ephemeris.apparent(ut1_us)
    turns = ut1_us / DAY_US + sky.site.longitude_deg / 360 + ahead / (2 * math.pi)
    return math.floor(float(turns[0]))


def noon_declinations(sky: Sky, days: Ints) -> Floats:
    """The Sun's declination at about the noons of apparent days, radians."""
    turns = days + 0.5 - sky.site.longitude_deg / 360
    declination: Floats = ephemeris.apparent(np.round(turns * DAY_US).astype(np.int64), _GRACE_US)[
        1
    ]
    return declination


def over(
    sky: Sky, first: int, days: int, pose_deg: Pose = NOMINAL, reach_deg: float = 180.0
) -> Path:
    """The path of `days` apparent days from number `first` on.

    Hour angles from -reach_deg to reach_deg. Raises SkyError.
    """
    half = min(math.ceil(reach_deg / _STEP_DEG), round(180 / _STEP_DEG))
    nodes = np.arange(-half - 1, half + 2)  # one more on either side, for the cubics
    hour_deg = nodes * _STEP_DEG
    turns = np.arange(first, first + days)[:, None] + (hour_deg + 180) / 360
    mean_us = (turns - sky.site.longitude_deg / 360) * DAY_US
    ut1_us = mean_us.astype(np.int64)
    for _ in range(3):  # the Sun's place changes little while it is asked for
        ahead, _, _ = ephemeris.apparent(ut1_us.ravel(), _GRACE_US)
        ut1_us = np.round(mean_us - np.degrees(ahead).reshape(ut1_us.shape) * _US_PER_DEG).astype(
            np.int64
        )
    polar, semidiameter = sky.toward(ut1_us.ravel(), _GRACE_US)
    wx, wy, wz = np.radians(pose_deg)
    turn = frames.transpose(frames.rotation(wx, wy, wz, np))
    hour_angle, declination = frames.place(frames.apply(turn, polar), sky.site.hemisphere, np)
    off = hour_angle.reshape(ut1_us.shape) - np.radians(hour_deg)
    off = (off + np.pi) % (2 * np.pi) - np.pi
    begin_us = int(ut1_us[0, 0])
    after_us = (ut1_us - begin_us).astype(float)
    cells = 2 * half
    utc_us = ephemeris.utc_us(ut1_us.ravel()).reshape(ut1_us.shape)
    leap = bool(np.ptp(utc_us - ut1_us) > _LEAP_US)
    size = semidiameter.reshape(off.shape)
    usual = np.radians(mean_semidiameter_deg(np.degrees(declination))).reshape(off.shape)
    turns_of, falls, disc, time = (
        np.concatenate(parts, axis=2).reshape(days * cells, 4)
        for parts in (
            (_cubics(off),),
            (_cubics(declination.reshape(off.shape)),),
            (_lines(size), _lines(size - usual)),
            (_lines(after_us), _lines((utc_us - begin_us).astype(float))),
        )
    )
    latitude = abs(math.radians(sky.site.latitude_deg))
    height = math.cos(latitude) * polar[0] + math.sin(latitude) * polar[2]
    lowest_deg = min([0.0, *(altitude_deg for _, altitude_deg in sky.site.horizon)]) - _BELOW_DEG
    up = (height > math.sin(math.radians(lowest_deg))).reshape(off.shape)[:, 1:-2]
    return Path(days, cells, -half * _STEP_DEG, begin_us, turns_of, falls, disc, time, leap, up)


def _cubics(values: Floats) -> Floats:
    """Of rows of nodes, the cubics between all but the outermost: (rows, nodes - 3, 4)."""
    four = np.lib.stride_tricks.sliding_window_view(values, 4, axis=1)
    coefficients: Floats = four @ CUBIC.T
    return coefficients


def _lines(values: Floats) -> Floats:
    """Start and growth of the same pieces: (rows, nodes - 3, 2)."""
    return np.stack((values[:, 1:-2], np.diff(values[:, 1:-1], axis=1)), axis=2)
