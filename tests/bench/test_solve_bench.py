"""How long a long log takes to solve, against predicting the same crossings once.

The job of the promise is half a million crossings, 96 channels over 90 days, of which this
is a part: SOLVE_CHANNELS and SOLVE_DAYS in the environment ask for another. Seconds and memory
are printed; only the ratio of the two, measured one after the other, is held to a bound.
"""

import os
import resource
from dataclasses import replace
from datetime import date, timedelta
from time import perf_counter

import numpy as np
import pytest

from dialbench import dialfile
from dialbench.compare import Measured
from dialbench.dial import Body, Bore, Channel, Dial, Plan
from dialbench.logged import Logged, predicted
from dialbench.sky import Sky
from dialbench.solve import solve

CHANNELS = int(os.environ.get("SOLVE_CHANNELS", "24"))
DAYS = int(os.environ.get("SOLVE_DAYS", "45"))
POSE_DEG = (0.3, -0.4, 0.5)
# A fit looks some ten times at partial derivatives, each of which takes ten looks at the light.
TIMES = 40


def dial():
    """Ten slots a channel, so far apart that nothing strays."""
    channels = tuple(Channel(0.0, 80.0 * k - 40.0 * CHANNELS, k, 0) for k in range(CHANNELS))
    bores = tuple(
        Bore(k, 12.0 * n - 54.0 + 0.5 * (k % 24), 0.0, "slot", 1.0, 4.0, 60.0, 50.0)
        for k in range(CHANNELS)
        for n in range(10)
    )
    plan, body = Plan("apparent", 15.0, ()), Body(60.0, 90.0 * CHANNELS)
    return Dial("long log", dialfile.demo().site, channels, plan, body, bores)


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_a_long_log_is_solved_in_the_time_of_some_predictions(benchmark):
    drawn, rng = dial(), np.random.default_rng(1)
    sky = Sky(drawn.site)
    made = replace(
        drawn,
        bores=tuple(
            replace(
                bore,
                hour_angle_deg=bore.hour_angle_deg + rng.normal(0.0, 0.1),
                entry_mm=bore.entry_mm * rng.normal(1.0, 0.03),
            )
            for bore in drawn.bores
        ),
    )
    observed = [sky.daylight(date(2026, 4, 1) + timedelta(n)) for n in range(DAYS)]
    none = np.zeros(0, np.int64)
    empty = Logged(Measured(none, none, none == 0, none, np.zeros(0)), observed, [], None)
    predicted(empty, made, sky, POSE_DEG)  # what is kept on disk is there from now on
    start = perf_counter()
    true, _ = predicted(empty, made, sky, POSE_DEG)
    once_s = perf_counter() - start
    count = len(true.utc_us)
    late_s = rng.normal(0.0, 2.3, count)  # 1% of the level
    wrong = rng.random(count) < 0.02
    late_s[wrong] += rng.uniform(-120.0, 120.0, wrong.sum())
    utc_us = true.utc_us + np.rint(1e6 * late_s).astype(np.int64)
    order = np.argsort(utc_us)
    measured = Measured(
        true.channel[order],
        true.threshold[order],
        true.rise[order],
        utc_us[order],
        np.full(count, 0.01),
    )
    log = replace(empty, measured=measured)
    solve(replace(empty, measured=measured, observed=observed[:2]), drawn, sky)  # the drawn dial's
    found = benchmark.pedantic(lambda: solve(log, drawn, sky), rounds=1)
    seconds = benchmark.stats.stats.mean
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n{count} crossings: {seconds:.1f} s, {seconds / once_s:.1f} predictions of"
        f" {once_s:.2f} s; {memory_mb:.0f} MB; {found.fit.rounds} rounds"
    )
    assert found.fit.settled
    for angle, true_deg in zip(found.pose.angles, POSE_DEG, strict=True):
        assert abs(angle.value_deg - true_deg) < 2.5 * angle.half_width_deg
    assert seconds < TIMES * once_s
