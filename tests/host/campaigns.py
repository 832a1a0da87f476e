"""Campaigns of traced light: whole seasons of a dial that changes from day to day.

The truth is the virtual dial's tracer, under drifting clouds; it knows nothing of the
solver's formulas.
"""

from datetime import timedelta

import numpy as np

from dialbench.compare import Measured
from dialbench.logged import Logged
from dialbench.virtual.clouds import Invented
from dialbench.virtual.light import tracer
from dialcore.crossing import THRESHOLDS

MINUTE_US = 60_000_000
PARTS = 6  # of a minute in which a crossing lies, traced anew


def days(first, count):
    return [first + timedelta(days=n) for n in range(count)]


def sunny(sky, day, seed):
    """Spans without cloud of a day, those of at least five minutes."""
    start_us, end_us = sky.daylight(day)
    at_us = np.arange(start_us, end_us, MINUTE_US // 2)
    clear = Invented(seed).cover(at_us) < 0.5
    edges = np.flatnonzero(np.diff(np.concatenate(([0], clear.astype(int), [0]))))
    spans = [
        (int(at_us[a]), int(at_us[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    return [span for span in spans if span[1] - span[0] > 5 * MINUTE_US]


def of_day(truth, sky, start_us, end_us):
    """(channel, threshold, rise, utc_us, level per us) of one day's traced light; truth.gain
    and truth.dark_counts (as a share of full light) are its sensors'."""
    rays = tracer(truth)

    def level(at_us):
        sun = sky.sun(at_us)
        return truth.gain * rays.lit_fractions(sun.polar, sun.semidiameter_deg) + truth.dark_counts

    at_us = np.arange(start_us, end_us, MINUTE_US)
    coarse = level(at_us)
    changes = np.zeros(len(at_us) - 1, bool)
    for threshold in THRESHOLDS:
        over = coarse > threshold
        changes |= (over[1:] != over[:-1]).any(axis=1)
    cells = np.flatnonzero(changes)
    step_us = MINUTE_US // PARTS
    fine_us = at_us[cells, None] + step_us * np.arange(PARTS + 1)
    fine = level(fine_us.ravel()).reshape(*fine_us.shape, -1)
    found = []
    for number, threshold in enumerate(THRESHOLDS):
        over = fine - threshold
        cell, part, channel = np.nonzero((over[:, :-1] < 0) != (over[:, 1:] < 0))
        before, after = fine[cell, part, channel], fine[cell, part + 1, channel]
        per_us = (after - before) / step_us
        when_us = fine_us[cell, part] + np.rint((threshold - before) / per_us).astype(np.int64)
        found.append((channel, np.full(len(cell), number), per_us > 0, when_us, per_us))
    return [np.concatenate(each) for each in zip(*found, strict=True)]


def logged(truth_on, sky, listed, seed, noise=0.01, false=0.02, cloudy=True, shift_s=0.0):
    """The log of a campaign; truth_on gives each day's true dial. shift_s: its clock is ahead."""
    rng = np.random.default_rng(seed)
    parts, observed = [], []
    for day in listed:
        start_us, end_us = sky.daylight(day)
        spans = sunny(sky, day, seed) if cloudy else [(start_us, end_us)]
        observed += spans
        if not spans:
            continue
        channel, threshold, rise, utc_us, per_us = of_day(truth_on(day), sky, start_us, end_us)
        late_us = rng.normal(0.0, noise, len(utc_us)) / np.abs(per_us)
        wrong = rng.random(len(utc_us)) < false
        late_us[wrong] += rng.uniform(-120e6, 120e6, wrong.sum())
        utc_us = utc_us + np.rint(late_us).astype(np.int64)
        seen = np.zeros(len(utc_us), bool)
        for a, b in spans:
            seen |= (utc_us >= a) & (utc_us <= b)
        parts.append([each[seen] for each in (channel, threshold, rise, utc_us)])
    channel, threshold, rise, utc_us = (np.concatenate(each) for each in zip(*parts, strict=True))
    order = np.argsort(utc_us)
    ahead_us = round(1e6 * shift_s)
    measured = Measured(
        channel[order],
        threshold[order],
        rise[order],
        utc_us[order] + ahead_us,
        np.full(len(order), 0.01),
    )
    return Logged(measured, [(a + ahead_us, b + ahead_us) for a, b in observed], [], None)
