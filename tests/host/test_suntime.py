"""UTC by the Sun alone, told by a dial that earlier seasons made known.

The truth comes from the virtual dial's tracer, which knows nothing of the solver's formulas.
"""

import json
import os
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from tests.host import campaigns
from tests.host.test_solve import truth_of
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.dial import Body, Bore, Channel, Dial, Plan
from dialbench.sky import Sky
from dialbench.solve import solve
from dialbench.suntime import SunTimeError, between, last_sun, suntime

SEASONS = tuple(
    date(2027, month, day)
    for month, day in ((3, 18), (3, 20), (6, 10), (6, 12), (12, 12), (12, 14))
)
HOUR_US = 3_600_000_000


def dial_of(apart_deg=15.0, offset_deg=3.0):
    """Four channels of five slots each, so far apart that nothing strays."""
    channels = tuple(Channel(0.0, 80.0 * k - 120.0, k, 0) for k in range(4))
    bores = tuple(
        Bore(k, apart_deg * (n - 2) + offset_deg * k, 0.0, "slot", 1.0, 4.0, 60.0, 50.0)
        for k in range(4)
        for n in range(5)
    )
    site = dialfile.demo().site
    return Dial("small", site, channels, Plan("apparent", 15.0, ()), Body(60.0, 420.0), bores)


def true(dial, seed, most_deg=0.5):
    rng = np.random.default_rng(seed)
    pose = tuple(rng.uniform(-most_deg, most_deg, 3))
    channels = len(dial.channels)
    return replace(
        truth_of(dial, seed, pose),
        gain=rng.normal(1.0, 0.1, channels).clip(0.8, 1.25),
        dark_counts=np.zeros(channels),
    )


def hours(truth, sky, day, seed, shift_s, middles_h):
    """Logs of an hour about so many hours from noon, by a clock that is ahead."""
    log = campaigns.logged(lambda _: truth, sky, [day], seed, cloudy=False, shift_s=shift_s)
    for middle_h in middles_h:
        middle_us = sky.noon_us(day) + round(middle_h * HOUR_US + shift_s * 1e6)
        yield between(log, middle_us - HOUR_US // 2, middle_us + HOUR_US // 2)


@pytest.fixture(scope="module")
def small():
    dial = dial_of()
    return dial, Sky(dial.site), true(dial, 5)


@pytest.fixture(scope="module")
def known(small):
    dial, sky, truth = small
    log = campaigns.logged(lambda _: truth, sky, SEASONS[::2], 6, cloudy=False)
    return solve(log, dial, sky)


@pytest.mark.parametrize("shift_s", [0.4, -2700.0])
def test_an_hour_of_sun_tells_the_time(small, known, shift_s):
    _, sky, truth = small
    (hour,) = hours(truth, sky, date(2028, 4, 20), 7, shift_s, (1.2,))
    found = suntime(hour, known, sky)
    assert abs(found.ahead_s - shift_s) < 4 * found.sigma_s
    assert found.sigma_s < 4  # of one day a season
    json.dumps(found.as_dict(), allow_nan=False)
    agrees = "agrees with the Sun" in found.sentences()[0]
    assert agrees == (abs(shift_s) < 1)


def test_steps_that_look_alike_are_named_and_not_guessed(small, known):
    # One edge of one bore, six times over, has nothing to tell which bore it was.
    _, sky, truth = small
    (hour,) = hours(truth, sky, date(2028, 4, 20), 7, 3600.0, (1.2,))
    measured = hour.measured
    one = np.flatnonzero((measured.channel == measured.channel[0]) & measured.rise)[:1]
    some = np.repeat(one, 6)
    spread_us = np.arange(6) * 50_000
    names = ("channel", "threshold", "rise", "utc_us", "sigma_s")
    cut = replace(measured, **{name: getattr(measured, name)[some] for name in names})
    cut = replace(cut, utc_us=cut.utc_us + spread_us)
    found = suntime(replace(hour, measured=cut, observed=[]), known, sky)
    assert found.ahead_s is None and found.sigma_s is None
    leads = [one.ahead_s for one in found.candidates]
    assert len(leads) >= 2 and np.ptp(leads) > 3000
    assert min(abs(lead - 3600.0) for lead in leads) < 60
    assert "cannot tell the time" in found.sentences()[0]


def test_too_little_or_too_far_is_refused(small, known):
    _, sky, truth = small
    (hour,) = hours(truth, sky, date(2028, 4, 20), 7, -2700.0, (1.2,))
    start_us = int(hour.measured.utc_us[0])
    with pytest.raises(SunTimeError, match="are the least"):
        suntime(between(hour, start_us, start_us + 1), known, sky)
    with pytest.raises(SunTimeError, match="no shift"):
        suntime(hour, known, sky, farthest_s=60.0)


def test_the_last_hour_is_the_last_with_crossings(small, known):
    measured = known.comparison.measured
    log = between(replace_log(known), int(measured.utc_us.min()), int(measured.utc_us.max()) + 1)
    start_us, end_us = last_sun(log, 1.0)
    assert end_us - start_us == HOUR_US and end_us == int(measured.utc_us.max()) + 1


def replace_log(known):
    from dialbench.logged import Logged

    return Logged(known.comparison.measured, [], [], None)


def test_a_store_that_is_not_there_is_named(tmp_path, capsys):
    failed = typed(capsys, "suntime", tmp_path / "none.sqlite")
    assert failed.returncode == 2 and "there is no such store" in failed.stderr


@pytest.mark.deep
@pytest.mark.timeout(3600)
def test_a_second_after_three_seasons_and_the_sigma_holds():
    """SUNTIME_DIALS dials at random, three hours of a random day of the next year each."""
    dial = dial_of()
    sky = Sky(dial.site)
    off, sigma, vague = [], [], 0
    dials = int(os.environ.get("SUNTIME_DIALS", "8"))
    for seed in range(dials):
        rng = np.random.default_rng(900 + seed)
        truth = true(dial, seed)
        log = campaigns.logged(lambda _, t=truth: t, sky, SEASONS, seed, cloudy=False)
        known = solve(log, dial, sky)
        day = date(2028, 1, 1) + timedelta(days=int(rng.integers(366)))
        shift_s = float(rng.choice([0.3, -130.0, 900.0, -2700.0, 3600.0]))
        for hour in hours(truth, sky, day, 1000 + seed, shift_s, rng.uniform(-2, 2, 3)):
            found = suntime(hour, known, sky)
            if found.sigma_s is None or found.sigma_s > 2:
                vague += 1  # and it says so itself
                continue
            off.append(found.ahead_s - shift_s)
            sigma.append(found.sigma_s)
    off, z = np.array(off), np.array(off) / np.array(sigma)
    print(
        f"{len(off)} hours: rms {np.sqrt((off**2).mean()):.2f} s, sigma {np.median(sigma):.2f} s;"
    )
    print(f"within 1.96 sigma {(np.abs(z) < 1.96).mean():.0%}, rms off / sigma {z.std():.2f};")
    print(f"{vague} more hours not told to 2 s")
    assert vague <= 0.1 * (len(off) + vague)
    assert np.sqrt((off**2).mean()) < 1.0
    # Hours of one dial share its seasons: no more than the dials are independent.
    assert np.sqrt((z**2).mean()) < 1 + 3 / np.sqrt(2 * dials)
