"""A true dial: errors drawn as stated, and a calibration that only nearly knows them."""

from __future__ import annotations

import numpy as np
import pytest

from dialbench import dialfile
from dialbench.virtual import truth as module
from dialbench.virtual.truth import COUNTS_PER_WM2, Truth, calibration

FIELDS = ("axis_error_deg", "width_factor", "gain", "dark_counts", "leak")
REFERENCES = (
    "sky_gain",
    "sky_dark_counts",
    "shade_gain",
    "shade_dark_counts",
    "shade_sky_view",
    "clock_ppm",
)


@pytest.fixture(scope="module")
def dial():
    return dialfile.demo()


def test_a_perfect_dial_errs_nowhere(dial):
    perfect = Truth.perfect(dial)
    assert perfect.pose_deg == (0, 0, 0)
    assert perfect.axis_error_deg.shape == (len(dial.bores), 2)
    assert not perfect.axis_error_deg.any()
    assert (perfect.width_factor == 1).all()
    assert (perfect.gain == 1).all()
    assert not perfect.dark_counts.any()
    assert not perfect.leak.any()
    assert perfect.noise_share == perfect.noise_counts == perfect.clock_ppm == 0


def test_the_same_seed_draws_the_same_dial_and_another_seed_another(dial):
    one, same, other = Truth.draw(dial, 3), Truth.draw(dial, 3), Truth.draw(dial, 4)
    for name in (*FIELDS, *REFERENCES):
        assert np.array_equal(getattr(one, name), getattr(same, name)), name
        assert not np.array_equal(getattr(one, name), getattr(other, name)), name


def test_turning_a_dial_changes_its_turn_alone(dial):
    straight, turned = Truth.draw(dial, 3), Truth.draw(dial, 3, turned_deg=0.6)
    assert straight.pose_deg == (0, 0, 0)
    assert turned.pose_deg == (0, 0, 0.6)
    for name in (*FIELDS, *REFERENCES):
        assert np.array_equal(getattr(straight, name), getattr(turned, name)), name


def test_errors_scatter_as_stated(dial):
    drawn = [Truth.draw(dial, seed) for seed in range(40)]

    def spread(name, middle=0.0):
        return np.sqrt(np.mean([(getattr(t, name) - middle) ** 2 for t in drawn]))

    # Over 40 dials of some 500 bores a spread is known to 1%, over 33 channels to 3%.
    assert spread("axis_error_deg") == pytest.approx(module._AXIS_DEG, rel=0.03)
    assert spread("width_factor", 1.0) == pytest.approx(module._WIDTH, rel=0.03)
    assert spread("gain", 1.0) == pytest.approx(module._GAIN, rel=0.1)
    assert spread("dark_counts", 400.0) == pytest.approx(60, rel=0.1)
    assert np.mean([t.leak for t in drawn]) == pytest.approx(0.01, rel=0.05)
    assert max(abs(t.clock_ppm) for t in drawn) <= 10
    assert max(abs(t.clock_ppm) for t in drawn) > 5


def test_the_calibration_of_a_perfect_dial_is_plain(dial):
    told = calibration(Truth.perfect(dial), 1)
    assert set(told.scale) == {1024}
    assert set(told.dark) == {0}
    assert told.shade_q10 == 1024
    assert told.gate_on == 120 * COUNTS_PER_WM2  # WMO-No. 8: sunshine from 120 W/m2
    assert told.gate_off < told.gate_on


def test_a_calibration_nearly_knows_its_sensors(dial):
    off_scale, off_dark = [], []
    for seed in range(20):
        truth = Truth.draw(dial, seed)
        told = calibration(truth, seed)
        off_scale.extend(np.array(told.scale) / 1024 * truth.gain / truth.sky_gain - 1)
        off_dark.extend(np.array(told.dark) - truth.dark_counts)
        diffuse = truth.shade_gain * truth.shade_sky_view / truth.sky_gain
        assert told.shade_q10 / 1024 * diffuse == pytest.approx(1, abs=0.025)
        gate_wm2 = told.gate_on / (COUNTS_PER_WM2 * truth.sky_gain)
        assert gate_wm2 == pytest.approx(120, rel=0.025)
    assert np.std(off_scale) == pytest.approx(0.005, rel=0.15)
    assert np.mean(off_scale) == pytest.approx(0, abs=0.001)
    assert np.std(off_dark) == pytest.approx(1.04, rel=0.15)  # one count, and rounding's 0.29


def test_calibrations_repeat_by_seed(dial):
    truth = Truth.draw(dial, 1)
    assert list(calibration(truth, 1).scale) == list(calibration(truth, 1).scale)
    assert list(calibration(truth, 1).scale) != list(calibration(truth, 2).scale)
