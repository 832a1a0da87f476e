"""From a store to what is compared: nonsense, writers beside it, files that stay as they are."""

import pytest
from tests.fuzz.targets import SMALL_DIAL
from tests.host.stores import OPEN, SHUT, UID, hello
from tests.host.typed import typed

from dialbench import analysis, dialfile, drift
from dialbench.clock import Mark
from dialbench.sky import Sky
from dialbench.store import Store
from dialbench.store.backup import backup
from dialcore import records

HOUR_MS = 3_600_000
NOON_US = 1_804_075_200_000_000  # 2027-03-03 12:00
DIAL = dialfile.parse(SMALL_DIAL, "small")


def page(boot, *entries, number=0, base_ms=0):
    """One page of records: (device_ms, tag, payload)."""
    writer = records.PageWriter()
    writer.start(base_ms)
    for device_ms, tag, payload in entries:
        assert writer.record(tag, device_ms, payload)
    return bytes(writer.sealed(number, boot, base_ms))


def in_sun(boot, *more, number=0, base_ms=0):
    """An hour of direct sun."""
    gates = (base_ms, records.GATE, OPEN), (base_ms + HOUR_MS, records.GATE, SHUT)
    return page(boot, *gates, *more, number=number, base_ms=base_ms)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "store.sqlite"
    with Store.open(path) as store:
        store.add_board(
            hello(dial_hash=DIAL.hash, channels=len(DIAL.channels)), dialfile.dump(DIAL)
        )
        store.add_page(UID, in_sun(1))
        store.add_mark(UID, Mark(1, 0, NOON_US, 1000, "link"))
    return path


def test_a_boot_record_that_says_nothing_stops_no_comparison(path, capsys):
    with Store.open(path) as store:
        store.add_page(UID, in_sun(1, (0, records.BOOT, b"?"), number=1, base_ms=HOUR_MS))
    ran = typed(capsys, "compare", path)
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.parametrize("device_ms", [0, 1 << 52])
def test_times_of_no_calendar_are_told_in_a_sentence(path, capsys, device_ms):
    with Store.open(path) as store:
        store.add_page(UID, in_sun(2, number=1, base_ms=(1 << 52) - device_ms))
        store.add_mark(UID, Mark(2, device_ms, NOON_US, 1000, "link"))
    ran = typed(capsys, "compare", path)
    assert ran.returncode == 2
    assert ran.stderr.startswith(
        "dialbench: the Sun's place is known from 1899-07-30 to 2053-10-07"
    )


@pytest.mark.parametrize("command", ["compare", "clock"])
def test_looking_leaves_a_backup_as_it_is(path, tmp_path, capsys, command):
    """Also one that may not be written, and with nothing left beside it."""
    copy = tmp_path / "copy"
    backup(path, copy)
    before = copy.read_bytes()
    assert typed(capsys, command, copy).returncode == 0
    assert copy.read_bytes() == before
    empty = tmp_path / "empty"
    empty.touch()
    assert typed(capsys, command, empty).returncode == 2
    assert empty.read_bytes() == b""
    assert {file.name for file in tmp_path.iterdir()} == {"store.sqlite", "copy", "empty"}


@pytest.mark.parametrize("look", ["analysis", "drift"])
def test_what_a_pull_writes_meanwhile_is_no_part_of_it(path, monkeypatch, look):
    """The clock is asked for in the middle of either; a pull ends just then."""

    def told(store):
        if look == "drift":
            return drift.drift(store, UID)
        found = analysis.analyse(store, UID, DIAL, Sky(DIAL.site))
        return found.comparison.observed_hours, found.losses, found.boots_without_clock

    asked = Store.clock

    def late(store, uid):
        found = asked(store, uid)
        with Store.open(path) as other:
            other.add_page(UID, in_sun(2, number=5))
        return found

    with Store.open(path) as store:
        before = told(store)
        monkeypatch.setattr(Store, "clock", late)
        assert told(store) == before
        monkeypatch.setattr(Store, "clock", asked)
        assert told(store) != before
