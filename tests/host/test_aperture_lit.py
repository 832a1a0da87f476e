"""What a lamp lights, in closed form, is what rays through the body say."""

from dataclasses import replace

import numpy as np
import pytest
from tests.host import dials
from tests.host.benches import laid

from dialbench import ideal
from dialbench.aperture import Light, LightError, Sweep, lamp_before
from dialbench.aperture.model import ZERO, Model
from dialbench.virtual.bench import LampRays
from dialbench.virtual.truth import Truth

SLOTS = [
    (0.0, -90.0, [(0.0, 0.0, "slot", 3.0, 3.0, 60.0)]),  # straight
    (30.0, -40.0, [(20.0, 0.0, "slot", 1.0, 4.0, 60.0)]),  # its surface oblique
    (0.0, 0.0, [(h, 0.0, "slot", 1.0, 4.0, 60.0) for h in (0.0, 3.5, 7.5)]),  # run together
]
ROUNDS = [
    (10.0, 100.0, [(10.0, 3.0, "round", 3.0, 3.0, 0.0)]),
    (-20.0, 130.0, [(-25.0, 0.0, "round", 2.0, 5.0, 0.0)]),
]
HOURS = np.radians(np.arange(-32.0, 28.0, 0.61))


def closed(dial, light, turns=HOURS):
    """Lit fractions (n, channels) by formula, the light seen at these hour angles."""
    channels = len(dial.channels)
    count = len(turns)
    channel = np.repeat(np.arange(channels), count)
    still = np.zeros(count * channels)
    sweep = Sweep(channel, still, np.tile(turns, channels), None, None, still.astype(np.int64))
    every = light.rows(np.tile(np.arange(count), channels))
    model = Model(dial, sweep, every, 1, frozenset())
    return model.light_alone(model.nominal(), 0.0).reshape(channels, count).T


@pytest.mark.parametrize(
    ("distance_mm", "diameter_mm", "height_mm", "site"),
    [
        (300.0, 0.0, 10.0, dials.NORTH),
        (500.0, 10.0, 40.0, dials.SOUTH),
        (1000.0, 20.0, -20.0, dials.NORTH),
        (3000.0, 8.0, 130.0, dials.SOUTH),
        (3000.0, 8.0, 130.0, dials.NORTH),
    ],
)
def test_a_lamp_lights_what_rays_say(distance_mm, diameter_mm, height_mm, site):
    dial = laid(SLOTS + ROUNDS, site)
    rays = LampRays(Truth.perfect(dial), distance_mm, diameter_mm, height_mm, rays=1024)
    light = Light.lamp(len(HOURS), distance_mm, diameter_mm, height_mm)
    off = closed(dial, light) - rays.lit_fractions(HOURS)
    assert np.sqrt(np.mean(off**2)) < 1.8e-3
    assert np.abs(off).max() < 0.012
    # No lean either way over the samples of one channel: that would pass for a turn.
    assert np.abs(off.mean(axis=0)).max() < 1.2e-3


def test_the_rays_would_see_a_lamp_taken_for_the_sun():
    dial = laid(SLOTS)
    rays = LampRays(Truth.perfect(dial), 1000.0, 8.0, 0.0, rays=256).lit_fractions(HOURS)
    far = Light.lamp(len(HOURS), 1e6, 8.0 * 1e3, 0.0)
    assert np.abs(closed(dial, far) - rays).max() > 0.1


def test_far_off_and_as_dark_at_its_rim_it_is_the_sun():
    dial = laid(SLOTS + ROUNDS)
    declination, size_deg = np.full(len(HOURS), 0.06), 0.2666
    size = np.full(len(HOURS), np.radians(size_deg))
    light = Light.sun(np.zeros(len(HOURS)), declination, size)
    polar = [np.cos(0.06) * np.cos(HOURS), -np.cos(0.06) * np.sin(HOURS), np.sin(declination)]
    sun = ideal.lit(dial, (0.0, 0.0, 0.0), tuple(polar), size_deg)
    off = np.abs(closed(dial, light) - sun)
    assert off[:, :3].max() < 2e-4
    assert off[:, 3:].max() < 2e-3


def test_a_lamp_without_width_has_sharp_edges():
    dial = laid(SLOTS[:1])
    fine = np.radians(np.arange(-4.0, 4.0, 0.001))
    lit = closed(dial, Light.lamp(len(fine), 500.0, 0.0, 0.0), fine)[:, 0]
    # A straight slot 3 mm wide and 60 long: a point at 500 mm, 440 from its entry, lights it all
    # from straight ahead and up to where the entry's shadow leaves the exit.
    dark = np.degrees(np.arctan((1.5 + 1.5 * 500 / 440) * 440 / 60 / 500))
    assert abs(np.degrees(fine[lit > 1e-4].max()) - dark) < 0.01
    assert lit[np.argmin(np.abs(fine))] == pytest.approx(1.0, abs=1e-6)


def test_partial_derivatives_are_those_of_what_is_shown():
    dial = laid(SLOTS[1:])
    turns = np.radians(np.array([-1.9, -0.7, 0.4, 1.6, 2.2, 5.6, 9.4, 17.7, 21.9]))
    channels, count = len(dial.channels), len(turns)
    channel = np.repeat(np.arange(channels), count)
    still = np.zeros(count * channels)
    sweep = Sweep(channel, still, np.tile(turns, channels), None, None, still.astype(np.int64))
    model = Model(dial, sweep, Light.lamp(count * channels, 500.0, 10.0, 0.0), 1, frozenset())
    values = model.nominal()
    shown = model.shown(values)
    step = np.zeros(5)
    step[ZERO] = 1e-4
    late, early = (
        model.shown(replace(values, common=values.common + way * step)).level for way in (1, -1)
    )
    # Where slots light an exit together it is a sum over strips, whose steps have edges.
    off = (late - early) / 2e-4 - shown.common[:, ZERO]
    assert np.abs(off).max() < 0.03 * np.abs(shown.common[:, ZERO]).max()
    row, kind, index, moved = shown.own
    for of in (1, 2, 3, 5):
        size = len(values.own[of])
        for number in range(0, size, 2):
            by = 1e-4 * (np.arange(size) == number)
            late, early = (model.shown(values.moved(of, way * by)).level for way in (1, -1))
            mine = (kind == of) & (index == number)
            found = np.bincount(row[mine], moved[mine], count * channels)
            off = (late - early) / 2e-4 - found
            assert np.abs(off).max() < 0.03 * max(1.0, np.abs(found).max()), (of, number)


@pytest.mark.parametrize(
    ("distance_mm", "diameter_mm", "words"),
    [
        (60.0, 8.0, "within|needs 76 mm"),
        (0.5, 8.0, "is the distance in mm"),
        (500.0, 200.0, "so wide a lamp"),
        (1e8, 8.0, "write mm"),
    ],
)
def test_a_lamp_that_cannot_be_is_told(distance_mm, diameter_mm, words):
    with pytest.raises(LightError, match=words):
        lamp_before(laid(SLOTS), 1, distance_mm, diameter_mm, 0.0)
