"""The dial and the year of the benchmarks: 2,000 tapered slots at the demo's site.

Run as a program it streams a number of days and prints how many spans there were and the
most memory that took, as JSON.
"""

import json
import math
import resource
import sys
from datetime import UTC, datetime

import numpy as np

from dialbench import ideal, kept, lit, predict
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.sky import Sky, to_us

SLOTS = 2000
DAYS = 365
DAY_US = 86_400_000_000
START_US = to_us(datetime(2026, 1, 1, tzinfo=UTC))
END_US = START_US + DAYS * DAY_US
SITE = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 15.0)


def dial():
    """One slot a channel, each of another width, taper, length and place in the day."""
    draw = np.random.default_rng(2000)
    bores = []
    for channel in range(SLOTS):
        length_mm, exit_mm = float(draw.uniform(60, 120)), float(draw.uniform(0.25, 3))
        taper_deg, hour_angle_deg = float(draw.uniform(0.5, 1.5)), float(draw.uniform(-60, 60))
        entry_mm = exit_mm + 2 * length_mm * math.tan(math.radians(taper_deg))
        bores.append(Bore(channel, hour_angle_deg, 0.0, "slot", exit_mm, entry_mm, length_mm, 52.0))
    channels = tuple(Channel(0.0, 0.0, k % 40, k // 40) for k in range(SLOTS))
    plan = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))
    return Dial("Two thousand slots", SITE, channels, plan, Body(200.0, 900.0), tuple(bores))


def warm(sky, end_us=END_US):
    """Fetch the ephemeris, which belongs to no dial, into memory."""
    sky.up_spans(START_US, end_us)


def forget():
    """Take from disk and memory whatever was worked out about a dial."""
    for file in kept.folder().glob("borders-*"):
        file.unlink()
    for known in (predict._band, predict._followed, lit.light_of, ideal.bores_of):
        known.cache_clear()


def main():
    days = int(sys.argv[1])
    end_us = START_US + days * DAY_US
    sky = Sky(SITE)
    spans = sum(len(p) for p in predict.stream(dial(), sky, START_US, end_us, ghosts=False))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    unit = 1 if sys.platform == "darwin" else 1024  # which systems count in what: getrusage(2)
    print(json.dumps({"spans": spans, "peak_bytes": peak * unit}))


if __name__ == "__main__":
    main()
