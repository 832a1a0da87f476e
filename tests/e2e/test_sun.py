"""dialbench sun as a user types it."""

import json

import pytest
from tests.host.typed import typed

from dialbench import dialfile


@pytest.fixture
def sun(capsys, monkeypatch, tmp_path):
    """Within this process: the start of one of its own takes a second."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "140")
    return lambda *words: typed(capsys, "sun", *words)


def refused(ran):
    """The one line that a refusal says."""
    assert (ran.returncode, ran.stdout) == (2, "")
    [line] = ran.stderr.splitlines()
    return line


def test_a_place_and_an_instant(sun):
    ran = sun("41.2,-16.4,24", "--at", "2026-05-03T12:00-01:00")
    assert (ran.returncode, ran.stderr) == (0, "")
    for words in (
        "2026-05-03T13:00:00.000Z",
        "2026-05-03T12:00:00.000-01:00",
        "1010.4 mbar, 14.8 deg C (standard)",
        "+3 min 8.9 s",
        "UT1-UTC",
        "sunrise",
        "refraction, the air",
        "Bennett's is within 0.07 arcmin by its author (from memory)",
        "not part of the total",
    ):
        assert words in ran.stdout, words


def test_json_has_the_same_facts(sun):
    ran = sun("41.2,-16.4,24", "--at", "2026-05-03T12:00-01:00", "--json")
    told = json.loads(ran.stdout)
    assert told["schema"] == "dialbench.sun/1"
    assert (told["utc"], told["zone_time"]) == (
        "2026-05-03T13:00:00.000Z",
        "2026-05-03T12:00:00.000-01:00",
    )
    assert told["site"]["elevation_m"] == 24
    assert told["equation_of_time_s"] == pytest.approx(188.9, abs=0.1)
    assert told["transit"]["zone_time"].startswith("2026-05-03T12:02:27")
    assert told["rise"]["utc"] < told["transit"]["utc"] < told["set"]["utc"]
    assert {share["cause"] for share in told["budget"]} >= {
        "tables and geometry",
        "UT1",
        "refraction, the formula",
        "refraction, the air",
    }
    assert all(share["basis"] for share in told["budget"])
    assert told["total"]["arcsec"] > 0
    assert told["sources"]["ephemeris"] == "DE421" and len(told["sources"]["sha256"]) == 64


def test_a_dial_brings_its_site_its_air_and_its_skyline(sun, tmp_path):
    site = "[[site.horizon]]\nazimuth_deg = 180\naltitude_deg = 70\n"
    text = dialfile.DEMO.read_text()
    (tmp_path / "dial.toml").write_text(text.replace("[face]", site + "\n[face]", 1))
    told = json.loads(sun("dial.toml", "--at", "2026-05-03T13:00Z", "--json").stdout)
    assert told["site"]["name"] == dialfile.demo().site.name
    assert (told["horizon_deg"], told["up"]) == (70, False)
    assert "the skyline at 70.00 deg" in sun("dial.toml", "--at", "2026-05-03T13:00Z").stdout


def test_southern_latitudes_are_no_options(sun):
    told = json.loads(sun("-35,149,600", "--at", "2026-05-03T02:00Z", "--json").stdout)
    assert told["site"]["latitude_deg"] == -35
    assert told["azimuth_deg"] < 1 or told["azimuth_deg"] > 359


def test_air_may_be_told(sun):
    at = ("--at", "2026-05-03T13:00Z", "--json")
    none = json.loads(sun("41.2,-16.4", *at, "--pressure", "0").stdout)
    assert (none["refraction_arcmin"], none["air"]) == (0, "stated")
    measured = json.loads(sun("41.2,-16.4", *at, "--pressure", "990", "--temperature", "-3").stdout)
    assert measured["air"] == "measured"
    assert (measured["site"]["pressure_mbar"], measured["site"]["temperature_C"]) == (990, -3)


def test_at_night_what_refraction_would_be_is_not_made_up(sun):
    ran = sun("41.2,-16.4", "--at", "2026-05-03T02:00Z")
    assert "nobody can say" in ran.stdout
    told = json.loads(sun("41.2,-16.4", "--at", "2026-05-03T02:00Z", "--json").stdout)
    assert told["up"] is False and told["total"]["arcsec"] is None


def test_without_a_time_it_is_now(sun):
    assert json.loads(sun("41.2,-16.4", "--json").stdout)["utc"][:2] == "20"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("41.2,-16.4", "--at", "2026-05-03T12:00"), "has no time zone: add one"),
        (("41.2,-16.4", "--at", "noon"), "is no instant such as"),
        (("41.2,-16.4", "--at", "1890-01-01T00:00Z"), "is known from 1899-07-30"),
        (("41.2,200", "--at", "2026-05-03T12:00Z"), "longitude 200 is not within -180 to 180"),
        (("-91,20", "--at", "2026-05-03T12:00Z"), "latitude -91 is not within"),
        (("41.2,20,9001", "--at", "2026-05-03T12:00Z"), "height 9001 is not within"),
        (("41.2;20", "--at", "2026-05-03T12:00Z"), "there is no such file"),
        (("41.2,\x1b[31m", "--at", "2026-05-03T12:00Z"), "neither a file nor LAT,LON"),
    ],
)
def test_mistakes_are_told_in_a_sentence(sun, words, told):
    line = refused(sun(*words))
    assert told in line
    assert line.isprintable()
