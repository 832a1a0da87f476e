"""Counts of the sensors: references first, then channels, each with its own faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dialbench import dialfile
from dialbench.virtual.sensors import counts
from dialbench.virtual.truth import Truth, calibration
from dialcore.crossing import Crossings


@pytest.fixture(scope="module")
def perfect():
    return Truth.perfect(dialfile.demo())


def rng():
    return np.random.default_rng(5)


def light_of(truth, *rows):
    light = np.zeros((len(rows), len(truth.gain)))
    light[:, 0] = rows
    return light


def test_a_perfect_dial_counts_fifty_to_the_watt(perfect):
    direct, diffuse = np.array([800.0, 0.0]), np.array([100.0, 150.0])
    read = counts(perfect, light_of(perfect, 0.5, 0.0), direct, diffuse, rng())
    assert read.dtype == np.uint16
    assert read.shape == (2, 2 + len(perfect.gain))
    assert read[:, 0].tolist() == [45000, 7500]  # direct + diffuse
    assert read[:, 1].tolist() == [5000, 7500]  # diffuse alone
    assert read[:, 2].tolist() == [20000, 0]  # half the beam
    assert not read[:, 3:].any()


def test_every_fault_enters_once(perfect):
    n = len(perfect.gain)
    truth = replace(
        perfect,
        gain=np.full(n, 1.1),
        dark_counts=np.full(n, 390.0),
        leak=np.full(n, 0.02),
        sky_gain=0.9,
        sky_dark_counts=410.0,
        shade_gain=1.25,
        shade_dark_counts=420.0,
        shade_sky_view=0.8,
    )
    read = counts(truth, light_of(truth, 1.0), np.array([600.0]), np.array([100.0]), rng())
    assert read[0, 0] == 410 + 31500  # 0.9 x 700 x 50
    assert read[0, 1] == 420 + 100 * 50  # gain and view make up for each other
    assert read[0, 2] == 390 + 33110  # 1.1 x (600 + 2) x 50
    assert read[0, 3] == 390 + 110


def test_readings_stop_at_the_converter_s_ends(perfect):
    truth = replace(perfect, noise_counts=50.0)
    bright = counts(
        truth, light_of(truth, *[1.2] * 50), np.full(50, 1300.0), np.full(50, 200.0), rng()
    )
    assert (bright[:, 0] == 65535).all()
    assert (bright[:, 2] == 65535).all()
    night = counts(truth, light_of(truth, *[0.0] * 50), np.zeros(50), np.zeros(50), rng())
    assert night.min() == 0
    assert night.max() < 400  # below zero is zero, not a large number


def test_noise_is_as_large_as_stated_and_repeats_by_seed(perfect):
    truth = replace(perfect, noise_share=0.005, noise_counts=5.0)
    n = 4000
    light = light_of(truth, *[0.8] * n)
    direct, diffuse = np.full(n, 500.0), np.full(n, 60.0)
    read = counts(truth, light, direct, diffuse, rng()).astype(float)
    # 20,000 counts at 0.5% and 5 counts, independent of each other.
    assert read[:, 2].mean() == pytest.approx(20000, abs=6)
    assert read[:, 2].std() == pytest.approx(np.hypot(100, 5), rel=0.05)
    assert np.corrcoef(read[:, 0], read[:, 2])[0, 1] == pytest.approx(0, abs=0.06)
    again = counts(truth, light, direct, diffuse, rng())
    assert np.array_equal(read, again)


def test_the_board_gets_direct_beam_and_levels_back(perfect):
    truth = Truth.draw(perfect.dial, 7)
    told = calibration(truth, 7)
    direct, diffuse = np.array([0.0, 100.0, 140.0, 700.0]), np.array([250.0, 400.0, 60.0, 90.0])
    light = light_of(truth, 0.0, 0.0, 0.0, 0.6)
    board = Crossings(told, lambda *_: None)
    gates, beams = [], []
    for now, scan in enumerate(counts(truth, light, direct, diffuse, rng())):
        board.scan([int(c) for c in scan], now * 500)
        gates.append(board.gate)
        beams.append(board.direct / (50 * truth.sky_gain))
    # Bright overcast is no sunshine, nor is 100 W/m2 under a bright sky (WMO-No. 8: 120).
    assert gates == [0, 0, 1, 1]
    assert beams == pytest.approx(direct, abs=12)
    levels = bytearray(len(truth.gain) // 4 + 1)
    board.levels(levels)
    assert levels[0] & 3 == 2  # 0.6 of the beam: over two thresholds of three
    assert not any(levels[1:])
