"""What `dialbench clock` says, from records in a store."""

import json
import random

import pytest
from click.testing import CliRunner
from tests.host.test_store import UID, hello

from dialbench.clock import Mark
from dialbench.commands.clock import command
from dialbench.drift import drift
from dialbench.store import Store
from dialcore import records

HOUR_MS = 3_600_000
START_US = 1_804_032_000_000_000


def logged(number, boot, entries):
    """One page whose records are those given: (device_ms, tag, payload)."""
    writer = records.PageWriter()
    writer.start(0)
    for device_ms, tag, payload in entries:
        assert writer.record(tag, device_ms, payload)
    return bytes(writer.sealed(number, boot, 0))


def reading(boot, hour, ahead_us=0, source=records.CHIP, sigma_us=1000):
    utc_us = START_US + (24 * boot + hour) * HOUR_MS * 1000 + ahead_us
    device_ms = hour * HOUR_MS
    return device_ms + 20, records.RTC, records.pack_rtc(device_ms, utc_us, sigma_us, source)


def fault(hour, reason):
    return hour * HOUR_MS, records.RTC_FAULT, records.pack_rtc_fault(reason, records.CHIP)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "store.sqlite") as store:
        store.add_board(hello())
        yield store


def test_readings_come_with_what_the_chip_said_of_itself(store):
    store.add_page(UID, logged(0, 1, [reading(1, 0), reading(1, 1)]))
    store.add_page(
        UID,
        logged(1, 2, [fault(0, records.CHIP_STOPPED), reading(2, 1), reading(2, 2)]),
    )
    store.add_page(UID, logged(2, 3, [fault(0, records.CHIP_ABSENT), reading(3, 1)]))
    found = store.readings(UID)
    assert [(one.boot, one.device_ms // HOUR_MS, one.stopped) for one in found] == [
        (1, 0, False),
        (1, 1, False),
        (2, 1, True),
        (2, 2, False),
        (3, 1, False),
    ]
    assert found[0].utc_us == START_US + 24 * HOUR_MS * 1000 and found[0].sigma_us == 1000


def test_a_stop_told_in_a_boot_that_was_not_read_belongs_to_the_next_reading(store):
    store.add_page(UID, logged(0, 1, [reading(1, 0), fault(1, records.CHIP_STOPPED)]))
    store.add_page(UID, logged(1, 2, [reading(2, 0)]))
    assert [one.stopped for one in store.readings(UID)] == [False, True]


def test_what_a_satellite_receiver_told_is_a_mark(store):
    told = reading(1, 2, source=records.SATELLITES, sigma_us=40_000)
    store.add_page(UID, logged(0, 1, [told]))
    utc_us = START_US + 26 * HOUR_MS * 1000
    assert store.marks(UID) == [Mark(1, 2 * HOUR_MS, utc_us, 40_000, "satellites")]
    assert store.readings(UID) == []


def test_records_that_make_no_sense_say_nothing(store):
    store.add_page(
        UID,
        logged(
            0,
            1,
            [
                (0, records.RTC, b"short"),
                (10, records.RTC, records.pack_rtc(1 << 60, START_US, 1, records.CHIP)),
                (20, records.RTC, records.pack_rtc(1, START_US, 1, 77)),
                (30, records.RTC_FAULT, b""),
                (40, records.RTC_FAULT, bytes((99, 1))),
            ],
        ),
    )
    assert store.readings(UID) == [] and store.marks(UID) == []
    reasons = [one.reason for one in drift(store, UID).faults]
    assert reasons == [f"a clock failed for a reason not known here ({n})" for n in (0, 99)]


def test_every_boot_is_told_with_its_drift_or_with_why_not(store):
    store.add_page(UID, logged(0, 1, [reading(1, h) for h in range(12)]))
    store.add_page(UID, logged(1, 2, [reading(2, h) for h in range(12)]))
    store.add_page(UID, logged(2, 3, [(5000, records.GATE, records.pack_gate(1, 9))]))
    store.add_page(UID, logged(3, 4, [reading(4, h) for h in range(12)]))
    store.add_page(UID, logged(4, 5, [(5000, records.GATE, records.pack_gate(1, 9))]))
    for boot, hour in ((1, 1), (4, 1), (4, 10)):
        utc_us = START_US + (24 * boot + hour) * HOUR_MS * 1000
        store.add_mark(UID, Mark(boot, hour * HOUR_MS, utc_us, 1000, "link"))
    found = drift(store, UID)
    assert [(one.boot, one.marks, one.readings) for one in found.boots] == [
        (1, 1, 12),
        (2, 0, 12),
        (3, 0, 0),
        (4, 2, 12),
        (5, 0, 0),
    ]
    assert [bool(one.why_not) for one in found.boots] == [False, False, True, False, True]
    two = found.boots[1]
    assert two.drift_ppm == pytest.approx(0.0, abs=0.5) and two.drift_sigma_ppm < 1
    assert (two.over[0].device_ms, two.over[-1].device_ms) == (two.first_ms, two.last_ms)
    middle = two.over[len(two.over) // 2]
    assert abs(middle.utc_us - (START_US + 48 * HOUR_MS * 1000) - 1000 * middle.device_ms) < 50_000
    assert 0 < middle.half_width_s < 0.3
    assert found.chip_drift_ppm == pytest.approx(0.0, abs=0.5)
    told = " ".join(found.sentences)
    assert "Boot 3 cannot be told: it has no clock mark and no reading of a clock chip." in told
    assert json.loads(json.dumps(found.as_dict()))["schema"] == "dialbench.clock/1"


def test_without_a_chip_the_marks_are_told(store):
    store.add_page(UID, logged(0, 1, [(5000, records.GATE, records.pack_gate(1, 9))]))
    for hour in (1, 20):
        utc_us = START_US + round(hour * HOUR_MS * 1000 * (1 - 30e-6))
        store.add_mark(UID, Mark(1, hour * HOUR_MS, utc_us, 1000, "link"))
    bad = Mark(1, 10 * HOUR_MS, START_US, 1000, "link")
    store.add_mark(UID, bad)
    found = drift(store, UID)
    assert found.chip_drift_ppm is None
    assert found.boots[0].drift_ppm == pytest.approx(30.0, abs=0.01)
    [rejected] = found.as_dict()["rejected"]
    assert (rejected["kind"], rejected["device_ms"]) == ("mark", 10 * HOUR_MS)


def test_a_store_with_nothing_in_it_says_nothing(store):
    found = drift(store, UID)
    assert (found.boots, found.sentences) == ((), [])


def test_a_log_full_of_nonsense_is_told_without_a_fault(tmp_path):
    chance = random.Random(4)
    far = 1 << 53
    for number in range(8):
        path = tmp_path / f"{number}.sqlite"
        with Store.open(path) as store:
            store.add_board(hello())
            for page in range(5):
                entries = []
                for _ in range(chance.randrange(1, 6)):
                    device_ms = chance.choice((0, 5, 10**6, 10**9, far - 1, far))
                    utc_us = chance.choice((0, START_US, -START_US, far, -far))
                    sigma_us = chance.choice((0, 1000, 2**32 - 1))
                    source = chance.choice((records.CHIP, records.SATELLITES, 9))
                    entries.append(
                        chance.choice(
                            (
                                (9, records.RTC_FAULT, bytes((chance.randrange(5), 1))),
                                (9, records.MARK, records.pack_mark(device_ms, utc_us, sigma_us)),
                                (
                                    9,
                                    records.RTC,
                                    records.pack_rtc(device_ms, utc_us, sigma_us, source),
                                ),
                            )
                        )
                    )
                store.add_page(UID, logged(page, 1 + page // 2, entries))
        told = CliRunner().invoke(command, [str(path)])
        assert told.exception is None and "nan" not in told.output
        facts = CliRunner().invoke(command, [str(path), "--json"])
        assert json.loads(facts.output, parse_constant=pytest.fail)["board"] == UID
