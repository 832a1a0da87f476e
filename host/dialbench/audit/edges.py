"""How far from the plan's own boundaries each channel's light really comes and goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.audit.crossings import Passed
from dialbench.audit.minutes import MINUTE_US, Bools, Floats, Ints, Looked, PlanTime

_RUN_US = 1 << 41  # longer than any run


@dataclass(frozen=True)
class Edges:
    """Every time the plan turns a channel on or off with the Sun up; arrays of one length.

    edge: the step that begins there (the number of steps where the last one ends). late_us:
    how much later the channel's light passes a half; own_late_us: how much later that of its
    own bores by themselves. nan where it never does within half a step.
    """

    day: Ints
    edge: Ints
    channel: Ints
    on: Bools
    late_us: Floats
    own_late_us: Floats


def edges(
    time: PlanTime, wants: Bools, step_min: float, seen: Looked, light: Passed, own: Passed
) -> Edges:
    """The edges of the runs in seen."""
    runs = np.unique(seen.run)
    due_us = time.edges_us[time.day[runs]]
    begin_us, end_us = time.begin_us[runs, None], time.end_us[runs, None]
    row, edge = np.nonzero((due_us >= begin_us) & (due_us <= end_us))
    change, channel = np.nonzero(wants[edge] != wants[edge - 1])
    row, edge = row[change], edge[change]
    on = wants[edge, channel]
    run, at_us = runs[row], due_us[row, edge]
    half_us = step_min / 2 * MINUTE_US
    late_us, own_late_us = (
        _late_us(time, run, channel, on, at_us, half_us, each) for each in (light, own)
    )
    return Edges(time.day[run], edge, channel, on, late_us, own_late_us)


def _late_us(
    time: PlanTime,
    run: Ints,
    channel: Ints,
    on: Bools,
    due_us: Ints,
    half_us: float,
    light: Passed,
) -> Floats:
    """How long after due_us light that comes (on) or goes passes a half; the nearest time."""
    channels = 1 + max(int(channel.max(initial=0)), int(light.channel.max(initial=0)))

    def key(run: Ints, channel: Ints, rise: Bools, utc_us: Ints) -> Ints:
        after_us = utc_us - time.begin_us[run] + _RUN_US // 2
        return ((run * channels + channel) * 2 + rise) * _RUN_US + after_us

    known = np.sort(key(light.run, light.channel, light.rise, light.utc_us))
    wanted = key(run, channel, on, due_us)
    late = np.full(len(wanted), np.nan)
    if len(known):
        after = np.searchsorted(known, wanted)
        for at in (np.maximum(after - 1, 0), np.minimum(after, len(known) - 1)):
            # Those of another run, channel or way are more than half a step off.
            off = (known[at] - wanted).astype(float)
            better = (np.abs(off) <= half_us) & ~(np.abs(off) >= np.abs(late))
            late = np.where(better, off, late)
    return late
