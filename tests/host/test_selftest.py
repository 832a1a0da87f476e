"""Faults that are put into a board's electricity are named; a sound board has none.

The electricity here is a model of its own: wires, divider and sensors with noise, in volts. More
of it with SELFTEST_CASES=500, and of the firmware in its simulated world with SELFTEST_BOARDS.
"""

import json
import os
import random
import time

import pytest
from tests.pinned import lay_out, powered

from dialbench.clock import SystemClock
from dialbench.link import Board
from dialbench.link.facts import Check, Hello, Look, Status
from dialbench.selftest.diagnose import faults
from dialbench.selftest.figures import Figures, measure
from dialbench.selftest.told import told
from dialbench.store import Store
from dialcore import examining

CASES = int(os.environ.get("SELFTEST_CASES", "25"))
BOARDS = int(os.environ.get("SELFTEST_BOARDS", "2"))
NAMES = ["A0", "A1", "A2", "A3", "B0", "B1", "B2", "B3"]
UTC_S = 1_774_008_000


class Electricity:
    """Volts of 3.3 at the converter for what the select lines are driven to."""

    def __init__(self, draw, fault):
        self.draw = draw
        self.kind, self.of = fault
        self.channels = draw.randint(8, 128)
        self.noise_v = draw.uniform(0.0005, 0.002)
        self.offset_v = draw.uniform(-0.003, 0.006)
        self.ohm = [1000 * draw.gauss(1, 0.003) for _ in range(17)]
        dark_v = draw.uniform(0.008, 0.03)
        self.sensor_v = [dark_v * draw.uniform(0.6, 1.6) for _ in range(self.channels)]
        if draw.random() < 0.5:  # a few are lit
            for channel in draw.sample(range(self.channels), self.channels // 8):
                self.sensor_v[channel] = draw.uniform(0.3, 2.6)
        if self.kind == "dead":
            self.of = draw.randrange(self.channels)
            self.sensor_v[self.of] = 0.0
        if self.kind == "saturated":
            self.of = draw.randrange(self.channels)
            self.sensor_v[self.of] = 3.3
        if self.kind == "broken_common":
            self.of = draw.randrange((self.channels + 15) // 16)

    def arrives(self, driven):
        got = dict(driven)
        if self.kind in ("stuck_low", "stuck_high"):
            got[self.of] = self.kind == "stuck_high"
        if self.kind == "swapped":
            one, other = self.of
            got[one], got[other] = driven[other], driven[one]
        if self.kind == "shorted":
            one, other = self.of
            got[one] = got[other] = driven[one] and driven[other]
        return got

    def tap_v(self, below):
        return 3.3 * sum(self.ohm[:below]) / sum(self.ohm)

    def volts(self, root, leaf, before_v=0.4):
        driven = {
            name: bool((leaf, root)[k > 3] & (1, 2, 4, 8)[k % 4]) for k, name in enumerate(NAMES)
        }
        got = self.arrives(driven)
        leaf = sum(2**k for k in range(4) if got[f"A{k}"])
        root = sum(2**k for k in range(4) if got[f"B{k}"])
        if root == 8:
            return self.tap_v(leaf + 1)
        if root > 8:
            return self.tap_v(2 * (root - 8))
        if self.kind == "broken_common" and root == self.of:
            return before_v
        channel = 16 * root + leaf
        if channel < self.channels:
            return self.sensor_v[channel]
        return before_v if 16 * root >= self.channels else 0.0

    def look(self, volts):
        noise_v = 0.05 if self.kind == "noise" else self.noise_v
        seen = [
            min(
                max(round((volts + self.offset_v + self.draw.gauss(0, noise_v)) / 3.3 * 65535), 0),
                65535,
            )
            for _ in range(8)
        ]
        mean = sum(seen) / 8
        spread = (sum((one - mean) ** 2 for one in seen) / 8) ** 0.5
        return Look(round(mean), spread, min(seen), max(seen))


def status(device_ms, scans):
    return Status(1, device_ms, 0, 5, 0, 0, 0, 0, 0, scans, 3, False, 16, 90000)


def figures_of(draw, fault):
    board = Electricity(draw, fault)
    kind = fault[0]
    leaves = (board.channels + 15) // 16
    roots = [*range(leaves), *range(8, 16)]
    chip = {"rtc_missing": examining.CHIP_MISSING, "rtc_stopped": examining.CHIP_STOOD}
    span_ms = round(10000 * (0.999 if kind == "rtc_drift" else 1 + draw.gauss(0, 2e-5)))
    ticks = 0 if kind == "no_tick" else 10
    flags = examining.TICK_WANTED | (examining.WEAK_SUPPLY if kind == "supply" else 0)

    def check(count, at_ms):
        return Check(
            2300 if kind == "supply" else 4900, 32, 20000, 3000, flags,
            chip.get(kind, examining.CHIP_WELL), UTC_S, count, at_ms, 0, 4, 65536, 2,
        )  # fmt: skip

    trouble = "the storage cannot be used: no flash chip answers" if kind == "storage" else ""
    hello = Hello(2, 2, 1, board.channels, 1, 0, "0" * 16, "0" * 16, 0, "1", "m", trouble)
    return board, Figures(
        hello,
        {(r, i): board.look(board.volts(r, i)) for r in roots for i in range(16)},
        {
            r: tuple(board.look(board.volts(r, 0, board.tap_v(tap))).mean for tap in (2, 14))
            for r in [*range(leaves), 8]
        },
        (check(5, 5000), status(5000, 10)),
        (check(5 + ticks, 5000 + span_ms + draw.choice([-1, 0, 1])), status(15000, 30)),
        float(UTC_S),
        5.0,
        1.0,
        9000.0,
    )  # fmt: skip


def some_fault(draw):
    kind = draw.choice(
        ["stuck_low", "stuck_high", "swapped", "shorted", "dead", "saturated", "broken_common",
         "noise", "rtc_missing", "rtc_stopped", "rtc_drift", "no_tick", "storage", "supply"]
    )  # fmt: skip
    if kind.startswith("stuck"):
        return kind, draw.choice(NAMES)
    if kind in ("swapped", "shorted"):
        return kind, tuple(sorted(draw.sample(NAMES, 2)))
    return kind, None


def test_faults_are_named():
    wrong = []
    for seed in range(CASES):
        draw = random.Random(seed)
        fault = some_fault(draw)
        board, figures = figures_of(draw, fault)
        found = faults(figures)
        named = [(one.kind, one.where) for one in found]
        want = {
            "dead": (f"channel {board.of}",),
            "saturated": (f"channel {board.of}",),
            "broken_common": (f"leaf {board.of}",),
        }.get(fault[0], fault[1])
        want = (want,) if isinstance(want, str) else want
        if [kind for kind, _ in named] != [fault[0]] or (want and named[0][1] != want):
            wrong.append((seed, board.channels, fault, named))
    assert not wrong


def test_sound_boards_have_none():
    wrong = []
    for seed in range(CASES):
        _board, figures = figures_of(random.Random(1_000_000 + seed), ("none", None))
        found = faults(figures)
        if found:
            wrong.append((seed, found))
    assert not wrong


def test_what_was_found_is_kept_and_told(tmp_path):
    _board, figures = figures_of(random.Random(3), ("stuck_low", "A2"))
    facts = told(figures)
    assert not facts["passed"] and "GP4" in facts["faults"][0]["sentence"]
    with Store.open(tmp_path / "s") as store:
        store.add_board(figures.hello)
        assert store.selftest(figures.hello.uid) is None
        for utc_us in (5, 9, 7):
            store.add_selftest(figures.hello.uid, utc_us, json.dumps({"utc_us": utc_us}))
        assert json.loads(store.selftest(figures.hello.uid)) == {"utc_us": 9}


def on_board(folder, scene_faults, seed):
    """What a self-test names on the firmware in its simulated world."""
    flash = {"storage": "flash"} if {"kind": "dead_nor"} in scene_faults else {}
    lay_out(
        folder, 18, flash, utc_s=int(time.time()), free_ms=0, sun_ms=[], seed=seed,
        faults=scene_faults,
    )  # fmt: skip
    with powered(folder) as port, Board.open(port, SystemClock()) as board:
        return faults(measure(board, SystemClock().utc_us, lambda _share: None, 6.0))


def simulated(draw):
    """(faults of a scene, the kind and place that must be named)."""
    line = draw.choice(NAMES)
    pair = sorted(draw.sample(NAMES, 2))
    channel = draw.randrange(18)
    level = draw.randrange(2)
    return draw.choice(
        [
            ([], None),
            ([{"kind": "stuck", "line": line, "level": level}],
             (("stuck_low", "stuck_high")[level], (line,))),
            ([{"kind": "swapped", "lines": pair}], ("swapped", tuple(pair))),
            ([{"kind": "shorted_lines", "lines": pair}], ("shorted", tuple(pair))),
            ([{"kind": "broken_leaf", "leaf": 1}], ("broken_common", ("leaf 1",))),
            ([{"kind": "dead_channel", "channel": channel}], ("dead", (f"channel {channel}",))),
            ([{"kind": "no_rtc"}], ("rtc_missing", ("I2C",))),
            ([{"kind": "stopped_rtc"}], ("rtc_stopped", ("RTC",))),
            ([{"kind": "dead_nor"}], ("storage", ("NOR",))),
            ([{"kind": "weak_supply", "mv": 2300}], ("supply", ("SUPPLY",))),
            ([{"kind": "hum", "mv": 40, "hz": 50}], ("noise", ("LIGHT",))),
        ]
    )  # fmt: skip


@pytest.mark.deep
@pytest.mark.timeout(60 + 40 * BOARDS)
def test_faults_of_the_simulated_board_are_named(tmp_path):
    wrong = []
    for seed in range(BOARDS):
        scene_faults, want = simulated(random.Random(seed))
        named = [
            (one.kind, one.where) for one in on_board(tmp_path / str(seed), scene_faults, seed + 1)
        ]
        if named != ([want] if want else []):
            wrong.append((seed, scene_faults, named))
    assert not wrong
