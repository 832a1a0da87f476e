"""How well a dial would be read over a year, if it stood and came out in a certain way.

Some days from solstice to solstice stand for the year; light is the solver's own (own light
of bores as made; what strays as drawn, and at the declination of the day itself, however the
body leans: that of a whole sky would take a minute to work out). The equation of time is left out of it: a reading's
error is against the hour angle at which the plan has its step.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.ideal import Bores
from dialbench.layout import plan_edges_deg
from dialbench.lit import light_of
from dialbench.predict import plan_step
from dialbench.sky import Sky, from_us
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LIT = 0.5
_DAYS = 7  # from the winter solstice to the summer solstice; the other half year is alike
_SECOND_US = 1_000_000


@dataclass(frozen=True)
class Read:
    """median_min: the middle size of a reading's error, None where no face can be read; half a
    step is in it even for a perfect dial, and makes it a quarter of a step. duty: the share of
    the plan's time in which exactly the right channels are lit."""

    median_min: float | None
    duty: float


class Year:
    """Instants of the plan's time while the Sun is up, step_s apart.

    hours: how long that time is in a whole year.
    """

    def __init__(self, dial: Dial, sky: Sky, utc_us: int, step_s: float) -> None:
        self.dial = dial
        parts = []
        first = date(from_us(utc_us).year - 1, 12, 21)
        for number in range(_DAYS):
            day = first + timedelta(days=round((number + 0.5) * 182 / _DAYS))
            span = sky.daylight(day)
            if span is not None:
                parts.append(np.arange(*span, round(step_s * _SECOND_US)))
        at_us = np.concatenate(parts) if parts else np.zeros(0, np.int64)
        sun = sky.sun(at_us)
        step = np.asarray(plan_step(dial, sun.hour_angle_deg), np.int64)
        here = np.flatnonzero((step >= 0) & sun.up)
        self._polar = tuple(part[here] for part in sun.polar)
        self._semidiameter = np.radians(sun.semidiameter_deg[here])
        self._hour_deg = sun.hour_angle_deg[here]
        self._declination = np.radians(sun.declination_deg[here])
        self._step = step[here]
        self.hours = len(here) * step_s / 3600 * 365.25 / _DAYS
        self._faces = np.zeros((len(dial.plan.steps), len(dial.channels)), bool)
        for n, one in enumerate(dial.plan.steps):
            self._faces[n, sorted(one.channels)] = True
        edges_deg = plan_edges_deg(dial.site, dial.plan)
        self._middle_deg = (edges_deg[:-1] + edges_deg[1:]) / 2

    def __len__(self) -> int:
        return len(self._step)

    @property
    def wanted(self) -> Bools:
        """Which channels should be lit, shape (n, channels)."""
        return self._faces[self._step]

    def near(self, bore: int, reach: float) -> Ints:
        """Instants at which the Sun stands near a bore's axis, in hour angle, radians."""
        away = np.radians(self._hour_deg - self.dial.bores[bore].hour_angle_deg)
        return np.flatnonzero(np.abs(away) < reach)

    def lit(
        self,
        bores: Bores,
        pose: Floats,
        ghost: float = 1.0,
        channels: Ints | None = None,
        where: Ints | slice = slice(None),
    ) -> Floats:
        """Lit fractions at some instants, shape (instants, channels)."""
        wx, wy, wz = pose.tolist()
        back = frames.transpose(frames.rotation(wx, wy, wz, np))
        turned = frames.apply(back, tuple(part[where] for part in self._polar))
        hour_angle, declination = frames.place(turned, self.dial.site.hemisphere, np)
        if channels is None:
            channels = np.arange(len(self.dial.channels))
        count = len(channels)
        drawn, size = self._declination[where], self._semidiameter[where]
        hour_angle, declination, drawn, size = (
            np.repeat(of, count) for of in (hour_angle, declination, drawn, size)
        )
        whose = np.tile(channels, len(hour_angle) // max(count, 1))
        light = bores.lit(hour_angle, declination, size, whose)
        light = light + ghost * light_of(self.dial).strayed(hour_angle, drawn, whose)
        found: Floats = light.reshape(-1, count)
        return found

    def read(self, levels: Floats) -> Read:
        """What is read off levels of shape (n, channels)."""
        lit = levels >= LIT
        right = (lit == self.wanted).all(axis=1)
        packed, face = np.unique(np.packbits(lit, axis=1), axis=0, return_inverse=True)
        of_step = np.packbits(self._faces, axis=1)
        off = []
        for number, bits in enumerate(packed):
            steps = np.flatnonzero((of_step == bits).all(axis=1))
            if not len(steps) or not bits.any():
                continue
            hours_deg = self._hour_deg[face.ravel() == number]
            away = self._middle_deg[steps][:, None] - hours_deg
            off.append(4 * np.abs(away).min(axis=0))
        sizes = np.concatenate(off) if off else np.zeros(0)
        return Read(
            float(np.median(sizes)) if len(sizes) else None,
            float(right.mean()) if len(right) else 0.0,
        )
