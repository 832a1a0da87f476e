"""Logs whose light was traced through a true body, for dials small enough to trace fast."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
from tests.host.dials import NORTH

from dialbench import dialfile
from dialbench.compare import Measured
from dialbench.dial import Body, Channel, Dial, Plan, Step
from dialbench.layout import uniform
from dialbench.logged import Logged
from dialbench.sky import Sky, from_us
from dialbench.virtual.light import tracer
from dialbench.virtual.truth import Truth
from dialcore.crossing import THRESHOLDS

STEP_US = 20_000_000
RAYS = 256


def spelt(channels=8, steps=20, seed=3, site=NORTH, name="spelt"):
    """A dial whose channels stand so far apart that nothing strays; each step lights some."""
    rng = np.random.default_rng(seed)
    faces, seen = [], {frozenset()}
    while len(faces) < steps:
        face = frozenset(np.flatnonzero(rng.random(channels) < 0.5).tolist())
        if face not in seen:
            seen.add(face)
            faces.append(face)
    start_min = 720 - 15.0 * steps / 2
    plan = Plan(
        "apparent",
        15.0,
        tuple(
            Step(k, start_min + 15 * k, f"{k:02d}:00", face)  # what it spells matters to nobody
            for k, face in enumerate(faces)
        ),
    )
    places = tuple(Channel(0.0, 90.0 * (n - channels / 2), n % 2, n // 2) for n in range(channels))
    body = Body(60.0, 90.0 * channels + 200.0)
    return Dial(name, site, places, plan, body, uniform(site, places, plan, body, 0.6, 1.55, 50.0))


def truth_of(dial, seed=1, pose_deg=(0.0, 0.0, 0.0), axis_deg=0.1, width=0.03, wide=1.0):
    """Bores that scatter about axes as drawn and widths a common factor off."""
    rng = np.random.default_rng(seed)
    bores = len(dial.bores)
    return replace(
        Truth.perfect(dial),
        pose_deg=tuple(pose_deg),
        axis_error_deg=rng.normal(0.0, axis_deg, (bores, 2)),
        width_factor=wide * rng.normal(1.0, width, bores),
    )


def log_of(
    truth,
    sky,
    days,
    seed=1,
    noise=0.01,
    gain=0.0,
    false=0.0,
    cloudy=False,
    step_us=STEP_US,
    count=RAYS,
):
    """Crossings of traced light, with the sensors' noise and gains; some of them false."""
    rng = np.random.default_rng(seed)
    factor = 1.0 + gain * rng.normal(size=len(truth.dial.channels))
    rays = tracer(truth, count)
    found, observed = [], []
    for day in days:
        span = sky.daylight(day)
        sunny = _breaks(rng, *span) if cloudy else [span]
        observed += sunny
        at_us = np.arange(*span, step_us)
        sun = sky.sun(at_us)
        at_us, polar = at_us[5:-5], [part[5:-5] for part in sun.polar]
        level = factor * rays.lit_fractions(tuple(polar), sun.semidiameter_deg[5:-5])
        for number, threshold in enumerate(THRESHOLDS):
            over = level - threshold
            row, channel = np.nonzero((over[:-1] < 0) != (over[1:] < 0))
            per_us = (level[row + 1, channel] - level[row, channel]) / step_us
            late_us = rng.normal(0.0, noise, len(row)) / np.abs(per_us)
            wrong = rng.random(len(row)) < false
            late_us[wrong] += rng.uniform(-120e6, 120e6, wrong.sum())
            when_us = at_us[row] + np.rint(late_us - over[row, channel] / per_us).astype(np.int64)
            seen = np.zeros(len(row), bool)
            for start_us, end_us in sunny:
                seen |= (when_us >= start_us) & (when_us < end_us)
            found.append(
                [each[seen] for each in (channel, np.full(len(row), number), per_us > 0, when_us)]
            )
    return Logged(measured_of(*(np.concatenate(each) for each in zip(*found))), observed, [], None)


def measured_of(channel, threshold, rise, utc_us):
    order = np.argsort(utc_us, kind="stable")
    sigma_s = np.full(len(order), 0.01)
    return Measured(channel[order], threshold[order], rise[order], utc_us[order], sigma_s)


def changed(logged, channels=None, late=timedelta(0)):
    """A log whose channels are called otherwise, or whose clock goes otherwise."""
    one = logged.measured
    late_us = round(late.total_seconds() * 1e6)
    channel = one.channel if channels is None else np.asarray(channels)[one.channel]
    measured = measured_of(channel, one.threshold, one.rise, one.utc_us + late_us)
    observed = [(start + late_us, end + late_us) for start, end in logged.observed]
    return replace(logged, measured=measured, observed=observed)


def both(*logs):
    """Logs thrown together."""
    parts = [log.measured for log in logs]
    columns = ("channel", "threshold", "rise", "utc_us")
    measured = measured_of(*(np.concatenate([getattr(p, name) for p in parts]) for name in columns))
    return replace(logs[0], measured=measured, observed=[s for log in logs for s in log.observed])


def _breaks(rng, start_us, end_us):
    """Sunny spells with clouds between."""
    edges = np.sort(rng.uniform(start_us, end_us, 12)).astype(np.int64).tolist()
    return list(zip([start_us, *edges[1::2]], [*edges[::2], end_us], strict=True))


def imported(typed, capsys, folder, logged, dial):
    """The log brought into a store as another make's, through its files."""
    (folder / "dial.toml").write_text(dialfile.dump(dial))
    rows = ["utc,channel,threshold,direction,sigma_s"]
    one = logged.measured
    for at, utc_us in enumerate(one.utc_us.tolist()):
        direction = "rise" if one.rise[at] else "fall"
        rows.append(
            f"{_iso(utc_us)},{one.channel[at]},{THRESHOLDS[one.threshold[at]]},{direction},0.01"
        )
    (folder / "log.csv").write_text("\n".join(rows) + "\n")
    spans = [f"{_iso(start)},{_iso(end)}" for start, end in sorted(logged.observed)]
    (folder / "sun.csv").write_text("\n".join(["start,end", *spans]) + "\n")
    words = ["--dial", folder / "dial.toml", "--observed", folder / "sun.csv"]
    ran = typed(capsys, "import", folder / "log.csv", *words, "--store", folder / "store.sqlite")
    assert ran.returncode == 0, ran.stderr
    return folder / "store.sqlite"


def _iso(utc_us):
    return from_us(utc_us).isoformat(timespec="microseconds").replace("+00:00", "Z")


def sky_of(dial):
    return Sky(dial.site)
