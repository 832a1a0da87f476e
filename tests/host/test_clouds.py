"""Skies: clear, invented, and measured as the file says."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from dialbench.virtual.clouds import Clear, Invented, SkyFileError, measured

FILE = Path(__file__).parents[1] / "data" / "surfrad-slv16001.dat"
MIDNIGHT_US = int(datetime(2016, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
DAY_S = 86_400
SUNSHINE_WM2 = 120  # WMO-No. 8


def at(seconds):
    return MIDNIGHT_US + np.asarray(seconds, np.int64) * 1_000_000


def rows_of_the_file():
    """(minute of the day, direct) by plain reading: columns 5, 6 and 13 of every row."""
    rows = [line.split() for line in FILE.read_text().splitlines()[2:]]
    return [(int(r[4]) * 60 + int(r[5]), float(r[12])) for r in rows]


# Clear


def test_a_clear_sky_ends_at_the_horizon():
    altitude = np.array([-30.0, -0.01, 0.01, 5.0, 30.0, 90.0])
    direct, diffuse = Clear().irradiance(at(np.zeros(6)), altitude)
    assert not direct[:2].any()
    assert not diffuse[:2].any()
    assert (np.diff(direct[1:]) > 0).all()
    assert (np.diff(diffuse[1:]) > 0).all()


def test_a_clear_sky_is_as_bright_as_the_model_says():
    # Meinel and Meinel 1976 (from memory): 1353 x 0.7 at air mass 1; air mass 2 is near 30 deg.
    direct, diffuse = Clear().irradiance(at([0, 0]), np.array([90.0, 30.0]))
    assert direct[0] == pytest.approx(1353 * 0.7, rel=0.001)
    assert direct[1] == pytest.approx(1353 * 0.7 ** (2**0.678), rel=0.005)
    assert diffuse == pytest.approx(direct / 10)


def test_a_clear_sky_shines_from_a_few_degrees_up():
    altitude = np.linspace(0, 10, 1001)
    direct, _ = Clear().irradiance(at(np.zeros(1001)), altitude)
    assert 1 < altitude[direct > SUNSHINE_WM2][0] < 5


# Invented


def test_invented_clouds_are_the_same_however_they_are_asked_for():
    sky, seconds = Invented(4), np.arange(0, DAY_S, 7)
    whole = sky.cover(at(seconds))
    shuffled = np.random.default_rng(1).permutation(len(seconds))
    assert np.array_equal(sky.cover(at(seconds[shuffled])), whole[shuffled])
    assert np.array_equal(Invented(4).cover(at(seconds[5:6])), whole[5:6])
    assert not np.array_equal(Invented(5).cover(at(seconds)), whole)


def test_invented_clouds_come_and_go():
    shares = [Invented(seed).cover(at(np.arange(0, 20 * DAY_S, 60))) for seed in range(6)]
    for cover in shares:
        assert 0 <= cover.min()
        assert cover.max() <= 1
        assert 0.15 < (cover > 0.5).mean() < 0.65
        comings = ((cover[1:] > 0.5) & (cover[:-1] <= 0.5)).sum() / 20
        assert 10 < comings < 150  # a day


def test_invented_clouds_have_soft_edges():
    cover = Invented(2).cover(at(np.arange(DAY_S)))
    assert np.abs(np.diff(cover)).max() < 0.1  # a second: the swiftest edge takes over ten
    assert np.abs(np.diff(cover, 2)).max() < 0.02


def test_invented_clouds_dim_the_beam_and_brighten_the_sky():
    utc_us = at(np.arange(0, DAY_S, 60))
    altitude = np.full(len(utc_us), 40.0)
    sky = Invented(3)
    cover = sky.cover(utc_us)
    direct, diffuse = sky.irradiance(utc_us, altitude)
    clear_direct, clear_diffuse = Clear().irradiance(utc_us, altitude)
    assert direct == pytest.approx(clear_direct * (1 - cover))
    assert (direct[cover == 1] == 0).all()
    assert np.array_equal(direct[cover == 0], clear_direct[cover == 0])
    assert (diffuse >= clear_diffuse).all()
    night = sky.irradiance(utc_us, np.full(len(utc_us), -5.0))
    assert not np.any(night)


# Measured


@pytest.fixture(scope="module")
def day():
    return measured(FILE)


def test_a_measured_day_says_where_and_when_it_was(day):
    # NOAA SURFRAD, station Alamosa: the header's longitude counts west positive.
    assert day.name == "Alamosa"
    assert (day.latitude_deg, day.longitude_deg, day.elevation_m) == (37.70, -105.92, 2317)
    assert day.date == date(2016, 1, 1)


def test_a_minute_s_value_stands_at_its_middle(day):
    # The network's description of its files: times are the ends of one-minute averages.
    for minute, direct in rows_of_the_file()[870:900]:
        got, _ = day.irradiance(at([minute * 60 - 30]), np.zeros(1))
        assert got[0] == pytest.approx(max(direct, 0))


def test_sunshine_agrees_with_the_file(day):
    shining = [minute for minute, direct in rows_of_the_file() if direct > SUNSHINE_WM2]
    seconds = np.arange(DAY_S)
    direct, _ = day.irradiance(at(seconds), np.zeros(DAY_S))
    bright = direct > SUNSHINE_WM2
    assert abs(bright.sum() - 60 * len(shining)) < 60
    changes = np.flatnonzero(bright[1:] != bright[:-1])
    by_file = [m for m, n in zip(shining, shining[1:] + [0], strict=True) if n != m + 1]
    by_file += [m - 1 for m, n in zip(shining, [0, *shining], strict=False) if n != m - 1]
    assert len(changes) == len(by_file) == 4  # up, one cloud, and down
    assert np.abs(changes / 60 - np.sort(by_file)).max() < 1


def test_outside_the_day_there_is_no_light(day):
    around = at([-3600, -61, DAY_S + 1, DAY_S + 40_000])
    assert not np.any(day.irradiance(around, np.full(4, 30.0)))


def lines():
    return FILE.read_text().splitlines()


def changed(tmp_path, *, row=None, column=None, to=None, keep=None):
    """A copy of the file with one word changed, or only some of its rows."""
    text = lines()
    if row is not None:
        words = text[row].split()
        words[column] = to
        text[row] = " ".join(words)
    if keep is not None:
        text = text[:2] + [text[2 + k] for k in keep]
    path = tmp_path / "day.dat"
    path.write_text("\n".join(text) + "\n")
    return path


@pytest.mark.parametrize(("column", "value"), [(12, "-9999.9"), (13, "1"), (13, "2")])
def test_missing_and_flagged_values_are_no_sunshine(tmp_path, day, column, value):
    noon = 19 * 60
    sky = measured(changed(tmp_path, row=2 + noon, column=column, to=value))
    seconds = np.arange(noon * 60 - 300, noon * 60 + 300)
    whole, _ = day.irradiance(at(seconds), np.zeros(600))
    direct, diffuse = sky.irradiance(at(seconds), np.zeros(600))
    gone = direct == 0
    assert whole.min() > SUNSHINE_WM2
    assert np.array_equal(direct[~gone], whole[~gone])
    # The row's own minute and the way to and from its neighbours' middles.
    assert gone.sum() == pytest.approx(120, abs=2)
    assert abs(seconds[gone].mean() - (noon * 60 - 30)) < 1
    assert diffuse.min() > 0


def test_a_gap_in_the_rows_is_no_sunshine(tmp_path):
    noon = 19 * 60
    keep = [k for k in range(1440) if not noon <= k < noon + 10]
    sky = measured(changed(tmp_path, keep=keep))
    seconds = np.arange(noon * 60 - 300, noon * 60 + 900)
    direct, _ = sky.irradiance(at(seconds), np.zeros(1200))
    assert (direct == 0).sum() == pytest.approx(11 * 60, abs=2)


def test_a_file_of_three_minute_averages_stands_in_their_middles(tmp_path):
    sky = measured(changed(tmp_path, keep=range(0, 1440, 3)))
    minute, direct = rows_of_the_file()[900]
    got, _ = sky.irradiance(at([minute * 60 - 90]), np.zeros(1))
    assert got[0] == pytest.approx(direct)


BAD = [
    ("line 1", lambda t: ["", *t[1:]]),
    ("line 1", lambda t: ["Ala\x1b[31mmosa", *t[1:]]),
    ("line 2", lambda t: [t[0], "somewhere", *t[2:]]),
    ("line 2", lambda t: [t[0], "137.70 105.92 2317 m version 1", *t[2:]]),
    ("line 2", lambda t: [t[0], "nan 105.92 2317 m version 1", *t[2:]]),
    ("line 2", lambda t: [t[0], "37.70 105.92 99999 m version 1", *t[2:]]),
    ("line 2", lambda t: t[:1]),
    ("line 2", lambda t: t[:2]),
    ("line 3", lambda t: t[:3]),
    ("line 7", lambda t: [*t[:6], "2016 1 1", *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6].replace("2016", "2O16"), *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6].replace("0.8", "inf"), *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6] + " 1", *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[5], *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6].replace("1  1  1  0", "1 13  1  0", 1), *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6].replace("1  1  1  0", "2  1  1  0", 1), *t[7:]]),
    ("line 7", lambda t: [*t[:6], t[6].replace("1  1  1  0", "2  1  2  0", 1), *t[7:]]),
    ("line 1443", lambda t: [*t, t[-1].replace("23 59", "23 60")]),
    ("line 4", lambda t: [*t[:2], *t[2::10]]),
    ("line 902", lambda t: [*t[:901], t[901].replace(t[901].split()[12], "9000.0"), *t[902:]]),
]


@pytest.mark.parametrize(("where", "spoil"), BAD)
def test_a_malformed_file_is_refused_with_its_line(tmp_path, where, spoil):
    path = tmp_path / "bad.dat"
    path.write_text("\n".join(spoil(lines())) + "\n")
    with pytest.raises(SkyFileError) as refused:
        measured(path)
    told = str(refused.value)
    assert told.startswith(f"{path}, {where}: ")
    assert told.isprintable()
    assert told.count(".") == str(path).count(".") + 1
    assert "SURFRAD" in told


def test_files_that_are_no_text_or_no_file_are_refused(tmp_path):
    path = tmp_path / "day\x1b.dat"
    path.write_bytes(b"Alamosa\n37.7 105.92 2317\n\xff\xfe")
    with pytest.raises(SkyFileError, match=r"day\\x1b\.dat, line 3: not plain text") as refused:
        measured(path)
    assert str(refused.value).isprintable()
    path.write_bytes(b"x" * 2_000_001)
    with pytest.raises(SkyFileError, match="line 1: longer than a day can be"):
        measured(path)
    with pytest.raises(SkyFileError, match="cannot be read"):
        measured(tmp_path / "absent.dat")
    path.write_bytes(b"")
    with pytest.raises(SkyFileError, match="line 1"):
        measured(path)
