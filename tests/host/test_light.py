"""The table of light: traced on a grid of time, straight in between, filled as needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site
from dialbench.virtual.light import LightTable, tracer
from dialbench.virtual.truth import Truth
from dialcore import frames

S = 1_000_000
NOON_US = 1_800_000_000 * S
SITE = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)


@dataclass
class Place:
    polar: tuple
    altitude_deg: np.ndarray
    semidiameter_deg: np.ndarray


class EvenSky:
    """A Sun that runs along the equator, 15 degrees an hour, due at noon; counts its calls."""

    def __init__(self):
        self.asked = []

    def sun(self, utc_us):
        self.asked.append(np.array(utc_us))
        hour_angle = np.radians((utc_us - NOON_US) / S / 240)
        polar = frames.direction(hour_angle, np.zeros(len(utc_us)), 1, np)
        return Place(polar, 90 - np.degrees(np.abs(hour_angle)), np.full(len(utc_us), 0.2667))


def truth(**changed):
    bores = tuple(Bore(0, h, 0.0, "slot", 0.5, 5.0, 60.0, 48.0) for h in (0.0, 3.75, 15.0))
    dial = Dial(
        "test",
        SITE,
        (Channel(0.0, 0.0, 0, 0),),
        Plan("apparent", 15.0, ()),
        Body(60.0, 200.0),
        bores,
    )
    return Truth.draw(dial, 1, **changed)


def instants(start_s, end_s, step_s):
    return NOON_US + np.arange(round(start_s * S), round(end_s * S), round(step_s * S))


def test_on_the_grid_the_table_is_the_trace():
    sky = EvenSky()
    table = LightTable(truth(), sky)
    utc_us = instants(-900, 900, 10)
    light, altitude_deg = table.at(utc_us)
    place = sky.sun(utc_us)
    assert np.array_equal(light, tracer(truth()).lit_fractions(place.polar, 0.2667))
    assert altitude_deg == pytest.approx(place.altitude_deg)
    assert light.max() > 0.9
    assert light.min() == 0


def test_between_grid_points_the_table_runs_straight():
    table = LightTable(truth(), EvenSky())
    utc_us = instants(-400, -300, 10)
    left, _ = table.at(utc_us)
    right, _ = table.at(utc_us + 10 * S)
    inside, _ = table.at(utc_us + 3 * S)
    assert inside == pytest.approx(0.7 * left + 0.3 * right)


def test_the_error_of_straight_lines_is_small_and_grows_with_the_step():
    start_us, end_us = NOON_US - 600 * S, NOON_US + 600 * S
    fine = LightTable(truth(), EvenSky()).interpolation_error(start_us, end_us)
    coarse = LightTable(truth(), EvenSky(), step_s=80).interpolation_error(start_us, end_us)
    assert 0 < fine.rms < 0.003  # of the full beam
    assert fine.rms <= fine.worst < 0.02
    assert coarse.rms > 3 * fine.rms


def test_the_table_is_filled_as_asked_and_not_twice():
    sky = EvenSky()
    table = LightTable(truth(), sky)
    assert not sky.asked
    for at in range(0, 1200, 100):
        table.at(instants(at, at + 100, 0.5))
    traced = np.concatenate(sky.asked)
    # Twenty minutes on a grid of ten seconds; stretches share one point with the next.
    assert len(traced) <= 120 + 61 + 3
    assert len(traced) - len(np.unique(traced)) <= 3


def test_the_table_forgets_old_light_but_not_how_to_find_it_again():
    table = LightTable(truth(), EvenSky())
    utc_us = instants(-300, 0, 5)
    once, _ = table.at(utc_us)
    table.at(instants(0, 6 * 3600, 60))
    assert len(table._filled) <= table._KEPT
    again, _ = table.at(utc_us)
    assert np.array_equal(once, again)


def test_any_order_and_none_at_all():
    table = LightTable(truth(), EvenSky())
    utc_us = instants(-2000, 2000, 13)
    light, altitude_deg = table.at(utc_us)
    backwards, altitude_back = table.at(utc_us[::-1])
    assert np.array_equal(light, backwards[::-1])
    assert np.array_equal(altitude_deg, altitude_back[::-1])
    nothing, nowhere = table.at(utc_us[:0])
    assert nothing.shape == (0, 1)
    assert nowhere.shape == (0,)


def test_the_true_body_s_pose_is_in_the_light():
    utc_us = instants(-600, 600, 1)
    straight, _ = LightTable(truth(), EvenSky()).at(utc_us)
    turned, _ = LightTable(truth(turned_deg=0.5), EvenSky()).at(utc_us)
    early_s = 0.5 * 240
    assert math.isclose(early_s, 120)
    assert turned[:-120] == pytest.approx(straight[120:], abs=0.01)
