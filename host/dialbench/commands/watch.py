"""dialbench watch"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import click
from click.core import ParameterSource

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands import options, screen
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.sky import to_us
from dialbench.virtual import clouds
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth
from dialbench.watch import once, run
from dialbench.watch.feed import Source

# Mid-morning on Gannet Holm, a few minutes before a step ends.
VIRTUAL_START = datetime(2027, 4, 16, 11, 10, tzinfo=UTC)
_SETTLE_S = 2  # of the virtual dial's time before the first look
_FAST_SCAN_MS = 1000
_SCAN_MS = 100


@contextmanager
def virtual_source(
    dial: Dial, folder: Path, at: datetime, speed: float, turned: float, cloudy: bool, seed: int
) -> Iterator[Source]:
    """A virtual dial that lives from an instant on, so many times as fast as the clock."""
    start_us = to_us(at)
    scan_ms = _SCAN_MS if speed <= 10 else _FAST_SCAN_MS
    sky_light = clouds.Invented(seed) if cloudy else clouds.Clear()
    with VirtualDial(
        Truth.draw(dial, seed, turned),
        sky_light,
        folder / "board",
        start_us,
        seed=seed,
        scan_ms=scan_ms,
    ) as board:
        if not board.real_micropython:
            screen.note(screen.NO_MICROPYTHON)
        ready_us = start_us + _SETTLE_S * 1_000_000
        board.run(start_us, ready_us)
        board.start(ready_us, speed)
        yield Source(board.port, board.clock)


@click.command("watch")
@click.argument("port", required=False)
@click.option("--virtual", is_flag=True, help="A virtual dial instead of a port.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial.  [with --virtual: the demo dial]",
)
@click.option(
    "--store",
    "store_path",
    type=click.Path(path_type=Path),
    help="Where pulls go.  [default: dialbench.sqlite; with --virtual: nowhere that stays]",
)
@click.option(
    "--at",
    type=click.DateTime(("%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%dT%H:%MZ")),
    help="With --virtual: the UTC at which to begin, such as 2027-04-16T11:10Z.",
)
@click.option(
    "--speed",
    type=options.Finite(0.1, 600),
    default=1.0,
    show_default=True,
    help="With --virtual: how many times as fast as the clock.",
)
@options.truth
@click.option("--once", "only_once", is_flag=True, help="One look as plain text, then end.")
@click.option("--json", "as_json", is_flag=True, help='One look as a "dialbench.watch/1" object.')
def command(
    port: str | None,
    virtual: bool,
    dial_path: Path | None,
    store_path: Path | None,
    at: datetime | None,
    speed: float,
    turned: float,
    cloudy: bool,
    seed: int,
    only_once: bool,
    as_json: bool,
) -> None:
    """Show a dial's face live: lit and unlit, as measured against as predicted.

    Give the serial PORT of a board, or --virtual.
    """
    context = click.get_current_context()
    if not virtual:
        for name in ("at", "speed", "turned", "cloudy", "seed"):
            if context.get_parameter_source(name) is not ParameterSource.DEFAULT:
                raise UserError(f"--{'clouds' if name == 'cloudy' else name} goes with --virtual")
    if virtual == (port is not None):
        raise UserError("watch needs either a PORT or --virtual")
    if not virtual and dial_path is None:
        raise UserError("watch PORT needs --dial: the dial.toml of the dial the board sits in")
    dial = dialfile.load(dial_path) if dial_path else dialfile.demo()
    with tempfile.TemporaryDirectory(prefix="dialbench-") as scratch:
        if virtual:
            store_path = store_path or Path(scratch) / "store.sqlite"
            begin = at.replace(tzinfo=UTC) if at else VIRTUAL_START
            with virtual_source(dial, Path(scratch), begin, speed, turned, cloudy, seed) as source:
                _show(source, dial, store_path, only_once, as_json)
        else:
            store_path = store_path or Path("dialbench.sqlite")
            if (only_once or as_json) and not store_path.exists():
                store_path = Path(scratch) / "store.sqlite"  # a look leaves nothing behind
            _show(Source(str(port), SystemClock()), dial, store_path, only_once, as_json)


def _show(source: Source, dial: Dial, store_path: Path, only_once: bool, as_json: bool) -> None:
    if as_json or only_once:
        live = run.once(source, dial, store_path)
        click.echo(json.dumps(once.snapshot(live)) if as_json else once.plain(live))
    else:
        run.run(source, dial, store_path)
