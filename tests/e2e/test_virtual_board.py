"""The virtual dial as a board on a port: real firmware, real memory, real line."""

from __future__ import annotations

import math
import os
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dialbench import dialfile
from dialbench.analysis import analyse
from dialbench.clock import ClockModel, SystemClock
from dialbench.dial import Body, Bore, Channel, Dial, Step
from dialbench.link import Board, LinkError, LinkLost
from dialbench.sky import Sky, to_us
from dialbench.store import Store
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import HEAP_BYTES, LogSettings, VirtualDial
from dialbench.virtual.truth import Truth
from dialcore import records

NOON_US = to_us(datetime(2027, 4, 16, 12, 30, tzinfo=UTC))
HOUR_US = 3_600_000_000


def widest() -> Dial:
    """128 channels, each with one bore about noon."""
    demo = dialfile.demo()
    channels = tuple(
        Channel(y_mm=4.0 * (c % 16) - 30, z_mm=6.0 * (c // 16) - 21, column=c % 16, row=c // 16)
        for c in range(128)
    )
    body = Body(100.0, 160.0)
    bores = tuple(
        Bore(c, 0.0, 0.0, "slot", 1.0, 1.0, math.sqrt(100.0**2 - channel.y_mm**2), 48.0)
        for c, channel in enumerate(channels)
    )
    every = frozenset(range(128))
    plan = replace(demo.plan, steps=(Step(0, 720.0, "12:00", every),))
    return Dial("128 channels", demo.site, channels, plan, body, bores)


def virtual(dial: Dial, folder: Path, **more: object) -> VirtualDial:
    return VirtualDial(Truth.draw(dial, 5), Clear(), folder, NOON_US, **more)  # type: ignore[arg-type]


def test_128_channels_run_in_a_boards_memory(tmp_path: Path) -> None:
    with (
        virtual(widest(), tmp_path / "board") as dial,
        Board.open(dial.port, dial.clock) as board,
        Store.open(tmp_path / "store.sqlite") as store,
    ):
        assert dial.real_micropython
        assert board.hello.channels == 128
        assert 0 < board.hello.heap_bytes <= HEAP_BYTES == 131072
        dial.run(NOON_US, NOON_US + 2 * HOUR_US)
        board.pull(store)
        status = board.status()
        assert status.overflow_records == 0
        assert status.scans == 2 * 3600 * 2
        assert len(store.crossings(board.hello.uid).channel) >= 128 * 6
        assert status.heap_free > 0


def test_cpython_runs_the_same_firmware_to_the_same_log(tmp_path: Path) -> None:
    logs = []
    for real in (True, False):
        folder = tmp_path / str(real)
        with (
            virtual(dialfile.demo(), folder, real_micropython=real) as dial,
            Board.open(dial.port, dial.clock) as board,
        ):
            assert dial.real_micropython is real
            assert (board.hello.heap_bytes > 0) is real
            dial.run(NOON_US, NOON_US + HOUR_US // 2)
            board.seal()
        logs.append({p.name: p.read_bytes() for p in (folder / "log").iterdir()})
    assert logs[0] == logs[1]
    assert logs[0]


def test_power_comes_back_to_the_next_boot_and_the_same_log(tmp_path: Path) -> None:
    for boot in (1, 2):
        with (
            virtual(dialfile.demo(), tmp_path / "board") as dial,
            Board.open(dial.port, dial.clock) as board,
            Store.open(tmp_path / "store.sqlite") as store,
        ):
            assert board.hello.boot == boot
            dial.run(NOON_US, NOON_US + HOUR_US // 4)
            pulled = board.pull(store)
            assert pulled.pages > 0
            [stored] = store.boards()
            assert stored.pages == board.status().next_page
            assert store.losses(stored.uid).missing_pages == 0


def test_a_log_on_a_bare_chip_is_pulled_whole_over_two_boots(tmp_path: Path) -> None:
    held: dict[str, list[tuple[int, int, int, int]]] = {}
    for kind in ("files", "flash"):
        folder = tmp_path / kind
        for boot in (1, 2):
            with (
                virtual(dialfile.demo(), folder / "board", log=LogSettings(kind)) as dial,
                Board.open(dial.port, dial.clock) as board,
                Store.open(folder / "store.sqlite") as store,
            ):
                assert board.hello.boot == boot and not board.hello.trouble
                dial.run(NOON_US, NOON_US + HOUR_US // 2)
                board.pull(store)
                uid = board.hello.uid
                status = board.status()
                assert store.losses(uid).missing_pages == 0
                assert [one.pages for one in store.boards()] == [status.next_page]
                setup = store.events(uid, records.SETUP)
                logged = store.crossings(uid)
        told = [records.unpack_setup(one.payload) for one in setup]
        assert told == [(500, 600, 7, records.STORAGES.index(kind), 4 << 20)] * 2
        held[kind] = list(
            zip(logged.boot, logged.device_ms, logged.channel, logged.threshold, strict=True)
        )
    assert held["files"] == held["flash"]
    assert len(held["flash"]) > 10
    assert not (tmp_path / "flash" / "board" / "log").exists()


def test_a_lean_log_holds_half_light_alone_and_lacks_nothing(tmp_path: Path) -> None:
    demo = dialfile.demo()
    with (
        virtual(demo, tmp_path / "board", log=LogSettings("flash", lean=True)) as dial,
        Board.open(dial.port, dial.clock) as board,
        Store.open(tmp_path / "store.sqlite") as store,
    ):
        dial.run(NOON_US, NOON_US + HOUR_US)
        board.pull(store)
        logged = store.crossings(board.hello.uid)
        assert len(logged.channel) >= 6 and set(logged.threshold) == {1}
        found = analyse(store, board.hello.uid, demo, Sky(demo.site)).comparison
        counts = found.counts
        assert counts["matched"] == len(logged.channel)
        assert (counts["missed"], counts["unexpected"]) == (0, 0)
        assert set(found.predicted.threshold) == {1}


def test_a_chip_used_with_another_size_is_told_and_left_alone(tmp_path: Path) -> None:
    for size, trouble in ((1 << 20, ""), (1 << 19, "log_bytes must be 1048576 here")):
        log = LogSettings("flash", log_bytes=size)
        with (
            virtual(dialfile.demo(), tmp_path / "board", log=log) as dial,
            Board.open(dial.port, dial.clock) as board,
        ):
            assert board.hello.trouble.endswith(trouble)
            assert board.hello.trouble or not trouble
            assert bool(board.hello.channels) is not bool(trouble)
            if not trouble:
                board.seal()


def test_a_bad_configuration_is_told_over_the_line(tmp_path: Path) -> None:
    dial = virtual(dialfile.demo(), tmp_path / "board", scan_ms=0)
    with dial, Board.open(dial.port, dial.clock) as board:
        assert board.hello.channels == 0
        assert "scan_ms" in board.hello.trouble
    assert dial.released  # by itself, when the light ended


def test_power_cut_under_an_open_link_is_a_lost_board(tmp_path: Path) -> None:
    dial = virtual(dialfile.demo(), tmp_path / "board")
    with dial:
        board = Board.open(dial.port, dial.clock)
    with pytest.raises(LinkLost):
        board.status()
    board.close()


def test_pulls_by_the_computers_clock_agree_on_a_board_that_lives_in_real_time(
    tmp_path: Path,
) -> None:
    """The board scans every 100 ms, and its count runs on between two scans."""
    clock = SystemClock()
    with virtual(dialfile.demo(), tmp_path / "board", scan_ms=100) as dial:
        dial.start(NOON_US, steady=True)
        with Board.open(dial.port, clock) as board:
            while board.status().device_ms < 1000:
                time.sleep(0.05)
            marks = []
            for pause_s in (0.03, 0.07, 0.11, 0.13, 0.17, 0.19):
                marks.append(board.mark())
                time.sleep(pause_s)
    assert ClockModel(marks).rejected == []
    assert len({mark.device_ms for mark in marks}) == len(marks)


def test_release_hands_the_line_back(tmp_path: Path) -> None:
    with virtual(dialfile.demo(), tmp_path / "board") as dial:
        board = Board.open(dial.port, dial.clock)
        board.release()
        dial.wait(5)
        assert not dial.alive and dial.released


@pytest.mark.usefixtures("impatient")
def test_what_is_no_board_gives_one_sentence_each(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="/nowhere"):
        Board.open("/nowhere/tty0", _Still())
    master, slave = os.openpty()
    try:
        with pytest.raises(LinkError) as silent:
            Board.open(os.ttyname(slave), _Still())
        assert "\n" not in str(silent.value)
    finally:
        os.close(master)
        os.close(slave)
    with (
        virtual(dialfile.demo(), tmp_path / "board") as dial,
        Board.open(dial.port, dial.clock),
        pytest.raises(LinkError, match="another program|busy|in use"),
    ):
        Board.open(dial.port, dial.clock)


class _Still:
    speed = 1.0

    def utc_us(self) -> int:
        return NOON_US
