"""Hundreds of campaigns solved: no bias, intervals that hold, no more scatter than must be.

The logs come from points of the Sun's disc (tests.host.sampled), of dials whose making, pose
and clock are drawn by lot, under clouds, with 2% of the crossings false. POPULATION in the
environment is the number of campaigns of each kind; the figures are printed.
"""

import os
from datetime import date, timedelta
from multiprocessing import Pool

import numpy as np
import pytest
from tests.host import sampled

from dialbench import dialfile
from dialbench.crossing import Crossings
from dialbench.dial import Body, Bore, Channel, Dial, Plan
from dialbench.sky import Sky
from dialbench.solve import solve
from dialbench.solve.information import Assumed, Model
from dialbench.solve.unknowns import AXIS, DARK, GAIN, OFFSET, POSE, RATE, WIDTH, Layout

CAMPAIGNS = int(os.environ.get("POPULATION", "8"))
POSE_DEG = 2.0
OFFSET_S, CLOCK_RATE = 0.2, 1e-7
DAYS = {
    "one day": [0],
    "three days": [0, 2, 5],
    "three seasons": [0, 1, 2, 120, 121, 122, 240, 241, 242],
}


def dial():
    """Eight channels of six slots each, so far apart that nothing strays."""
    channels = tuple(Channel(0.0, 80.0 * k - 280.0, k, 0) for k in range(8))
    bores = tuple(
        Bore(k, 15.0 * n - 37.5 + 1.8 * k, 0.0, "slot", 1.0, 4.0, 60.0, 50.0)
        for k in range(8)
        for n in range(6)
    )
    plan, body = Plan("apparent", 15.0, ()), Body(60.0, 900.0)
    return Dial("population", dialfile.demo().site, channels, plan, body, bores)


def campaign(kind, seed):
    """Errors and standard deviations of every unknown, and how well the pose can be told."""
    rng = np.random.default_rng([len(kind), seed])
    drawn = dial()
    sky = Sky(drawn.site)
    way = rng.normal(size=3)
    pose_deg = way / np.linalg.norm(way) * POSE_DEG * rng.random() ** (1 / 3)
    first = date(2026, 1, 1) + timedelta(int(rng.integers(365)))
    days = [first + timedelta(n) for n in DAYS[kind]]
    clock = rng.normal(0.0, OFFSET_S), rng.normal(0.0, CLOCK_RATE)
    made = sampled.drawn_by_lot(drawn, rng, pose_deg, clock=clock)
    log, from_us = sampled.logged(made, sky, days, rng, false=0.02, clear=0.8, sigma_s=OFFSET_S)
    found = solve(log, drawn, sky)
    fitted, layout = found.fit, Layout(drawn)
    values, sigma = fitted.values, fitted.sigma
    # The offset that is looked for is that in the middle of what was measured.
    utc_us = found.comparison.measured.utc_us[found.places]
    offset_s = clock[0] + clock[1] * 1e-6 * (np.median(utc_us) - from_us)
    own = {kind: np.array([block[kind] for block in values.own]) for kind in (GAIN, DARK)}
    own_sigma = {kind: np.array([block[kind] for block in sigma.own]) for kind in (GAIN, DARK)}
    known = np.array([angle.value_deg is not None for angle in found.pose.angles])
    off_deg = np.degrees(values.common[POSE]) - pose_deg
    wide_deg = np.degrees(sigma.common[POSE])
    told = {
        "pose": (off_deg[known], wide_deg[known]),  # what is not told gets no number
        "offset": (values.common[OFFSET] - offset_s, sigma.common[OFFSET]),
        "rate": (values.common[RATE] - clock[1], sigma.common[RATE]),
        "axes": (
            layout.by_bore(AXIS, values) - np.radians(made.axis_deg),
            layout.by_bore(AXIS, sigma),
        ),
        "widths": (
            values.common[5] + layout.by_bore(WIDTH, values) - (made.width() - 1),
            fitted.width_sigma,
        ),
        "gains": (own[GAIN] - (made.full() - 1), own_sigma[GAIN]),
        "darks": (own[DARK] - made.dark, own_sigma[DARK]),
    }
    measured = found.comparison.measured
    places = found.places[np.abs(fitted.left_s) < 5 * fitted.sigma_s]
    crossings = Crossings(
        measured.channel[places],
        measured.threshold[places],
        measured.rise[places],
        measured.utc_us[places],
    )
    assumed = Assumed(offset_s=OFFSET_S, rate=CLOCK_RATE)
    model = Model(drawn, sky, assumed, int(np.median(utc_us)), values)
    least_deg = np.sqrt(np.diag(model.pose_deg2(model.foreseen([crossings])[0])))
    return told, (off_deg / least_deg)[known], fitted.settled, fitted.level_noise, fitted.scatter


@pytest.mark.deep
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("kind", DAYS)
def test_campaigns_are_solved_without_bias_and_as_well_as_can_be(kind):
    Sky(dial().site).daylight(date(2026, 6, 1))  # the ephemeris is looked up once
    with Pool(2) as pool:
        found = pool.starmap(campaign, [(kind, seed) for seed in range(CAMPAIGNS)], chunksize=1)
    print(f"\n{kind}: {CAMPAIGNS} campaigns, {sum(one[2] for one in found)} settled")
    print(f"noise {np.mean([one[3] for one in found]):.4f} of 0.0100")
    print("scatter", np.mean([one[4] for one in found], axis=0).round(4).tolist())
    for name in found[0][0]:
        scores = [np.atleast_1d(one[0][name][0] / one[0][name][1]) for one in found]
        scores = [each for each in scores if len(each)]
        score = np.concatenate(scores)
        # What a campaign's unknowns have in common errs together: a campaign is one try.
        means = np.array([each.mean() for each in scores])
        bias, unsure = score.mean(), means.std() / np.sqrt(len(scores))
        covers = np.array([(np.abs(each) < 1.96).mean() for each in scores])
        cover, spread = covers.mean(), covers.std() / np.sqrt(len(scores))
        print(
            f"{name:9} bias {bias:+.2f} +- {unsure:.2f} sigma, covered {cover:.3f} +- {spread:.3f}, "
            f"scatter {score.std():.2f} sigma"
        )
        assert abs(bias) < 0.1 + 3.5 * max(unsure, 0.2 / np.sqrt(CAMPAIGNS))
        assert cover > 0.93 - 3.5 * max(spread, 0.2 / np.sqrt(CAMPAIGNS))
    least = np.concatenate([one[1] for one in found])
    ratio = float(np.sqrt(np.mean(least**2)))
    print(f"errors of {len(least)} angles over the Cramer-Rao bound: {ratio:.2f}")
    assert ratio < 1.15 * (1 + 2.5 / np.sqrt(2 * len(least)))
