"""Whole years of a dial's lines without light: for rates that need hundreds of dial-years.

Edges are those of a plain trapezoid (half-width, ramp), sensors have gains and noise, clouds
come for hours and days, some crossings are false, and every edge strays slowly with the season by
what no model holds. None of it is the solver's.
"""

from dataclasses import dataclass, field

import numpy as np

from dialbench.health.lines import gathered

S_PER_RAD = 86_400 / (2 * np.pi)
LEVELS = (0.25, 0.50, 0.75)


@dataclass
class Made:
    """A dial: its bores' channels, half-widths and ramps in seconds, hour angles in radians."""

    channel: np.ndarray
    half_s: np.ndarray
    ramp_s: np.ndarray
    hour_angle: np.ndarray
    gain: np.ndarray = field(default=None)


def made(rng, channels=33, most=7):
    per = rng.integers(2, most + 1, channels)
    channel = np.repeat(np.arange(channels), per)
    hour_angle = np.concatenate(
        [
            np.radians(
                np.sort(rng.choice(np.arange(-60, 61, 10 if most < 13 else 5), n, False)) + 2.0
            )
            for n in per
        ]
    )
    half_s = rng.uniform(300, 1600, len(channel))
    ramp_s = rng.uniform(130, 500, len(channel))
    return Made(channel, half_s, ramp_s, hour_angle, rng.normal(1.0, 0.1, channels).clip(0.8, 1.3))


def clouds(rng, days, hours=12):
    """(days, hours) whether the Sun shone: days are clear, mixed or grey, in spells."""
    kind = np.zeros(days, int)
    for day in range(1, days):
        kind[day] = kind[day - 1] if rng.random() < 0.5 else rng.integers(3)
    return rng.random((days, hours)) < np.array([0.95, 0.5, 0.05])[kind][:, None]


def season(rng, dial, days=365, width=None, gain=None, noise=0.01, false=0.02, stray_s=0.3):
    """Lines of so many days. width (days, bores), gain (days, channels): factors on what was
    made. stray_s: the median of what edges stray by with the season; some stray ten times that."""
    bores = len(dial.channel)
    width = np.ones((days, bores)) if width is None else width
    gain = np.ones((days, len(dial.gain))) if gain is None else gain
    sun = clouds(rng, days)
    day = np.arange(days)
    parts = []
    for number, level in enumerate(LEVELS):
        for rise in (True, False):
            way = -1.0 if rise else 1.0
            lit = level / (dial.gain * gain)[:, dial.channel]
            wide_s = dial.half_s * width + dial.ramp_s * (0.5 - lit)
            sound_s = dial.half_s + dial.ramp_s * (0.5 - level / dial.gain[dial.channel])
            late_s = way * (wide_s - sound_s)
            sigma_s = np.broadcast_to(noise * dial.ramp_s / dial.gain[dial.channel], late_s.shape)
            size_s = stray_s * np.exp(rng.normal(0, 1, bores))
            period, phase = rng.uniform(60, 365, bores), rng.uniform(0, 2 * np.pi, bores)
            late_s = late_s + size_s * np.sin(2 * np.pi * day[:, None] / period + phase)
            late_s = late_s + rng.normal(size=late_s.shape) * sigma_s
            wrong = rng.random(late_s.shape) < false
            late_s = np.where(wrong, late_s + rng.uniform(-120, 120, late_s.shape), late_s)
            hour = (dial.hour_angle * 12 / np.pi + 6 + way * sound_s / 3600).astype(int)
            seen = sun[:, hour.clip(0, 11)] & (lit < 1)
            at, bore = np.nonzero(seen)
            parts.append(
                (
                    at,
                    dial.channel[bore],
                    np.full(len(at), number),
                    np.full(len(at), rise),
                    bore,
                    late_s[seen],
                    sigma_s[seen],
                )
            )
    at, channel, threshold, rise, bore, late_s, sigma_s = map(
        np.concatenate, zip(*parts, strict=True)
    )
    way = np.where(rise, -1.0, 1.0)
    ramp_s, one = dial.ramp_s[bore], np.ones(len(bore))
    lit = np.asarray(LEVELS)[threshold] / dial.gain[channel]
    partials = {
        "gain": way * ramp_s * lit,
        "dark": way * ramp_s,
        "exit": way * ramp_s * (0.5 - lit),
        "axis": one * S_PER_RAD,
        "entry": way * dial.half_s[bore],
        "turn": -one * S_PER_RAD,
        "entries": way * dial.half_s[bore],
    }
    return gathered(
        at, channel, threshold, rise, bore, dial.hour_angle[bore], late_s, sigma_s, partials
    )
