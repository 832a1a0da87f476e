"""What a store holds of a board: pages and gaps, days and their direct sun."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.fuzz.targets import SMALL_DIAL
from tests.host.stores import OPEN, SHUT, UID, hello, status
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.clock import Mark
from dialbench.days import dated, local_days
from dialbench.dial import zone_of
from dialbench.holdings import holdings, listed
from dialbench.sky import to_us
from dialbench.store import Store
from dialcore import records

DIAL = dialfile.parse(SMALL_DIAL, "small")
HOUR_MS = 3_600_000
EVENING_US = to_us(datetime(2027, 3, 3, 20, tzinfo=UTC))


def page(number, boot, *entries):
    writer = records.PageWriter()
    writer.start(0)
    for at_ms, *what in entries:
        put = writer.crossing if len(what) == 3 else writer.record
        assert put(*what, at_ms) if len(what) == 3 else put(what[0], at_ms, what[1])
    return bytes(writer.sealed(number, boot, 0))


@pytest.fixture
def path(tmp_path):
    """Pages 3, 4 and 8 of 2 to 9; six hours of sun from 20:00 UTC on, two crossings; a boot
    without a clock."""
    path = tmp_path / "store.sqlite"
    with Store.open(path) as store:
        known = {"dial_hash": DIAL.hash, "channels": len(DIAL.channels)}
        store.add_board(hello(**known), dialfile.dump(DIAL))
        sun = (0, records.GATE, OPEN), (6 * HOUR_MS, records.GATE, SHUT)
        store.add_page(UID, page(3, 1, sun[0], (HOUR_MS, 0, 1, 1), (5 * HOUR_MS, 0, 1, 0), sun[1]))
        store.add_page(UID, page(4, 1, (7 * HOUR_MS, records.GATE, SHUT)))
        store.add_page(UID, page(8, 2, *sun))
        store.add_status(UID, status(boot=2, first_page=2, next_page=10))
        for at_ms in (0, 7 * HOUR_MS):
            store.add_mark(UID, Mark(1, at_ms, EVENING_US + 1000 * at_ms, 1000, "link"))
    return path


def held(path):
    with Store.look(path) as store:
        [board] = store.boards()
        return holdings(store, board)


def test_pages_gaps_and_boots(path):
    found = held(path)
    assert (found.pages, found.first_page, found.last_page) == (3, 3, 8)
    assert found.gaps == ((2, 2), (5, 7), (9, 9))
    assert sum(last - first + 1 for first, last in found.gaps) == found.losses.missing_pages
    assert (found.boots, found.dark_boots) == (2, (2,))


def test_days_are_those_of_the_sites_zone(path):
    def by_day(zone):
        with Store.open(path) as store:
            one = replace(DIAL, site=replace(DIAL.site, zone=zone))
            facts = {"dial_hash": one.hash, "channels": len(DIAL.channels)}
            store.add_board(hello(**facts), dialfile.dump(one))
        return [(day.day, round(day.sun_s / 3600, 3), day.crossings) for day in held(path).days]

    # From 20:00 to 02:00 UTC; crossings at 21:00 and 01:00.
    assert by_day("+00:00") == [("2027-03-03", 4.0, 1), ("2027-03-04", 2.0, 1)]
    assert by_day("-03:00") == [("2027-03-03", 6.0, 2)]
    assert by_day("+05:45") == [("2027-03-04", 6.0, 2)]


def test_the_command_tells_it_and_writes_nothing(path, capsys):
    before = path.read_bytes()
    ran = typed(capsys, "check", path, "--json")
    assert ran.returncode == 1
    [facts] = json.loads(ran.stdout)["holds"]
    assert facts["gaps"] == [[2, 2], [5, 7], [9, 9]]
    assert facts["days"][0]["sun_s"] > 0
    assert path.read_bytes() == before
    told = " ".join(typed(capsys, "check", path).stdout.split())
    assert f"board {UID}: pages 3 to 8, lacks 2, 5-7, 9; boots 2; direct sun" in told


@pytest.mark.parametrize("start_us", [-(1 << 52), 1 << 52])
def test_a_clock_gone_mad_gives_no_days_and_no_trouble(path, start_us):
    with Store.open(path) as store:
        for at_ms in (0, HOUR_MS):
            store.add_mark(UID, Mark(2, at_ms, start_us + 1000 * at_ms, 1000, "link"))
    assert sum(day.sun_s for day in held(path).days) == pytest.approx(6 * 3600)


def test_a_board_that_said_hello_and_no_more(tmp_path):
    path = tmp_path / "store.sqlite"
    with Store.open(path) as store:
        store.add_board(hello())
    found = held(path)
    assert (found.pages, found.first_page, found.gaps, found.days) == (0, None, (), ())
    assert found.zone == "UTC" and found.sentence.endswith("no page.")


def test_gaps_in_words():
    assert listed([(3, 3), (5, 9)], 5) == "3, 5-9"
    assert listed([(n, n) for n in range(0, 20, 2)], 2) == "0, 2 and 8 more runs"


@given(
    st.lists(st.integers(to_us(datetime(1901, 1, 1, tzinfo=UTC)), 4_000_000_000_000_000)),
    st.sampled_from(("+05:45", "-03:30", "America/New_York", "Australia/Lord_Howe", "UTC")),
)
def test_local_days_are_the_calendars(utc_us, zone):
    tz = zone_of(zone)
    at = np.array(utc_us, np.int64)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    told = [(epoch + timedelta(microseconds=one)).astimezone(tz).toordinal() for one in utc_us]
    assert local_days(at, tz).tolist() == told


def test_what_no_calendar_can_be_asked_about():
    edges = [datetime(1900, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)]
    at = np.array([to_us(edges[0]) - 1, to_us(edges[0]), to_us(edges[1]) - 1, to_us(edges[1])])
    assert dated(at).tolist() == [False, True, True, False]
