"""Logs of dials whose slots keep apart, made by points of the Sun's disc: no formula of the host's.

Each point of the disc sends a bundle of parallel rays, of which a slot lets through what its
two ends leave open; the bundles are added up. How the body stands is one rotation of vectors,
and where the Sun is comes from the ephemeris. Exits are the channels', entries the bores'.
"""

from dataclasses import dataclass

import numpy as np

from dialbench.compare import Measured
from dialbench.logged import Logged
from dialcore.crossing import THRESHOLDS

_POINTS = 400
_STEP_US = 4_000_000  # so that a straight line between is true to a ten-thousandth
_LIMB = 0.6  # I = 1 - u (1 - mu); from memory


@dataclass(frozen=True)
class Made:
    """A dial as it came out; angles in degrees, factors on what is drawn.

    axis_deg, entry: of each bore; exit, gain, dark: of each channel; clock: by how many
    seconds it is ahead in the middle of a log, and by how many more each second.
    """

    dial: object
    pose_deg: tuple
    axis_deg: np.ndarray
    entry: np.ndarray
    exit: np.ndarray
    gain: np.ndarray
    dark: np.ndarray
    clock: tuple = (0.0, 0.0)

    def width(self):
        """Of each bore: the factor on the mean of its exit's and its entry's width."""
        bores = self.dial.bores
        exits = np.array([bore.exit_mm * self.exit[bore.channel] for bore in bores])
        entries = np.array([bore.entry_mm for bore in bores]) * self.entry
        return (exits + entries) / np.array([bore.exit_mm + bore.entry_mm for bore in bores])

    def full(self):
        """Of each channel: by what its level grows from dark to light all over the exit drawn."""
        return self.gain * self.exit


def drawn_by_lot(
    dial, rng, pose_deg, axis_deg=0.1, width=0.03, gain=0.1, dark=0.003, clock=(0.0, 0.0)
):
    """A dial whose making scattered by these standard deviations."""
    bores, channels = len(dial.bores), len(dial.channels)
    return Made(
        dial,
        tuple(pose_deg),
        rng.normal(0.0, axis_deg, bores),
        rng.normal(1.0, width, bores),
        rng.normal(1.0, width, channels),
        rng.normal(1.0, gain, channels),
        rng.normal(0.0, dark, channels),
        clock,
    )


def light(made, sun):
    """Shares of the drawn exits that are lit, shape (instants, channels)."""
    bodily = np.column_stack(sun.polar) @ _rotation(np.radians(made.pose_deg))
    points, weights = _disc()
    lit = np.zeros((len(bodily), len(made.dial.channels)))
    south = made.dial.site.hemisphere < 0
    for number, bore in enumerate(made.dial.bores):
        hour = np.radians(bore.hour_angle_deg + made.axis_deg[number])
        high = np.radians(bore.declination_deg)
        turn = -1.0 if south else 1.0
        flat = np.array([np.cos(hour), -turn * np.sin(hour), 0.0])
        axis = np.cos(high) * flat + np.array([0.0, 0.0, turn * np.sin(high)])
        across = np.array([np.sin(hour), turn * np.cos(hour), 0.0])
        exit_mm = bore.exit_mm * made.exit[bore.channel]
        entry_mm = bore.entry_mm * made.entry[number]
        reach = np.tan((exit_mm + entry_mm) / 2 / bore.length_mm + 0.01)
        front, side = bodily @ axis, bodily @ across
        near = np.flatnonzero((front > 0) & (np.abs(side) < reach * front))
        if not len(near):
            continue
        size = np.tan(np.radians(np.broadcast_to(sun.semidiameter_deg, len(bodily))[near]))
        # Two directions across the beam; the disc is round, so any two will do.
        toward = bodily[near]
        one = np.cross(toward, [0.0, 0.0, 1.0])
        one *= (size / np.linalg.norm(one, axis=1))[:, None]
        other = np.cross(toward, one)
        slope = (
            side[near, None]
            + (one @ across)[:, None] * points[0]
            + (other @ across)[:, None] * points[1]
        ) / (
            front[near, None]
            + (one @ axis)[:, None] * points[0]
            + (other @ axis)[:, None] * points[1]
        )
        # The body is round: at a slot's walls it ends a little before its middle does.
        wall_mm = np.sqrt(bore.length_mm**2 - (entry_mm / 2) ** 2)
        mouth_mm = exit_mm + (entry_mm - exit_mm) * wall_mm / bore.length_mm
        shift = wall_mm * slope
        left = np.maximum(-exit_mm / 2, -mouth_mm / 2 + shift)
        right = np.minimum(exit_mm / 2, mouth_mm / 2 + shift)
        open_mm = np.maximum(right - left, 0.0) @ weights
        # An exit that came out wider did so both ways.
        lit[near, bore.channel] += open_mm / bore.exit_mm * made.exit[bore.channel]
    return lit


def logged(made, sky, days, rng, noise=0.01, false=0.0, clear=1.0, sigma_s=0.01):
    """Crossings with noise of the level, some of them false, in a share of the time only.

    Returns the log and from when its clock's rate counts. rng: numpy's; sigma_s: what the
    clock claims to be known by. Noise stays the same while a channel brightens or dims once. Clouds come in
    stretches of a quarter of an hour.
    """
    found, observed = [], []
    for day in days:
        start_us, end_us = sky.daylight(day)
        at_us = np.arange(start_us, end_us, _STEP_US)
        level = made.dark + made.gain * light(made, sky.sun(at_us))
        for channel in range(level.shape[1]):
            own = level[:, channel]
            flips = np.flatnonzero((own[1:] > 0.5) != (own[:-1] > 0.5))
            if not len(flips):
                continue
            ramp = np.searchsorted((flips[1:] + flips[:-1]) // 2, np.arange(len(own)), "right")
            for number, threshold in enumerate(THRESHOLDS):
                over = own + rng.normal(0.0, noise, ramp[-1] + 1)[ramp] - threshold
                row = np.flatnonzero((over[1:] > 0) != (over[:-1] > 0))
                row = row[ramp[row] == ramp[row + 1]]
                per_us = (over[row + 1] - over[row]) / _STEP_US
                late_us = -over[row] / per_us
                wrong = rng.random(len(row)) < false
                late_us[wrong] += rng.uniform(-120e6, 120e6, wrong.sum())
                found.append(
                    np.column_stack(
                        (
                            np.full(len(row), channel),
                            np.full(len(row), number),
                            per_us > 0,
                            at_us[row] + np.rint(late_us).astype(np.int64),
                        )
                    )
                )
        edges = np.append(np.arange(start_us, end_us, 900_000_000), end_us)
        sunny = rng.random(len(edges) - 1) < clear
        observed += [
            (int(a), int(b)) for a, b, s in zip(edges[:-1], edges[1:], sunny, strict=True) if s
        ]
    channel, threshold, rise, utc_us = np.concatenate(found).T
    seen = np.zeros(len(utc_us), np.bool_)
    for a, b in observed:
        seen |= (utc_us >= a) & (utc_us < b)
    order = np.flatnonzero(seen)[np.argsort(utc_us[seen], kind="stable")]
    offset_s, rate = made.clock
    from_us = int(np.median(utc_us))
    told_us = utc_us + np.rint(1e6 * offset_s + rate * (utc_us - from_us)).astype(np.int64)
    measured = Measured(
        channel[order],
        threshold[order],
        rise[order].astype(np.bool_),
        told_us[order],
        np.full(len(order), sigma_s),
    )
    return Logged(measured, _joined(observed), [], None), from_us


def _joined(spans):
    joined = []
    for a, b in spans:
        if joined and joined[-1][1] == a:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def _rotation(vector):
    """The matrix of a rotation vector in radians, right-hand rule (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = np.asarray(vector) / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def _disc():
    """Points spread evenly over a disc of radius 1, and how bright each is; (2, n), (n,)."""
    number = np.arange(_POINTS) + 0.5
    radius = np.sqrt(number / _POINTS)
    turn = np.pi * (3 - np.sqrt(5)) * number
    bright = 1 - _LIMB * (1 - np.sqrt(1 - radius**2))
    return np.stack((radius * np.cos(turn), radius * np.sin(turn))), bright / bright.sum()
