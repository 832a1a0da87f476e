"""board_pico, unmodified, among simulated chips: from power-on to a log pulled by the host."""

import time

import numpy as np
import pytest
from tests.pinned import lay_out, live, powered

from dialbench.clock import SystemClock
from dialbench.link import Board
from dialbench.store import Store
from dialcore import records

CHANNELS = 18
UTC_S = 1_774_008_000
SCENE = {"first_ms": 4000, "apart_ms": 700, "lit_ms": 2500, "ramp_ms": 1000}
DAY_MS = SCENE["first_ms"] + CHANNELS * SCENE["apart_ms"] + 2000


@pytest.fixture(scope="module")
def pulled(tmp_path_factory):
    """A board's whole short day, pulled: (store, uid, status, hello)."""
    folder = tmp_path_factory.mktemp("pins")
    lay_out(folder / "board", CHANNELS, utc_s=UTC_S, free_ms=DAY_MS, **SCENE)
    with (
        powered(folder / "board") as port,
        Store.open(folder / "store") as store,
        Board.open(port, SystemClock()) as board,
    ):
        while board.status().device_ms < DAY_MS:
            time.sleep(0.1)  # the board's time stands still while it answers
        board.seal()
        board.pull(store)
        yield store, board.hello.uid, board.status(), board.hello


def began_ms(store, uid):
    """How long after the power the device's time begins, by the chip that it read."""
    (reading,) = store.readings(uid)
    return (reading.utc_us - 1000 * UTC_S * 1000) / 1000 - reading.device_ms


def test_the_log_is_what_the_light_was(pulled):
    store, uid, status, _hello = pulled
    start_ms = began_ms(store, uid)
    logged = store.crossings(uid)
    got = {}
    for channel, threshold, rise, ms in zip(
        logged.channel, logged.threshold, logged.rise, logged.device_ms, strict=True
    ):
        got[int(channel), int(threshold), bool(rise)] = start_ms + ms
    want = {}
    for channel in range(CHANNELS):
        middle = SCENE["first_ms"] + channel * SCENE["apart_ms"]
        for k, fraction in enumerate((0.25, 0.5, 0.75)):
            away = (SCENE["lit_ms"] + SCENE["ramp_ms"]) / 2 - fraction * SCENE["ramp_ms"]
            want[channel, k, True] = middle - away
            want[channel, k, False] = middle + away
    assert got.keys() == want.keys()
    late_ms = np.array([got[key] - want[key] for key in want])
    assert np.abs(late_ms).max() < 500  # the scans are so far apart
    assert abs(late_ms.mean()) < 60
    assert status.overflow_records == status.torn_pages == 0


def test_the_clock_chip_was_read_at_its_tick(pulled):
    store, uid, _status, _hello = pulled
    (reading,) = store.readings(uid)
    # The chip's seconds begin with the power; the settling was measured before the log began.
    assert reading.sigma_us == 1000 and reading.utc_us % 1_000_000 == 0
    assert 20 < began_ms(store, uid) < 100


def test_the_board_says_what_it_is(pulled):
    _store, uid, _status, hello = pulled
    assert bytes.fromhex(uid) == b"pins-sim"
    assert hello.channels == CHANNELS and not hello.trouble


def test_a_bad_configuration_is_told(tmp_path):
    lay_out(tmp_path, 4, {"scan_ms": "fast"}, free_ms=0)
    with powered(tmp_path) as port, Board.open(port, SystemClock()) as board:
        assert "scan_ms" in board.hello.trouble


def test_a_dead_flash_chip_is_told(tmp_path):
    lay_out(tmp_path, 4, {"storage": "flash"}, free_ms=0, faults=[{"kind": "dead_nor"}])
    with powered(tmp_path) as port, Board.open(port, SystemClock()) as board:
        assert "no flash chip answers" in board.hello.trouble


# Midnight at Greenwich; the board's Sun is tested in tests/dual/test_night.py.
NIGHT = {"utc_s": 1_773_964_800, "sun_ms": [], "until_ms": 40_000}
SITE = {"site": {"latitude_e4": 0, "longitude_e4": 0}}


def test_at_night_it_sleeps_but_where_a_host_may_be(tmp_path):
    lay_out(tmp_path / "alone", 16, SITE, usb=False, **NIGHT)
    alone = live(tmp_path / "alone")
    assert alone["slept"] > 0.85 * alone["total"]
    awake = alone["total"] - alone["slept"] - alone["idle"]
    assert awake < 0.01 * alone["total"]
    lay_out(tmp_path / "usb", 16, SITE, usb=True, **NIGHT)
    assert live(tmp_path / "usb")["slept"] == 0


def test_a_failing_supply_ends_the_log_before_it_ends_the_board(tmp_path):
    falling = [[0, 4200], [6000, 2400], [16_000, 0]]
    lay_out(tmp_path, 4, supply_mv=falling, until_ms=18_000, apart_ms=1500)
    live(tmp_path)
    (file,) = (tmp_path / "log").iterdir()
    raw = file.read_bytes()
    number, boot, base_ms, size, _count = records.check(raw)
    assert (number, boot, size) == (0, 1, len(raw))  # one page, whole, and nothing after it
    last_ms = base_ms + max(at for _tag, at, *_ in records.records(raw))
    assert 5000 < last_ms < 7100
