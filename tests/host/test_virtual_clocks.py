"""Oscillators that are as fast, and as unsteady, as they were asked to be."""

import numpy as np
import pytest

from dialbench.virtual.clocks import Chip, Crystal, Oscillator

START_US = 1_804_032_000_000_000
DAY_US = 86_400_000_000


def test_a_steady_one_gains_in_proportion_for_ever():
    oscillator = Oscillator.steady(START_US, 20.0)
    at = START_US + np.array([0, 1_000_000, DAY_US, 400 * DAY_US, -DAY_US])
    assert oscillator.at(at) == pytest.approx([0, 20, 1.728e6, 691.2e6, -1.728e6])


def test_a_drawn_one_has_its_mean_its_day_and_its_straying():
    rates = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        oscillator = Oscillator.draw(
            rng, START_US, 30, 5.0, day_ppm=3.0, wander_ppm=2.0, wander_days=2.0
        )
        rates.append(np.diff(oscillator.ahead_us) / 3600)
    rates = np.array(rates)
    assert rates.mean() == pytest.approx(5.0, abs=0.1)
    assert rates.std() == pytest.approx(np.hypot(3.0, 2.0), rel=0.05)
    days = rates[:, : 30 * 24].reshape(200, 30, 24).mean(axis=2)
    # Averaged over days the swing is gone; what is left is forgotten within two.
    assert days.std() == pytest.approx(2.0, rel=0.1)
    strays = days - 5.0
    later = (strays[:, :-2] * strays[:, 2:]).mean() / strays.var()
    assert later == pytest.approx(np.exp(-1), abs=0.1)


def test_the_same_seed_gives_the_same():
    one, other = (
        Oscillator.draw(np.random.default_rng(3), START_US, 2, 1.0, wander_ppm=1.0) for _ in "ab"
    )
    assert np.array_equal(one.ahead_us, other.ahead_us)


def test_a_chip_shows_its_offset_its_drift_and_its_jumps():
    jump = (START_US + DAY_US, -2_500_000)
    chip = Chip(Oscillator.steady(START_US, 20.0), 3_000_000, (jump,))
    at = START_US + np.array([0, DAY_US - 1, DAY_US])
    assert (chip.shows_us(at) - at).tolist() == [3_000_000, 4_728_000, 2_228_000]


def test_a_crystal_counts_from_its_boot():
    crystal = Crystal(Oscillator.steady(START_US, -10.0))
    boot_us = START_US + 5 * DAY_US
    at = boot_us + np.array([0, DAY_US])
    assert crystal.device_us(at, boot_us).tolist() == [0, DAY_US - 864_000]
