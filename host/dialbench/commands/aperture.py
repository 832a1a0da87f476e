"""dialbench aperture"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np

from dialbench import dialfile
from dialbench.aperture import (
    Apertures,
    Sweep,
    SweepError,
    rehearsal,
)
from dialbench.aperture import (
    sweep as sweeps,
)
from dialbench.commands import options, screen
from dialbench.commands.storefile import chosen_board, is_store, looked_at
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.store import Store
from dialcore import records


@click.command("aperture")
@click.argument("sweep_path", metavar="[SWEEP]", required=False, type=click.Path(path_type=Path))
@click.option("--dial", "dial_path", type=click.Path(path_type=Path), help="The dial.toml.")
@options.bench
@click.option("--board", "uid", help="Which board, where SWEEP is a store of several.")
@click.option("--boot", type=click.IntRange(0), help="Which of its boots.  [default: the last]")
@click.option(
    "--virtual",
    is_flag=True,
    help="No SWEEP: make the dial with errors, sweep it before rays, and say what was found.",
)
@click.option("--noise", type=options.Finite(0, 0.5), default=0.01, show_default=True, hidden=True)
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.aperture/1" object.')
def command(
    sweep_path: Path | None,
    dial_path: Path | None,
    light: options.BenchLight,
    uid: str | None,
    boot: int | None,
    virtual: bool,
    noise: float,
    seed: int,
    as_json: bool,
) -> None:
    """How wide each bore came out and where it points, from a sweep on the bench.

    SWEEP is a CSV file (columns angle_deg,channel,level and maybe utc,height_mm; under the Sun
    utc,channel,level and maybe angle_deg), or a store that a board with an encoder logged into.
    The body turns on its polar shaft before a lamp, or under the Sun.

    Never look into the lamp or at the Sun, through a bore or otherwise; never use a laser or an
    ultraviolet lamp. Lamps get hot enough to burn and to scorch prints; keep fingers, hair and
    sleeves off a stage that moves.
    """
    if (sweep_path is None) != virtual:
        raise UserError("name the sweep's file, or say --virtual, but not both")
    with screen.progress() as step:
        working = _told("fitting", step)
        real: Dial | None = None
        if virtual:
            dial = _needed(dial_path)
            setting = light.before(dial)
            bench = rehearsal.Bench(light.distance_mm, light.diameter_mm, light.height_mm, noise)
            rng = np.random.default_rng(seed)
            real = rehearsal.made(dial, rng)
            sweep, _ = rehearsal.swept(real, bench, rng, _told("tracing rays", step))
        else:
            assert sweep_path is not None
            dial, sweep = _read(sweep_path, dial_path, light.is_sun, uid, boot)
            setting = light.before(dial)
        found = setting.apertures(sweep, working)
    _show(found, dial, real, as_json)


def _show(found: Apertures, dial: Dial, real: Dial | None, as_json: bool) -> None:
    trial = None if real is None else rehearsal.held_against(found, real)
    if as_json:
        facts = found.as_dict()
        click.echo(
            json.dumps(facts if trial is None else {**facts, "virtual": trial}, allow_nan=False)
        )
        return
    screen.table(f"{dial.name}: the bench", found.rows())
    screen.columns(found.table())
    for sentence in found.sentences():
        screen.say(sentence)
    if trial is not None:
        for name, one in trial.items():
            screen.say(
                f"Of {one['told']} bores' {name}, {one['within_95']} lie within the 95% interval;"
                f" off by {one['rms']:.4f} rms."
            )


def _told(what: str, step: Callable[..., None]) -> Callable[[float], None]:
    return lambda share: step(what, share)


def _needed(dial_path: Path | None) -> Dial:
    if dial_path is None:
        raise UserError("name the dial with --dial")
    return dialfile.load(dial_path)


def _read(
    path: Path, dial_path: Path | None, is_sun: bool, uid: str | None, boot: int | None
) -> tuple[Dial, Sweep]:
    """The sweep of a file, whatever kind it is, and its dial."""
    if not is_store(path):
        dial = _needed(dial_path)
        return dial, sweeps.load(path, len(dial.channels), is_sun)
    with looked_at(path) as store:
        board = chosen_board(store, path, uid)
        if dial_path is not None:
            dial = dialfile.load(dial_path)
        elif board.dial_toml is not None:
            dial = dialfile.parse(board.dial_toml, f"dial of board {board.uid}")
        else:
            raise UserError(f"{path} does not know the dial of its board: name it with --dial")
        readings = list(_readings(store, board.uid, boot, is_sun, len(dial.channels)))
    return dial, sweeps.of_board(readings)


def _readings(
    store: Store, uid: str, boot: int | None, is_sun: bool, channels: int
) -> Iterator[tuple[int, float | None, int, Any]]:
    """What one boot of a board swept; its own milliseconds count where no clock is needed."""
    events = store.events(uid, records.SWEEP)
    boots = sorted({event.boot for event in events})
    if boot is not None and boot not in boots:
        raise SweepError(
            f"--boot {boot}: the log holds sweeps of boots"
            f" {', '.join(str(one) for one in boots) or 'none'}"
        )
    events = [event for event in events if event.boot == (boots[-1] if boot is None else boot)]
    device_ms = [event.device_ms for event in events]
    times_us = [1000 * at for at in device_ms]
    if is_sun and events:
        clock = store.clock(uid)
        if not clock.covers(events[0].boot):
            raise SweepError(
                f"the times of boot {events[0].boot} are not known: a host must have talked to"
                " the board in it"
            )
        times_us = clock.utc_us(events[0].boot, device_ms).tolist()
    for event, at_us in zip(events, times_us, strict=True):
        try:
            angle, state, first, levels = records.unpack_sweep(event.payload)
        except ValueError:
            continue  # it stays among the events, and says nothing
        if state & (records.NO_MAGNET | records.SILENT) or first + len(levels) > channels:
            continue
        turned = None if state & records.UNTURNED else angle * 360 / 65536
        yield at_us, turned, first, np.array(levels, np.int64)
