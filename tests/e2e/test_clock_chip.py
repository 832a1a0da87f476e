"""A clock chip on the virtual board, from its registers to what the commands say of it."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from dialbench import dialfile
from dialbench.analysis import analyse
from dialbench.link import Board
from dialbench.sky import Sky, to_us
from dialbench.store import Store
from dialbench.virtual.clocks import Chip, Crystal, Oscillator
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

NOON_US = to_us(datetime(2027, 4, 16, 12, 30, tzinfo=UTC))
MINUTE_US = 60_000_000
DIALBENCH = [sys.executable, "-m", "dialbench.cli"]


def test_a_boot_without_a_host_gets_its_time_from_the_chip(run, tmp_path: Path) -> None:
    # Three boots; the host comes in the first and the last and never in the middle one.
    dial = dialfile.demo()
    truth = Truth.draw(dial, 3)
    crystal = Crystal(Oscillator.steady(NOON_US, 12.0))
    chip = Chip(Oscillator.steady(NOON_US, 20.0), offset_us=-7_250_000)
    starts = [NOON_US, NOON_US + 60 * MINUTE_US, NOON_US + 140 * MINUTE_US]
    path = tmp_path / "store.sqlite"
    for number, start_us in enumerate(starts):
        with VirtualDial(
            truth,
            Clear(),
            tmp_path / "board",
            start_us,
            chip=chip,
            crystal=crystal,
            chip_stood_still=number == 0,
            read_s=600,
        ) as virtual:
            if number != 1:
                with Board.open(virtual.port, virtual.clock) as board, Store.open(path) as store:
                    uid = board.hello.uid
                    board.pull(store)
                    virtual.run(start_us, start_us + 25 * MINUTE_US)
                    board.pull(store)
            else:
                virtual.run(start_us, start_us + 25 * MINUTE_US)
    with Store.open(path) as store:
        readings = store.readings(uid)
        assert {one.boot for one in readings} == {1, 2, 3}
        assert len([one for one in readings if one.boot == 2]) >= 2
        assert [one.stopped for one in readings] == [True] + [False] * (len(readings) - 1)
        assert {mark.boot for mark in store.marks(uid)} == {1, 3}
        logged = store.crossings(uid)
        assert len(logged.boot[logged.boot == 2])
        found = analyse(store, uid, dial, Sky(dial.site))
        assert found.boots_without_clock == () and found.rejected_marks == ()
        assert len(found.comparison.measured.utc_us) == len(logged.boot)
        assert found.comparison.counts["matched"] == len(logged.boot)
        clock = store.clock(uid)
        true_us = starts[1] + np.arange(0, 25 * MINUTE_US, MINUTE_US)
        device_ms = crystal.device_us(true_us, starts[1]) // 1000
        error_s = (clock.utc_us(2, device_ms) - true_us) * 1e-6
        half_s = 1.96 * clock.sigma_s(2, device_ms)
        assert np.abs(error_s).max() < 0.05
        assert (np.abs(error_s) <= half_s).all() and half_s.max() < 0.2
    ran = run([*DIALBENCH, "clock", path, "--json"], tmp_path)
    assert (ran.returncode, ran.stderr) == (0, "")
    facts = json.loads(ran.stdout)
    assert (facts["schema"], facts["board"]) == ("dialbench.clock/1", uid)
    assert [(boot["boot"], boot["why_not"]) for boot in facts["boots"]] == [
        (1, ""),
        (2, ""),
        (3, ""),
    ]
    assert [fault["reason"] for fault in facts["faults"]] == ["the clock chip had stood still"]
    assert abs(facts["chip_drift_ppm"] - 20) < 5 and not facts["rejected"]
    assert all(abs(boot["drift_ppm"] - 12) < 5 for boot in facts["boots"])
    told = run([*DIALBENCH, "clock", path], tmp_path)
    assert told.returncode == 0
    assert "The clock chip runs" in told.stdout and "had stood still" in told.stdout
    absent = run([*DIALBENCH, "clock", tmp_path / "none"], tmp_path)
    assert absent.returncode == 2 and "there is no such store" in absent.stderr
    assert not (tmp_path / "none").exists()
