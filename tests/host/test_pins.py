"""board_pico, unmodified, among simulated chips: from power-on to a log pulled by the host."""

import time

import numpy as np
import pytest
from tests.pinned import compiled, lay_out, live, meter, powered

from dialbench.clock import SystemClock
from dialbench.link import Board
from dialbench.store import Store
from dialcore import records

CHANNELS = 18
HEAP_BYTES = 96 << 10
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
    assert 20 < began_ms(store, uid) < 200


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


@pytest.mark.parametrize("board", ["rp2", "esp32"])
def test_settling_is_measured_and_each_kind_of_board_scans(board, tmp_path):
    # With a ladder ten times the ordinary a line of 4.3 us takes 24 us to within 1/512.
    lay_out(tmp_path, 4, board=board, until_ms=1500, ladder_ohm=10_000.0)
    assert live(tmp_path)["settle_us"] in (4 * 26, 4 * 35)


@pytest.mark.deep
@pytest.mark.timeout(120)
@pytest.mark.parametrize("storage", ["files", "flash"])
def test_128_channels_in_the_memory_of_a_board(storage, tmp_path):
    sources = compiled(tmp_path / "bytecode")
    lay_out(tmp_path / "board", 128, until_ms=100, apart_ms=50)
    own = live(tmp_path / "board", sources)["own_bytes"]  # what the world takes of the same heap
    keeps = {"storage": storage, "log_bytes": 1 << 18}
    lay_out(tmp_path / "board", 128, keeps, free_ms=13_000, apart_ms=50)
    heap = 2 * HEAP_BYTES + own  # of a build whose words are twice as long
    with (
        powered(tmp_path / "board", sources, str(heap)) as port,
        Store.open(tmp_path / "store") as store,
        Board.open(port, SystemClock()) as board,
    ):
        assert board.hello.channels == 128
        while board.status().device_ms < 13_000:
            time.sleep(0.1)
        board.seal()
        board.pull(store)
        crossings = store.crossings(board.hello.uid)
        assert len(crossings.channel) == 128 * 6
        assert board.status().overflow_records == 0


@pytest.mark.parametrize("kind", ["Pico with RP2040", "Pico W with RP2040", "Pico 2 with RP2350"])
def test_a_released_board_is_left_alone_by_its_watchdog(kind, tmp_path):
    lay_out(tmp_path, 4, {"storage": "flash"}, free_ms=0, platform=f"Raspberry Pi {kind}")
    with powered(tmp_path) as port, Board.open(port, SystemClock()) as board:
        assert not board.hello.trouble
        board.release()
        for _ in range(300):
            if (tmp_path / "meter.json").is_file():
                break
            time.sleep(0.02)  # the line stays open until the board has let go of it
    told = meter(tmp_path)
    assert told["why"] == "released" and told["watchdog"] is None


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
