"""dialbench sweep"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import Any

import click

from dialbench import dialfile, whole
from dialbench.aperture import rehearsal
from dialbench.aperture import sweep as sweeps
from dialbench.aperture.bench import LiveBench
from dialbench.aperture.live import Workshop, trace
from dialbench.clock import SystemClock
from dialbench.commands import options, screen
from dialbench.dial import Dial
from dialbench.errors import UserError, inert
from dialbench.link.client import Clock

_VIRTUAL_US = 1_807_963_200_000_000  # 2027-04-17T12:00Z
_SCAN_MS = 50
_LINE_S = 0.5
_SAVED_AT = 1.5  # so much more than was saved, and it is saved anew


@click.command("sweep")
@click.argument("port", required=False)
@click.option("--dial", "dial_path", type=click.Path(path_type=Path), help="The dial.toml.")
@options.bench
@click.option(
    "--out",
    "out_path",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="Where the trace goes, for dialbench aperture.",
)
@click.option(
    "--for",
    "seconds",
    type=options.Finite(0, 86400, min_open=True),
    metavar="SECONDS",
    help="How long to trace.  [default: until Ctrl-C; with --virtual: there and back once]",
)
@click.option(
    "--virtual",
    is_flag=True,
    help="No PORT: a virtual board on a stage that turns a dial made with errors.",
)
@click.option(
    "--turn",
    "deg_per_s",
    type=options.Finite(0.01, 90),
    default=2.0,
    show_default=True,
    metavar="DEG/S",
    help="With --virtual: how fast its stage turns.",
)
@click.option(
    "--speed",
    type=options.Finite(0.1, 20),
    default=1.0,
    show_default=True,
    help="With --virtual: how many times as fast as the clock.",
)
@click.option("--rays", type=click.IntRange(16, 4096), default=256, hidden=True)
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.sweep/1" object.')
def command(
    port: str | None,
    dial_path: Path | None,
    light: options.BenchLight,
    out_path: Path | None,
    seconds: float | None,
    virtual: bool,
    deg_per_s: float,
    speed: float,
    rays: int,
    seed: int,
    as_json: bool,
) -> None:
    """Trace a dial on the bench as its shaft turns, and say which channels still need a pass.

    PORT is that of a board with an encoder on the shaft, or without one under the Sun. Turn by
    hand or by a stage, slowly, both ways. The trace so far is written into CSV as it grows,
    always whole, and at the end, whatever ends it.

    Never look into the lamp or at the Sun, through a bore or otherwise; never use a laser or an
    ultraviolet lamp. Lamps get hot enough to burn and to scorch prints; keep fingers, hair and
    sleeves off a stage that moves.
    """
    if virtual == (port is not None):
        raise UserError("sweep needs either a PORT or --virtual")
    if dial_path is None:
        raise UserError("name the dial with --dial")
    dial = dialfile.load(dial_path)
    bench = LiveBench(light.before(dial))
    if out_path is not None and not out_path.parent.is_dir():
        raise UserError(f"--out {out_path}: there is no folder {out_path.parent}")
    # Told now: once looks have come, an end for this would cost them.
    if out_path is not None and (out_path.is_dir() or not os.access(out_path.parent, os.W_OK)):
        raise UserError(f"--out {out_path}: no file can be written there: choose another place")
    if not virtual:
        _traced(bench, str(port), SystemClock(), seconds, out_path)
        _show(bench, dial, None, as_json)
        return
    if light.distance_mm is None:
        raise UserError("--virtual goes with --distance: its stage turns before a lamp")
    with _board(dial, light, deg_per_s, speed, rays, seed) as (name, clock, real, whole_s):
        _traced(bench, name, clock, seconds or whole_s, out_path)
    _show(bench, dial, real, as_json)


@contextmanager
def _board(
    dial: Dial, light: options.BenchLight, deg_per_s: float, speed: float, rays: int, seed: int
) -> Iterator[tuple[str, Clock, Dial, float]]:
    """A virtual board on a stage: its port and clock, the dial as it really is, and how long its
    stage takes there and back."""
    import numpy as np

    from dialbench.virtual.bench import Lamp
    from dialbench.virtual.process import VirtualDial

    bench = rehearsal.Bench(light.distance_mm, light.diameter_mm, light.height_mm, rays=rays)
    real = rehearsal.made(dial, np.random.default_rng(seed))
    with screen.progress() as step:
        truth, stage = rehearsal.staged(
            real, bench, seed, _VIRTUAL_US, deg_per_s, lambda done: step("tracing rays", done)
        )
    with (
        tempfile.TemporaryDirectory(prefix="dialbench-") as scratch,
        VirtualDial(
            replace(truth, dial=dial),  # the board knows the dial as drawn
            Lamp(),
            Path(scratch) / "board",
            _VIRTUAL_US - 1_000_000,
            seed=seed,
            scan_ms=_SCAN_MS,
            shining=stage,
            shaft=stage,
            sweep={"encoder": "as5600"},
        ) as board,
    ):
        if not board.real_micropython:
            screen.note(screen.NO_MICROPYTHON)
        board.run(_VIRTUAL_US - 1_000_000, _VIRTUAL_US)
        board.start(_VIRTUAL_US, speed)
        yield board.port, board.clock, real, stage.sweep_s / speed


def _traced(
    bench: LiveBench, port: str, clock: Clock, seconds: float | None, out_path: Path | None
) -> None:
    """Trace, save and work out, until the time is up or somebody ends it; then all of it once
    more, and whole."""
    workshop = Workshop(bench)
    kept = Kept(bench, out_path)
    line = _Line(bench)

    def turned() -> None:
        workshop.turn()
        kept.grown()
        line.told()

    try:
        try:
            with _ending(), suppress(KeyboardInterrupt):
                trace(bench, port, clock, screen.note, seconds, turned)
        finally:
            line.end()
            kept.save()
        workshop.end(finish=True)
    except BaseException:  # also of a board that is refused: nobody waits for the work then
        workshop.end(finish=False)
        raise


class Kept:
    """The trace's file: saved anew, whole, each time there is half as much again to save."""

    def __init__(self, bench: LiveBench, path: Path | None) -> None:
        self._bench, self._path = bench, path
        self._saved = 0

    def grown(self) -> None:
        if len(self._bench.tracing) > max(_SAVED_AT * self._saved, 100):
            self.save()

    def save(self) -> None:
        tracing = self._bench.tracing
        if self._path is None or len(tracing) == self._saved:
            return
        try:
            whole.write(self._path, sweeps.text(tracing.sweep()))
        except OSError as wrong:
            raise UserError(
                f"{self._path} cannot be written ({inert(wrong.strerror or str(wrong))}): choose"
                " another place with --out"
            ) from None
        self._saved = len(tracing)


class _Line:
    """One line on stderr, where that is a terminal: where the shaft stands, what is missing."""

    def __init__(self, bench: LiveBench) -> None:
        self._bench = bench
        self._shown = sys.stderr.isatty()
        self._last = ""
        self._due_s = 0.0

    def told(self) -> None:
        bench, now_s = self._bench, time.monotonic()
        if not self._shown or bench.shaft is None or now_s < self._due_s:
            return
        self._due_s = now_s + _LINE_S
        angle = bench.shaft.angle_deg
        text = "" if angle is None else f"{angle:7.2f} deg"
        text += f"  {len(bench.tracing)} looks"
        if bench.shaft.trouble:
            text += f"  {bench.shaft.trouble}"
        elif bench.found is not None and bench.found.apertures is not None:
            text += f"  {len(bench.waiting())} channels need a pass"
        if text != self._last:
            self._last = text
            click.echo(f"\r{text[:78]:78}", nl=False, err=True)

    def end(self) -> None:
        if self._last:
            click.echo(err=True)


@contextmanager
def _ending() -> Iterator[None]:
    """A request to end (SIGTERM) is met as Ctrl-C is."""

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _show(bench: LiveBench, dial: Dial, real: Dial | None, as_json: bool) -> None:
    found = bench.found.apertures if bench.found else None
    trial = None if real is None or found is None else rehearsal.held_against(found, real)
    if as_json:
        facts: dict[str, Any] = bench.as_dict()
        if trial is not None:
            facts["virtual"] = trial
        click.echo(json.dumps(facts, allow_nan=False))
        return
    counts = bench.tracing.counts
    screen.table(
        f"{dial.name}: the bench",
        [("looks kept", str(counts.kept)), *(found.rows() if found else [])],
    )
    screen.columns(bench.table())
    for sentence in bench.sentences():
        screen.say(sentence)
