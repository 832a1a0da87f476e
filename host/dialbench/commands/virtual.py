"""dialbench virtual"""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands import screen
from dialbench.dial import Dial
from dialbench.virtual import clouds
from dialbench.virtual.process import VirtualDial, VirtualError
from dialbench.virtual.truth import Truth

SCHEMA = "dialbench.virtual/1"
_SCAN_MS = 100


def in_daylight(utc_us: int) -> Dial:
    """The demo dial, set up at the longitude where it is mid-morning at utc_us."""
    dial = dialfile.demo()
    day_h = utc_us / 3.6e9 % 24
    longitude_deg = ((10.0 - day_h) * 15 + 180) % 360 - 180
    hours = round(longitude_deg / 15)
    site = replace(
        dial.site,
        longitude_deg=round(longitude_deg, 4),
        zone=f"{'-' if hours < 0 else '+'}{abs(hours):02}:00",
    )
    return dialfile.placed(dialfile.DEMO, site)


@click.command("virtual")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="A dial.toml.  [default: the demo dial, moved to where it is morning now]",
)
@click.option("--clouds", "cloudy", is_flag=True, help="An invented cloudy sky.")
@click.option("--turned", type=click.FloatRange(-15, 15), default=0.0, metavar="DEG")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("dialbench-virtual"),
    show_default=True,
    help="The board's flash and dial.toml; used again if it is there.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.virtual/1" object.')
def command(
    dial_path: Path | None, cloudy: bool, turned: float, seed: int, keep: Path, as_json: bool
) -> None:
    """Run a virtual dial in real time on a serial port of its own, until Ctrl-C.

    Any other command can use the port it names as if a real board sat there.
    """
    clock = SystemClock()
    now_us = clock.utc_us()
    dial = dialfile.load(dial_path) if dial_path else in_daylight(now_us)
    keep.mkdir(parents=True, exist_ok=True)
    toml = keep / "dial.toml"
    toml.write_text(dialfile.dump(dial))
    sky_light = clouds.Invented(seed) if cloudy else clouds.Clear()
    truth = Truth.draw(dial, seed, turned)
    with VirtualDial(
        truth, sky_light, keep / "board", now_us, seed=seed, scan_ms=_SCAN_MS
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
            click.echo(f"{dial.name} at {dial.site.name} on {board.port}, until Ctrl-C. Try:")
            click.echo(f"  dialbench watch {board.port} --dial {toml}")
        if not board.real_micropython:
            screen.note("no MicroPython for this machine: the firmware runs on CPython instead")
        board.start(now_us)
        try:
            while board.alive:
                time.sleep(0.2)
        except KeyboardInterrupt:
            return
    raise VirtualError("the virtual board's process ended by itself")
