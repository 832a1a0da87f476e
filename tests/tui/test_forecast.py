"""The screen's predictions are the predictor's, and changes ahead are computed when due."""

from dataclasses import replace

import numpy as np
import pytest

from dialbench.predict import lit_fractions, plan_step
from dialbench.sky import Sky
from dialbench.states import LIT_LEVEL
from dialbench.watch.events import Changes
from dialbench.watch.forecast import DAY_US, SOON_US, Forecast, run_out
from dialcore import crossing
from dialcore.crossing import Calibration

MIN_US = 60_000_000


@pytest.fixture(scope="module")
def sky(dial):
    return Sky(dial.site)


@pytest.fixture(scope="module")
def dial(nearby):
    return nearby


@pytest.fixture(scope="module")
def forecast(dial, sky):
    return Forecast(dial, sky)


def test_a_moment_is_what_the_predictor_says_of_its_whole_second(forecast, dial, sky, now_us):
    moment = forecast.moment(now_us + 400_000)
    sun = sky.sun(np.array([now_us]))
    assert moment.utc_us == now_us + 400_000
    assert moment.fractions == pytest.approx(lit_fractions(dial, sun)[0])
    assert moment.step == plan_step(dial, sun.hour_angle_deg)[0]
    assert moment.sun.altitude_deg == sun.altitude_deg[0]
    assert moment.sun.azimuth_deg == sun.azimuth_deg[0]
    assert moment.sun.up


def test_the_last_two_seconds_are_remembered_and_no_more(dial, sky, now_us):
    asked = []

    class Counting(Sky):
        def sun(self, utc_us):
            asked.append(int(utc_us[0]))
            return super().sun(utc_us)

    forecast = Forecast(dial, Counting(dial.site))
    for second in (0, 1, 0, 1, 2, 1, 0):
        forecast.moment(now_us + second * 1_000_000)
    assert [(us - now_us) // 1_000_000 for us in asked] == [0, 1, 2, 0]


def test_fractions_pass_a_half_where_a_change_is_said_to_be(forecast, now_us):
    changes = forecast.changes(now_us)
    assert (changes.start_us, changes.end_us) == (now_us, now_us + SOON_US)
    assert len(changes.crossings) > 10
    assert changes.crossings == tuple(sorted(changes.crossings))
    for utc_us, channel, rising in changes.crossings[:6]:
        before, after = (
            forecast.moment(utc_us + way * 5_000_000).fractions[channel] for way in (-1, 1)
        )
        assert (before < 0.5 < after) if rising else (before > 0.5 > after)


def test_after_the_plan_the_changes_of_tomorrow_are_found(dial, sky, now_us):
    forecast = Forecast(replace(dial, bores=dial.bores[:4]), sky)  # four are enough, and quick
    evening = now_us + 4 * SOON_US
    changes = forecast.changes(evening)
    assert changes.end_us == evening + DAY_US
    assert evening + 10 * SOON_US < changes.crossings[0][0] < changes.end_us


@pytest.mark.parametrize(
    ("at_us", "due"),
    [
        (-1, True),  # before its beginning: a clock set back
        (0, False),
        (10 * MIN_US, False),
        (20 * MIN_US + 1, True),  # past the last crossing, and the hour says no more
        (56 * MIN_US, True),  # nearly past its end
    ],
)
def test_changes_of_an_hour_serve_until_the_last_or_nearly_to_their_end(at_us, due):
    changes = Changes(0, SOON_US, ((20 * MIN_US, 4, True),))
    assert run_out(changes, at_us) is due


def test_a_day_without_changes_serves_half_a_day():
    empty = Changes(0, DAY_US, ())
    assert not run_out(empty, 0)
    assert not run_out(empty, 12 * SOON_US)
    assert run_out(empty, 14 * SOON_US)
    assert run_out(None, 0)


def test_flips_are_when_the_boards_own_looks_change(forecast, dial, sky, now_us):
    """The board's state machine, fed each second with the light that is predicted."""
    changes = forecast.changes(now_us)
    first, channel, rising = changes.crossings[0]
    at_us = first + np.arange(-300, 600) * 1_000_000
    light = lit_fractions(dial, sky.sun(at_us))[:, channel]
    calibration = Calibration([0], [1024], 0, 0, 0, 900, 800)
    board = crossing.Crossings(calibration, lambda *_: None)
    packed, above = bytearray(1), []
    for second, fraction in enumerate(light):
        board.scan([1024, 0, round(1024 * float(fraction))], 1000 * second)
        board.levels(packed)
        above.append(packed[0] & 3 >= LIT_LEVEL)
    seen = [k for k in range(1, len(above)) if above[k] != above[k - 1]]
    flip = dict(zip(changes.crossings, changes.flips, strict=True))[first, channel, rising]
    assert flip[1:] == (channel, rising)
    nearest = min(abs(int(at_us[k]) - flip[0]) for k in seen)
    assert nearest <= 1_000_000  # one scan
    assert flip[0] - first > 2_000_000  # so that it matters
