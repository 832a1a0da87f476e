"""Sixty days in the field: the real firmware on a board in memory, its time as fast as it goes.

The board's crystal, its clock chip, the clouds and the power cuts are drawn from a seed; a
host comes by now and then and pulls through the real link into a real store.
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import dialnode.node
from dialbench import dialfile
from dialbench.clock import ClockModel
from dialbench.dial import Body, Bore, Channel, Dial, Step
from dialbench.link import Board
from dialbench.store import Store
from dialbench.virtual.clocks import Chip, Crystal, Oscillator
from dialbench.virtual.clouds import Invented
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth
from dialcore import records
from dialnode.board_virtual import Registers
from dialnode.pagelog import PageLog
from dialnode.storage_files import FileStorage

START_US = 1_804_032_000_000_000  # 2027-03-03T00:00:00Z
DAY_US = 86_400_000_000
HOUR_US = 3_600_000_000
DAYS = 60
PULL_DAYS = (0.02, 10, 20, 30, 46, 50, 60)  # the fifth is six days late
COMMIT_S = 600
CHANNELS = 8
_SCAN_US = 10_000_000
_NIGHT_SCAN_US = 60_000_000
_TICKS = 0x3FFFFFFF
_HALF = 0x20000000
_BUS_US = 300  # one look at the chip
_TRIP_US = 700  # a byte's way over the line


class Noted(PageLog):
    """The firmware's own log, with a note of every crossing that it is given."""

    given: list[tuple[int, int, int, int]]

    def __init__(self, storage, clock, *more):
        self.given = []
        self._noted_clock = clock
        super().__init__(storage, clock, *more)

    def crossing(self, channel, threshold, rise, offset_ms):
        at_ms = self._noted_clock.epoch_ms + offset_ms
        self.given.append((at_ms, channel, threshold, rise))
        super().crossing(channel, threshold, rise, offset_ms)


class Field:
    """Where the dial stands: true time, true clocks, the sky's light."""

    def __init__(self, seed: int, folder: Path, clocks: dict[str, object]) -> None:
        rng = np.random.default_rng([seed, 60])
        self.now_us = START_US
        self.folder = folder
        (folder / "log").mkdir(parents=True)
        (folder / "config.json").write_text(json.dumps(_config() | clocks))
        self.crystal = Crystal(
            Oscillator.draw(
                rng, START_US, DAYS + 3, rng.uniform(-30, 30), day_ppm=4.0, wander_ppm=2.0
            )
        )
        size_us = int(1e6 * np.exp(rng.uniform(np.log(0.1), np.log(100.0))) * rng.choice([-1, 1]))
        self.jump = (int(rng.uniform(START_US + DAY_US, START_US + (DAYS - 1) * DAY_US)), size_us)
        self.chip = Chip(
            Oscillator.draw(rng, START_US, DAYS + 3, 20.0, wander_ppm=0.2, wander_days=3.0),
            int(rng.uniform(-5e6, 5e6)),
            (self.jump,),
        )
        self.clouds = Invented(seed)
        self.noise = rng
        # Two cuts in every week; the power stays away for minutes or half a day.
        self.cuts: list[tuple[int, int]] = []
        for week in range(START_US, START_US + DAYS * DAY_US, 7 * DAY_US):
            for at in np.sort(rng.uniform(week, week + 7 * DAY_US, 2)):
                self.cuts.append((int(at), int(at + rng.uniform(60e6, 12 * HOUR_US))))

    def scans(self, day: int) -> Iterator[tuple[int, array[int]]]:
        """(instant, counts) of every scan of one day: eight channels lit one after the other."""
        midnight = START_US + day * DAY_US
        light = np.arange(midnight + 6 * HOUR_US, midnight + 18 * HOUR_US, _SCAN_US)
        dark = [
            np.arange(midnight, midnight + 6 * HOUR_US, _NIGHT_SCAN_US),
            np.arange(midnight + 18 * HOUR_US, midnight + DAY_US, _NIGHT_SCAN_US),
        ]
        at_us = np.concatenate((dark[0], light, dark[1]))
        hours = (at_us - midnight) / HOUR_US
        altitude_deg = 60 * np.sin((hours - 6) / 12 * np.pi)
        direct, diffuse = self.clouds.irradiance(at_us, altitude_deg)
        minutes = 60 * (hours - 6)
        channel = np.arange(CHANNELS)
        # Each is lit for ten minutes of every eighty, its edges a minute and a half wide.
        away = np.abs((minutes[:, None] - 10 * channel + 40) % 80 - 40)
        lit = ((5 - away) / 1.5 + 0.5).clip(0, 1)
        counts = np.concatenate(
            (50 * (direct + diffuse)[:, None], 50 * diffuse[:, None], 50 * direct[:, None] * lit),
            axis=1,
        )
        counts += self.noise.normal(0, 5, counts.shape)
        rows = counts.clip(0, 65535).astype(np.uint16).tolist()
        for instant, row in zip(at_us.tolist(), rows, strict=True):
            yield instant, array("H", row)


def _config() -> dict[str, object]:
    return {
        "dial_hash": "00112233445566ff",
        "scan_ms": _SCAN_US // 1000,
        "commit_s": COMMIT_S,
        "log_bytes": 1 << 20,
        "dark": [0] * CHANNELS,
        "scale": [1024] * CHANNELS,
        "sky_dark": 0,
        "shade_dark": 0,
        "shade_q10": 1024,
        "gate_on": 6000,
        "gate_off": 5700,
    }


class Quick:
    """An oscillator's Oscillator.at for one instant after the other, without arrays."""

    def __init__(self, oscillator: Oscillator) -> None:
        self._start_us = oscillator.start_us
        self._ahead_us = oscillator.ahead_us.tolist()

    def at(self, utc_us: int) -> int:
        hour, inside = divmod(utc_us - self._start_us, HOUR_US)
        first, second = self._ahead_us[hour], self._ahead_us[hour + 1]
        return round(first + inside / HOUR_US * (second - first))


class FieldBoard:
    """One boot of the board in the field: the methods every board has, until now_us is until_us."""

    uid = b"fieldbrd"

    def __init__(self, field: Field, boot: int) -> None:
        self._field = field
        self.config_path = str(field.folder / "config.json")
        self.boot = boot
        self.boot_us = field.now_us
        self.running = True
        self.weak = False
        self.until_us = field.now_us
        self.heard = b""
        self.said = b""
        self._registers = Registers()
        self._crystal = Quick(field.crystal.oscillator)
        self._chip = Quick(field.chip.oscillator)
        self._ahead_us = self._crystal.at(self.boot_us)
        self._scans = self._coming()
        self._next = next(self._scans)

    def _coming(self) -> Iterator[tuple[int, array[int]]]:
        for day in range((self.boot_us - START_US) // DAY_US, DAYS + 3):
            for scan in self._field.scans(day):
                if scan[0] > self.boot_us:
                    yield scan

    def storage(self, kind, limit_bytes):
        assert kind == "files"
        return FileStorage(str(self._field.folder / "log"), limit_bytes)

    def ticks_ms(self):
        now_us = self._field.now_us
        since_us = now_us - self.boot_us + self._crystal.at(now_us) - self._ahead_us
        return since_us // 1000 & _TICKS

    def ticks_diff(self, later, earlier):
        return (later - earlier + _HALF & _TICKS) - _HALF

    def scan(self, counts):
        if self._field.now_us < self._next[0]:
            return False
        counts[:] = self._next[1]
        self._next = next(self._scans)
        return True

    def _shown_us(self):
        now_us = self._field.now_us
        jumped_us = sum(size for at, size in self._field.chip.jumps if now_us >= at)
        return now_us + self._field.chip.offset_us + self._chip.at(now_us) + jumped_us

    def i2c_read(self, address, register, buffer):
        self._field.now_us += _BUS_US
        self._registers.show(self._shown_us() // 1_000_000, True, False)
        self._registers.read(address, register, buffer)

    def i2c_write(self, address, register, data):
        self._registers.write(address, register, data)

    def tick_count(self):
        return self._shown_us() // 1_000_000 & _TICKS

    def tick_ticks(self):
        return self.ticks_ms() - self._shown_us() % 1_000_000 // 1000 & _TICKS

    def nmea_read(self, buffer):
        return 0

    def link_read(self, buffer):
        size = min(len(buffer), len(self.heard))
        buffer[:size] = self.heard[:size]
        self.heard = self.heard[size:]
        return size

    def link_write(self, data):
        self.said += bytes(data)
        return len(data)

    def idle(self, busy):
        field = self._field
        if field.now_us >= self.until_us:
            self.running = False
            return
        rest_us = 5000 if busy else max(self._next[0] - field.now_us, 1)
        field.now_us = min(field.now_us + rest_us, self.until_us)

    def setup(self, config):
        pass

    def rest(self):
        self.idle(False)

    def lamp(self, on):
        pass

    def stop(self):
        pass

    def runtime(self):
        return "field"

    def heap_bytes(self):
        return 0

    def heap_free(self):
        return 0


class FieldLine:
    """The host's end of the line; each way takes its time, and the board lives meanwhile."""

    alone = True

    def __init__(self, field: Field, board: FieldBoard, node: dialnode.node.Node) -> None:
        self._field, self._board, self._node = field, board, node

    def send(self, data: bytes) -> None:
        self._board.heard += data
        self._live(_TRIP_US)

    def receive(self) -> bytes:
        self._live(_TRIP_US)
        said, self._board.said = self._board.said, b""
        return said

    def _live(self, for_us: int) -> None:
        live(self._board, self._node, self._field.now_us + for_us)

    def close(self) -> None:
        pass


class FieldClock:
    """A host's clock that is right."""

    speed = 1.0

    def __init__(self, field: Field) -> None:
        self._field = field

    def utc_us(self) -> int:
        return self._field.now_us


def live(board: FieldBoard, node: dialnode.node.Node, until_us: int) -> None:
    board.until_us = until_us
    board.running = True
    node.run()


@dataclass
class Deployment:
    """What became of it. boots: (began, ended) of each, in UTC; given: the crossings each
    boot's firmware was given to log."""

    field: Field
    boots: list[tuple[int, int]]
    given: list[list[tuple[int, int, int, int]]]
    store_path: Path
    uid: str

    def true_utc_us(self, boot: int, device_ms: np.ndarray) -> np.ndarray:
        """UTC when a boot's clock read device_ms."""
        began, ended = self.boots[boot - 1]
        grid = np.arange(began, ended + HOUR_US, HOUR_US // 2)
        device_us = self.field.crystal.device_us(grid, began)
        since = np.interp(1000.0 * device_ms + 500, device_us, grid - began)
        return began + np.rint(since).astype(np.int64)


def deploy(seed: int, folder: Path, clocks: dict[str, object]) -> Deployment:
    """Sixty days of it. clocks: what config.json says of clocks."""
    field = Field(seed, folder / "board", clocks)
    pulls = [START_US + int(day * DAY_US) for day in PULL_DAYS]
    end_us = pulls[-1]
    boots: list[tuple[int, int]] = []
    given = []
    uid = ""
    with Store.open(folder / "store.sqlite") as store:
        for cut_us, back_us in [*field.cuts, (end_us + 2 * DAY_US, 0)]:
            if cut_us <= field.now_us:
                continue  # the power was still away
            board = FieldBoard(field, len(boots) + 1)
            node = dialnode.node.Node(board)
            while pulls and max(pulls[0], board.boot_us) < cut_us - 60_000_000:
                live(board, node, max(pulls.pop(0), field.now_us + 30_000_000))
                line, clock = FieldLine(field, board, node), FieldClock(field)
                with Board(line, "field", clock, lambda: field.now_us * 1e-6) as host:
                    uid = host.hello.uid
                    host.pull(store)
                if not pulls:
                    cut_us = field.now_us
            live(board, node, cut_us)
            boots.append((board.boot_us, field.now_us))
            given.append(node._log.given)
            field.now_us = max(back_us, field.now_us)
            if not pulls:
                break
    return Deployment(field, boots, given, folder / "store.sqlite", uid)


def small_dial() -> Dial:
    """Eight channels of one bore each, lit one after the other through the day."""
    demo = dialfile.demo()
    channels = tuple(
        Channel(y_mm=10.0 * c - 35, z_mm=0.0, column=c, row=0) for c in range(CHANNELS)
    )
    bores = tuple(
        Bore(c, 15.0 * c - 52, 0.0, "slot", 1.0, 1.0, 90.0, 48.0) for c in range(CHANNELS)
    )
    plan = replace(demo.plan, steps=(Step(0, 720.0, "12:00", frozenset(range(CHANNELS))),))
    return Dial("eight channels", demo.site, channels, plan, Body(100.0, 160.0), bores)


def deploy_virtual(seed: int, folder: Path) -> Deployment:
    """The same sixty days of the virtual board: a process of its own, under MicroPython where
    there is one, with its light by rays. Nobody notes what it was given to log."""
    field = Field(seed, folder / "field", {})
    truth = Truth.draw(small_dial(), seed)
    pulls = [START_US + int(day * DAY_US) for day in PULL_DAYS]
    boots: list[tuple[int, int]] = []
    now_us = START_US
    uid = ""
    with Store.open(folder / "store.sqlite") as store:
        for cut_us, back_us in [*field.cuts, (pulls[-1] + 2 * DAY_US, 0)]:
            if cut_us <= now_us:
                continue  # the power was still away
            boot_us = now_us
            with VirtualDial(
                truth,
                field.clouds,
                folder / "board",
                boot_us,
                scan_ms=_SCAN_US // 1000,
                chip=field.chip,
                crystal=field.crystal,
            ) as virtual:
                assert virtual.real_micropython
                while pulls and max(pulls[0], boot_us) < cut_us - 60_000_000:
                    until_us = max(pulls.pop(0), now_us + 30_000_000)
                    virtual.run(now_us, until_us)
                    now_us = until_us
                    with Board.open(virtual.port, virtual.clock) as host:
                        uid = host.hello.uid
                        host.pull(store)
                    if not pulls:
                        cut_us = now_us
                virtual.run(now_us, cut_us)
            boots.append((boot_us, cut_us))
            now_us = max(back_us, cut_us)
            if not pulls:
                break
    return Deployment(field, boots, [], folder / "store.sqlite", uid)


@dataclass(frozen=True)
class Held:
    """How the claims of a clock model held: everything every ten minutes of every boot.

    told: share of the time that the model tells; error_s and half_s of that.
    """

    told: float
    error_s: np.ndarray
    half_s: np.ndarray

    @property
    def coverage(self) -> float:
        return float((self.error_s <= self.half_s).mean())

    def claimed(self, limit_s: float) -> np.ndarray:
        return self.half_s <= limit_s


def held(done: Deployment, clock: ClockModel) -> Held:
    errors, halves = [], []
    total = 0
    for boot, (began, ended) in enumerate(done.boots, 1):
        last_ms = int(done.field.crystal.device_us(np.array([ended]), began)[0]) // 1000
        device_ms = np.arange(0, last_ms, 600_000)
        total += len(device_ms)
        if clock.covers(boot):
            off_us = clock.utc_us(boot, device_ms) - done.true_utc_us(boot, device_ms)
            errors.append(np.abs(off_us) * 1e-6)
            halves.append(1.96 * clock.sigma_s(boot, device_ms))
    error_s = np.concatenate(errors)
    return Held(len(error_s) / total, error_s, np.concatenate(halves))


def unaccounted(done: Deployment, store: Store) -> list[str]:
    """Crossings that were lost although they were older than the commit horizon, and such as
    nobody gave: a line each."""
    logged = store.crossings(done.uid)
    wrong = []
    for boot, given in enumerate(done.given, 1):
        here = logged.boot == boot
        names = ("channel", "threshold", "rise", "device_ms")
        rows = zip(*(getattr(logged, name)[here].tolist() for name in names), strict=True)
        asked = sorted((c, t, bool(r), at) for at, c, t, r in given)
        began, ended = done.boots[boot - 1]
        end_ms = int(done.field.crystal.device_us(np.array([ended]), began)[0]) // 1000
        # A page closes with the first scan after its time has come.
        horizon_ms = end_ms - 1000 * COMMIT_S - _NIGHT_SCAN_US // 1000
        kept = list(rows)
        left = iter(asked)
        for one in sorted(kept):
            for other in left:
                if other[:3] == one[:3] and abs(other[3] - one[3]) <= records.TICK_MS // 2:
                    break
                if other[3] < horizon_ms:
                    wrong.append(f"boot {boot}: lost {other}, next kept {one}")
            else:
                wrong.append(f"boot {boot}: nobody gave {one}")
        wrong += [f"boot {boot}: lost {one}" for one in left if one[3] < horizon_ms]
    return wrong
