"""The virtual dial as a thing with a port: the real firmware fed with computed light.

The firmware runs in a process of its own, under a real MicroPython where there is one.
Its serial line is a pseudo-terminal that any host program can open by name; its light
and its time come through a pipe (see firmware/dialnode/board_virtual.py). Needs a
POSIX system.
"""

from __future__ import annotations

import array
import fcntl
import hashlib
import importlib.util
import json
import os
import pty
import select
import shutil
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from dialbench import firmware
from dialbench.errors import UserError
from dialbench.sky import Sky
from dialbench.virtual import sensors
from dialbench.virtual.clocks import Chip, Crystal, Oscillator
from dialbench.virtual.clouds import SkyLight
from dialbench.virtual.light import LightTable
from dialbench.virtual.truth import Floats, Truth, calibration

HEAP_BYTES = 131072  # what the firmware may use, as a 32-bit board counts it
_BLOCK_S = 600  # light is computed and fed in blocks of this much of the board's time
_LIVE_TICK_S = 0.05

Progress = Callable[[float], None]


@dataclass(frozen=True)
class LogSettings:
    """How the board is told to keep its log: what of config.json is not of the dial.

    storage: "files" on the board's file system, or "flash", a chip of its own. commit_s: no
    record waits longer in memory. lean: only lit fraction 0.50 is logged.
    """

    storage: str = "files"
    lean: bool = False
    commit_s: int = 600
    log_bytes: int = 4 << 20


PLAIN_LOG = LogSettings()


class Shining(Protocol):
    """Tells lit fractions (n, channels) and the light's altitude in degrees (n,) at instants."""

    def at(self, utc_us: NDArray[np.int64]) -> tuple[Floats, Floats]: ...


class Shaft(Protocol):
    """Tells what an encoder on the polar shaft shows: the word of a frame of light (n,)."""

    def words(self, utc_us: NDArray[np.int64]) -> NDArray[np.int64]: ...


class VirtualError(UserError):
    """The virtual board could not be started, or died; one sentence."""


class VirtualClock:
    """The UTC the virtual board lives in: that of the last light it was sent."""

    def __init__(self, start_us: int) -> None:
        self.speed = 0.0  # seconds of the board's time per second; 0 while it stands still
        self._now_us = start_us

    def utc_us(self) -> int:
        return self._now_us

    def advance(self, utc_us: int) -> None:
        self._now_us = utc_us


class VirtualDial:
    """A true dial under a sky, seen through the firmware; a context manager.

    folder stands for the board's flash and outlives the process. start_us is the instant
    (UTC, microseconds) at which it boots. chip: a clock chip for the board to read every
    read_s, its square wave wired up; chip_stood_still: as it will say of itself. crystal:
    what the board counts by, else one that runs as truth says. shining: what lights the channels,
    else the Sun; shaft: an encoder for the board to read; sweep: what its config.json says of a
    sweep. `port` names the serial line, `clock` is the
    time the board lives in.
    """

    def __init__(
        self,
        truth: Truth,
        weather: SkyLight,
        folder: Path,
        start_us: int,
        *,
        seed: int = 1,
        scan_ms: int = 500,
        log: LogSettings = PLAIN_LOG,
        real_micropython: bool = True,
        chip: Chip | None = None,
        crystal: Crystal | None = None,
        chip_stood_still: bool = False,
        read_s: int = 3600,
        shining: Shining | None = None,
        shaft: Shaft | None = None,
        sweep: dict[str, object] | None = None,
    ) -> None:
        self._truth = truth
        self._weather = weather
        self._folder = folder
        self._boot_us = start_us
        self._scan_ms = scan_ms
        self._chip = chip
        self._crystal = crystal or Crystal(Oscillator.steady(start_us, truth.clock_ppm))
        self._chip_bits = (1 if chip else 0) | (2 if chip_stood_still else 0)
        self._read_s = read_s
        self._log = log
        self._calibration = calibration(truth, seed)
        self._noise = np.random.default_rng([seed, 2])
        self._sky = Sky(truth.dial.site)
        self._table: Shining = shining or LightTable(truth, self._sky)
        self._shaft = shaft
        self._sweep = sweep
        self._command = _interpreter() if real_micropython else None
        self._steady = False
        self._began_us = 0  # what the machine's clock is ahead of UTC, where that is steady
        self._stop = threading.Event()
        self._feeder: threading.Thread | None = None
        self.uid = hashlib.sha256(f"{truth.dial.hash} {seed}".encode()).hexdigest()[:16]
        self.clock = VirtualClock(start_us)
        self.port = ""

    @property
    def real_micropython(self) -> bool:
        """Whether the firmware runs under MicroPython; else the same files run on CPython."""
        return self._command is not None

    @property
    def alive(self) -> bool:
        """Whether the firmware runs."""
        return self._process.poll() is None

    @property
    def released(self) -> bool:
        """Whether the firmware has ended as where a host asked for the board's prompt."""
        return self._process.poll() == 0

    def wait(self, timeout_s: float) -> None:
        """Until the firmware has ended by itself. Raises VirtualError if it does not."""
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise VirtualError("the virtual board still runs") from None

    def __enter__(self) -> Self:
        self._folder.mkdir(parents=True, exist_ok=True)
        self._lock = (self._folder / "lock").open("w")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._lock.close()
            raise VirtualError(
                f"another virtual dial runs in {self._folder}: stop it, or keep this one elsewhere"
            ) from None
        (self._folder / "uid").write_text(self.uid, encoding="utf-8")
        (self._folder / "config.json").write_text(json.dumps(self._config()), encoding="utf-8")
        board_end, host_end = pty.openpty()
        light_out, light_in = os.pipe()
        for end in (board_end, light_out):
            os.set_blocking(end, False)
        tty.setraw(host_end)
        path = os.pathsep.join(str(folder) for folder in firmware.source_folders())
        self._process = subprocess.Popen(
            [*(self._command or [sys.executable]), str(firmware.main_file())]
            + [str(self._folder), str(light_out)],
            stdin=board_end,
            stdout=board_end,
            pass_fds=(light_out,),
            env={**os.environ, "MICROPYPATH": f"{path}:.frozen", "PYTHONPATH": path},
        )
        os.close(board_end)
        os.close(light_out)
        self._light = light_in
        # Held open, so that the board sees a line even while no host has it.
        self._host_end = host_end
        self.port = os.ttyname(host_end)
        return self

    def __exit__(self, *_: object) -> None:
        self.cut_power()

    def cut_power(self) -> None:
        """End the light and with it the process; the folder keeps what was written."""
        self._stop.set()
        if self._feeder is not None:
            self._feeder.join()
        os.close(self._light)
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._host_end)
        self._lock.close()

    def run(self, start_us: int, end_us: int, progress: Progress | None = None) -> None:
        """Let the board live from start_us to end_us, as fast as it takes the light.

        Returns when the board has taken all of it. progress is told the share done.
        """
        step = _BLOCK_S * 1_000_000
        for block in range(start_us, end_us, step):
            self._feed(block, min(block + step, end_us))
            if progress is not None:
                progress(min(1.0, (block + step - start_us) / (end_us - start_us)))
        self._wait_until_taken()

    def start(self, start_us: int, speed: float = 1.0, steady: bool = False) -> None:
        """Let the board live on by itself from start_us, speed times as fast as the clock.

        Its count moves scan by scan, as `clock` does; steady: it runs on between them, as a
        host that goes by the computer's own clock needs it. Only at speed 1.
        """
        self._steady = steady and speed == 1
        self.clock.advance(start_us)
        self.clock.speed = speed
        self._feeder = threading.Thread(
            target=self._live, args=(start_us, speed), name="light", daemon=True
        )
        self._feeder.start()

    def _live(self, start_us: int, speed: float) -> None:
        began = time.monotonic()
        done = start_us
        period = self._scan_ms * 1000
        wait_s = _LIVE_TICK_S
        self._began_us = int(began * 1e6) - start_us
        while not self._stop.wait(wait_s):
            now = start_us + int((time.monotonic() - began) * speed * 1e6)
            end = start_us + (now - start_us) // period * period
            if end > done:
                try:
                    self._feed(done, end)
                except VirtualError:
                    return  # the host learns it from the line
                done = end
            due_s = began + (done + period - start_us) / (speed * 1e6) - time.monotonic()
            wait_s = min(max(due_s, 0.001), _LIVE_TICK_S)

    def _feed(self, start_us: int, end_us: int) -> None:
        period = self._scan_ms * 1000
        instants = np.arange(start_us + period, end_us + 1, period, dtype=np.int64)
        if len(instants):
            self._write(self.frames(instants))
            self.clock.advance(int(instants[-1]))

    def frames(self, utc_us: NDArray[np.int64]) -> NDArray[np.uint16]:
        """What the board is sent at each instant; shape (n, 11 + channels)."""
        light, altitude_deg = self._table.at(utc_us)
        direct, diffuse = self._weather.irradiance(utc_us, altitude_deg)
        counts = sensors.counts(self._truth, light, direct, diffuse, self._noise)
        ticks = self._crystal.device_us(utc_us, self._boot_us) // 1000 & 0x3FFFFFFF
        machine_ms = (utc_us + self._began_us) // 1000 & 0x3FFFFFFF
        shown_us = self._chip.shows_us(utc_us) if self._chip else np.zeros_like(utc_us)
        seconds, part_us = np.divmod(shown_us, 1_000_000)
        words = (
            ticks & 0xFFFF,
            ticks >> 16,
            seconds & 0xFFFF,
            seconds >> 16,
            part_us // 1000,
            np.full_like(utc_us, self._chip_bits | (4 if self._steady else 0)),
            machine_ms & 0xFFFF,
            machine_ms >> 16,
            self._shaft.words(utc_us) if self._shaft else np.zeros_like(utc_us),
        )
        head = np.stack(words, axis=1).astype("<u2")
        return np.concatenate((head, counts.astype("<u2")), axis=1)

    def _write(self, frames: NDArray[np.uint16]) -> None:
        # A pipe takes up to PIPE_BUF bytes whole or not at all: the board, which never
        # waits for the rest of a frame, then never sees half of one.
        whole = select.PIPE_BUF // frames[0].nbytes
        for at in range(0, len(frames), whole):
            try:
                os.write(self._light, frames[at : at + whole].tobytes())
            except OSError as error:
                raise VirtualError(
                    f"the virtual board's process ended by itself ({self._process.poll()})"
                ) from error

    def _wait_until_taken(self) -> None:
        waiting = array.array("i", [1])
        while self._process.poll() is None:
            fcntl.ioctl(self._light, termios.FIONREAD, waiting)
            if not waiting[0]:
                return
            time.sleep(0.001)
        raise VirtualError("the virtual board's process ended by itself")

    def _config(self) -> dict[str, object]:
        told = self._calibration
        clocks = {"rtc": "ds3231", "rtc_s": self._read_s, "tick": "rtc"} if self._chip else {}
        sweep = {} if self._sweep is None else {"sweep": self._sweep}
        return (
            clocks
            | sweep
            | {
                "dial_hash": self._truth.dial.hash,
                "scan_ms": self._scan_ms,
                "commit_s": self._log.commit_s,
                "log_bytes": self._log.log_bytes,
                "storage": self._log.storage,
                "lean": self._log.lean,
                "dark": list(told.dark),
                "scale": list(told.scale),
                "sky_dark": told.sky_dark,
                "shade_dark": told.shade_dark,
                "shade_q10": told.shade_q10,
                "gate_on": told.gate_on,
                "gate_off": told.gate_off,
            }
        )


def _interpreter() -> list[str] | None:
    """The command that runs MicroPython within the board's memory; None if there is none."""
    limit = ["-X", f"heapsize={HEAP_BYTES // 1024}wK"]
    if importlib.util.find_spec("micropython_module") is not None:
        # `-m micropython` would swallow the exit status.
        start = "import micropython, sys; sys.exit(micropython.main())"
        return [sys.executable, "-c", start, *limit]
    found = shutil.which("micropython")
    return [found, *limit] if found else None
