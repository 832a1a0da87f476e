"""The tables of the Sun and of the Earth's rotation: range, inverse, uncertainty, keeping."""

import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from dialbench import de421, ephemeris
from dialbench.de421 import DAY_US
from dialbench.ephemeris import SkyError


def us(*fields):
    return round(datetime(*fields, tzinfo=UTC).timestamp()) * 1_000_000


long = (pytest.mark.deep, pytest.mark.timeout(120))

LEAP_US = us(2017, 1, 1)  # one second after 2016-12-31T23:59:60
TABLE_US = us(1973, 1, 2)


def table_end_us():
    return us(*map(int, ephemeris.facts()["ut1_table_ends"].split("-")))


def test_facts_name_the_ephemeris_and_its_checksum():
    facts = ephemeris.facts()
    assert facts["sha256"] == "a20a7139da04cbc462454634918e9a9ca69127044e2cc9d4f9c16e238d2deedc"
    assert (facts["ephemeris"], facts["first_day"], facts["last_day"]) == (
        "DE421",
        "1899-07-30",
        "2053-10-07",
    )
    assert facts["ut1_table_begins"] == "1973-01-02"
    assert ephemeris.first_us() == us(1899, 7, 30)
    assert ephemeris.last_us() == us(2053, 10, 8)


def test_outside_is_refused_in_one_sentence():
    for instant in (us(1899, 7, 29, 23), us(2053, 10, 8, 1), us(9999, 12, 31), -(2**62)):
        with pytest.raises(SkyError, match=r"^the Sun's place is known from 1899-07-30 to 2053"):
            ephemeris.apparent(np.array([us(2026, 1, 1), instant]))
    assert [len(part) for part in ephemeris.apparent(np.zeros(0, np.int64))] == [0, 0, 0]


@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=long)])
def test_pieces_meet(whole):
    """Left and right of joints, at either end or all over: 0.001 arc seconds, and a trifle."""
    joints_us = np.arange(ephemeris.first_us() - DAY_US, ephemeris.last_us(), de421.PIECE_US)[1:]
    if not whole:
        joints_us = np.concatenate((joints_us[:40], joints_us[-40:]))
    left, right = (np.stack(ephemeris.apparent(joints_us + step)) for step in (-1, 0))
    ahead, declination, distance = np.abs(left - right).max(axis=1)
    assert np.degrees(max(ahead, declination)) * 3600 < 0.001
    assert distance < 1e-8


def test_order_and_number_of_instants_are_free():
    ut1_us = np.random.default_rng(7).integers(us(2020, 1, 1), us(2030, 1, 1), 20_000)
    many = np.stack(ephemeris.apparent(ut1_us))
    for k in (0, 8191, 8192, 19_999):
        assert (np.stack(ephemeris.apparent(ut1_us[k : k + 1]))[:, 0] == many[:, k]).all()
    order = np.argsort(ut1_us)
    assert (np.stack(ephemeris.apparent(ut1_us[order])) == many[:, order]).all()


# --- UT1 ---


def test_ut1_in_the_table_is_skyfields():
    utc_us = np.random.default_rng(3).integers(TABLE_US, table_end_us(), 2000)
    utc_us = np.append(utc_us, LEAP_US + np.arange(-3, 3) * 500_000)
    day, rest_us = np.divmod(utc_us, DAY_US)
    theirs_s = de421.source().timescale.utc(1970, 1, 1 + day, 0, 0, rest_us / 1e6).dut1
    ours_s, _ = ephemeris.ut1_minus_utc_s(utc_us)
    assert np.abs(ours_s - theirs_s).max() <= 0.51e-6  # whole microseconds


def test_every_instant_of_utc_comes_back_from_ut1():
    rng = np.random.default_rng(4)
    utc_us = rng.integers(ephemeris.first_us(), ephemeris.last_us(), 20_000)
    steps_us = np.array([LEAP_US, us(1999, 1, 1), TABLE_US, table_end_us()])
    near_us = (steps_us[:, None] + rng.integers(-3_000_000, 3_000_000, 500)).ravel()
    utc_us = np.concatenate((utc_us, near_us, steps_us, steps_us - 1, steps_us + 1))
    assert (ephemeris.utc_us(ephemeris.ut1_us(utc_us)) == utc_us).all()


def test_a_leap_second_is_its_midnight():
    """UT1 runs on through 23:59:60, of which Unix time has no instant."""
    last_us = int(ephemeris.ut1_us(np.array([LEAP_US - 1]))[0])
    first_us = int(ephemeris.ut1_us(np.array([LEAP_US]))[0])
    assert first_us - last_us == 1_000_001
    within_us = np.linspace(last_us + 1, first_us, 1001).astype(np.int64)
    assert (ephemeris.utc_us(within_us) == LEAP_US).all()
    assert ephemeris.utc_us(np.array([first_us + 1])) == LEAP_US + 1


def test_time_never_runs_backwards():
    ut1_us = LEAP_US + np.arange(-3_000_000, 3_000_000, 1001)
    assert (np.diff(ephemeris.utc_us(ut1_us)) >= 0).all()


def test_uncertainty_is_small_where_measured_and_grows_where_not():
    end_us = table_end_us()
    days = np.array([-3650, -366, -300, 0, 30, 365, 3650])
    value_s, sigma_s = ephemeris.ut1_minus_utc_s(end_us + days * DAY_US)
    assert sigma_s[0] == sigma_s[1] == 0.0001
    assert (np.diff(sigma_s[1:]) > 0).all()
    assert sigma_s[2] == pytest.approx(0.00025 * 65**0.75, rel=0.001)
    assert sigma_s[5] == pytest.approx(np.hypot(0.00025 * 730**0.75, 0.0008 * 365), rel=0.001)
    assert sigma_s[-1] == pytest.approx(0.9 / 3**0.5)
    assert (value_s[3:] == value_s[3]).all()  # held
    assert np.abs(value_s).max() < 0.9


def test_before_the_table_utc_stands_for_ut1_with_what_that_may_cost():
    value_s, sigma_s = ephemeris.ut1_minus_utc_s(
        np.array([us(1905, 5, 1), us(1971, 12, 31), us(1972, 1, 1), us(1973, 1, 1), TABLE_US])
    )
    assert value_s.tolist()[:4] == [0, 0, 0, 0]
    assert value_s[4] == pytest.approx(0.808, abs=0.001)  # it had been as much off
    assert sigma_s == pytest.approx([0.1, 0.1, 0.9 / 3**0.5, 0.9 / 3**0.5, 0.001])


def test_the_growth_of_uncertainty_covers_what_happened():
    """Values held for 3 months to 2 years, from every tenth day since 2000, against the table."""
    start_us = us(2000, 1, 1)
    for held_days in (90, 365, 730):
        begin_us = np.arange(start_us, table_end_us() - held_days * DAY_US, 10 * DAY_US)
        then_s, _ = ephemeris.ut1_minus_utc_s(begin_us)
        now_s, _ = ephemeris.ut1_minus_utc_s(begin_us + held_days * DAY_US)
        # Had there been a leap second nobody knew of, the clock would have been set by it.
        off_s = (now_s - then_s + 0.5) % 1 - 0.5
        sigma_s = ephemeris.ut1_minus_utc_s(np.array([table_end_us() + held_days * DAY_US]))[1]
        assert 0.5 < np.sqrt((off_s**2).mean()) / sigma_s[0] < 1.0


# --- Keeping ---

SCRIPT = """
import sys
import numpy as np
from dialbench.dial import Site
from dialbench.sky import Sky
sun = Sky(Site("x", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)).sun(np.array([1777813200000000]))
print(sun.altitude_deg[0].hex(), "skyfield" in sys.modules, "skyfield_data" in sys.modules)
"""


def run(folder):
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-W", "ignore::ResourceWarning", "-c", SCRIPT],
        env={"DIALBENCH_CACHE": str(folder), "PYTHONPATH": ":".join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stderr == ""
    return ran.stdout.split()


def test_skyfield_is_asked_once(tmp_path):
    """What a table on disk holds needs no Skyfield; what is damaged there is made anew."""
    altitude, *cold = run(tmp_path)
    assert cold == ["True", "False"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["earth.kept", "sun-31.kept"]
    assert run(tmp_path) == [altitude, "False", "False"]
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[:-1])
    assert run(tmp_path) == [altitude, "True", "False"]


def test_where_nothing_can_be_kept_all_works_as_well(tmp_path):
    folder = tmp_path / "file"
    folder.write_text("")
    assert run(folder)[1:] == ["True", "False"]
