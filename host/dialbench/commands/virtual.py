"""dialbench virtual"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

import click

from dialbench import demo, dialfile
from dialbench.clock import SystemClock
from dialbench.commands import options, screen
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.virtual import clouds
from dialbench.virtual.process import LogSettings, VirtualDial, VirtualError
from dialbench.virtual.truth import Truth

SCHEMA = "dialbench.virtual/1"
_SCAN_MS = 100


@click.command("virtual")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="A dial.toml.  [default: the demo dial, moved to where it is morning now]",
)
@options.truth
@options.log
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where the board's flash and its dial.toml outlive it; goes on with what is there.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.virtual/1" object.')
def command(
    dial_path: Path | None,
    cloudy: bool,
    turned: float,
    seed: int,
    storage: str,
    lean: bool,
    keep: Path | None,
    as_json: bool,
) -> None:
    """Run a virtual dial in real time on a serial port of its own, until Ctrl-C.

    Any other command can use the port it names as if a real board sat there.
    """
    with tempfile.TemporaryDirectory(prefix="dialbench-") as scratch:
        folder = keep or Path(scratch)
        dial = _dial(dial_path, folder / "dial.toml")
        _same_truth({"seed": seed, "turned_deg": turned}, folder / "truth.json")
        _run(
            dial,
            folder,
            Truth.draw(dial, seed, turned),
            cloudy,
            seed,
            LogSettings(storage, lean),
            as_json,
        )


def _dial(given: Path | None, kept: Path) -> Dial:
    """The dial to run, written down where it is kept."""
    if kept.exists():
        dial = dialfile.load(kept)
        if given is not None and dialfile.load(given).hash != dial.hash:
            raise UserError(f"{kept} is another dial than {given}: keep this one elsewhere")
        return dial
    dial = dialfile.load(given) if given else demo.in_daylight(SystemClock().utc_us())
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text(dialfile.dump(dial), encoding="utf-8")
    return dial


def _same_truth(asked: dict[str, float], kept: Path) -> None:
    """One log, one truth: refuse another than the one kept with the board."""
    if not kept.exists():
        kept.write_text(json.dumps(asked), encoding="utf-8")
        return
    try:
        told = json.loads(kept.read_text(encoding="utf-8"))
    except ValueError:
        raise UserError(
            f"{kept} cannot be read: write {json.dumps(asked)} into it if that is how the board"
            " was made, or keep this one elsewhere"
        ) from None
    if told != asked:
        raise UserError(
            f"the board kept in {kept.parent} was made with another --seed or --turned "
            f"({kept.name} says which): use the same, or keep this one elsewhere"
        )


def _run(
    dial: Dial,
    folder: Path,
    truth: Truth,
    cloudy: bool,
    seed: int,
    log: LogSettings,
    as_json: bool,
) -> None:
    now_us = SystemClock().utc_us()
    toml = folder / "dial.toml"
    sky_light = clouds.Invented(seed) if cloudy else clouds.Clear()
    with VirtualDial(
        truth, sky_light, folder / "board", now_us, seed=seed, scan_ms=_SCAN_MS, log=log
    ) as board:
        facts = {
            "schema": SCHEMA,
            "port": board.port,
            "dial": str(toml),
            "real_micropython": board.real_micropython,
        }
        if as_json:
            click.echo(json.dumps(facts))
        else:
            screen.say(f"{dial.name} at {dial.site.name} on {board.port}, until Ctrl-C. Try:")
            screen.say(f"  dialbench watch {board.port} --dial {toml}")
        if not board.real_micropython:
            screen.note(screen.NO_MICROPYTHON)
        board.start(SystemClock().utc_us(), steady=True)
        try:
            while board.alive:
                time.sleep(0.2)
        except KeyboardInterrupt:
            return
    if not board.released:
        raise VirtualError("the virtual board's process ended by itself")
    screen.note(
        "the board was released, and a virtual board has no prompt: run dialbench virtual anew to"
        " start it; with --keep DIR it goes on with its log"
    )
