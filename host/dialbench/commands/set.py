"""dialbench set"""

from __future__ import annotations

import json
import queue
import sys
import tempfile
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands import options, screen
from dialbench.commands.virtualsource import VIRTUAL_START, virtual_source
from dialbench.dial import Dial
from dialbench.errors import UserError, inert
from dialbench.placing.first import CAUTIONS, First, first
from dialbench.placing.guide import GOAL_DEG, Guidance, zone_clock
from dialbench.placing.later import Later, later
from dialbench.placing.setter import Setter
from dialbench.sky import Sky
from dialbench.solve import stand
from dialbench.watch.feed import Feed, Source
from dialbench.watch.setting.guided import guided

SCHEMA = "dialbench.set/1"
_ONLY_VIRTUAL = {
    "at": "at",
    "speed": "speed",
    "turned": "turned",
    "cloudy": "clouds",
    "seed": "seed",
}
_ONLY_LISTENING = {"seconds": "for", "goal_deg": "goal"}


@click.command("set")
@click.argument("port", required=False)
@click.option("--virtual", is_flag=True, help="A virtual dial instead of a port.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial.  [without a PORT: the demo dial]",
)
@click.option(
    "--on",
    type=click.DateTime(("%Y-%m-%d",)),
    help="The day of first placing, such as 2027-04-16.  [default: today, UTC]",
)
@click.option(
    "--feet", help='East and north of the three feet: "p,y p,y p,y" as base.csv has them.'
)
@click.option(
    "--goal",
    "goal_deg",
    type=options.Finite(0.02, 5),
    default=GOAL_DEG,
    show_default=True,
    metavar="DEG",
    help="How well the dial is to stand in what the Sun tells.",
)
@click.option(
    "--for",
    "seconds",
    type=options.Finite(0.1, 1e7),
    metavar="SECONDS",
    help="Listen for so long.  [default: until interrupted; with --json: 10]",
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
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.set/1" object at the end.')
def command(
    port: str | None,
    virtual: bool,
    dial_path: Path | None,
    on: datetime | None,
    feet: str | None,
    goal_deg: float,
    seconds: float | None,
    at: datetime | None,
    speed: float,
    turned: float,
    cloudy: bool,
    seed: int,
    as_json: bool,
) -> None:
    """Set a dial up: first by compass, level and shadow, then by what its own face shows.

    Without a PORT, the steps of first placing. With the serial PORT of its board, or with
    --virtual, what to do next, whenever that changes: turn the base, raise or lower a foot, or
    wait. Press Enter when you have done it. Never look at the Sun.
    """
    listens = virtual or port is not None
    _check(virtual, port, dial_path)
    dial = dialfile.load(dial_path) if dial_path else dialfile.demo()
    sky = Sky(dial.site)
    if not listens:
        day = (on or datetime.now(UTC)).date()
        _first(dial, first(dial, sky, day), as_json)
        return
    standing = stand.listed(feet, dial.site.hemisphere) if feet else stand.footprint(dial)
    setter = Setter(dial, sky, standing, goal_deg)
    if as_json and seconds is None:
        seconds = 10.0
    with tempfile.TemporaryDirectory(prefix="dialbench-") as scratch:
        store_path = Path(scratch) / "store.sqlite"  # what is heard here is kept nowhere
        if virtual:
            begin = at.replace(tzinfo=UTC) if at else VIRTUAL_START
            with virtual_source(dial, Path(scratch), begin, speed, turned, cloudy, seed) as source:
                _guide(source, dial, sky, setter, store_path, seconds, as_json)
        else:
            source = Source(str(port), SystemClock())
            _guide(source, dial, sky, setter, store_path, seconds, as_json)


def _check(virtual: bool, port: str | None, dial_path: Path | None) -> None:
    """Raises UserError for options that do not go together."""
    context = click.get_current_context()

    def given(name: str) -> bool:
        return context.get_parameter_source(name) is not ParameterSource.DEFAULT

    if virtual and port is not None:
        raise UserError("set takes either a PORT or --virtual")
    if port is not None and dial_path is None:
        raise UserError("set PORT needs --dial: the dial.toml of the dial the board sits in")
    for name, shown in _ONLY_VIRTUAL.items():
        if not virtual and given(name):
            raise UserError(f"--{shown} goes with --virtual")
    if virtual or port is not None:
        if given("on"):
            raise UserError("--on goes with first placing: leave out the PORT or --virtual")
        return
    for name, shown in _ONLY_LISTENING.items():
        if given(name):
            raise UserError(f"--{shown} goes with a PORT or --virtual")


def _first(dial: Dial, told: First, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(_object(dial, first=told.as_dict(), sentences=told.steps())))
        return
    for caution in CAUTIONS:
        screen.say(caution)
    for number, step in enumerate(told.steps(), 1):
        screen.say(f"{number}. {step}")


def _guide(
    source: Source,
    dial: Dial,
    sky: Sky,
    setter: Setter,
    store_path: Path,
    seconds: float | None,
    as_json: bool,
) -> None:
    screen.note(CAUTIONS[0])
    said: tuple[object, ...] | None = None
    last: Guidance | None = None
    looks = 0
    feed = Feed(source, dial, store_path)
    try:
        for last in guided(feed, dial, setter, seconds, _enter(as_json), screen.note):
            looks += 1
            key = _key(last)
            if not as_json and key != said:
                said = key
                click.echo(
                    f"{zone_clock(dial.site, last.utc_us)}  {last.state:6}"
                    f"  {inert(' '.join(last.sentences(dial.site)))}"
                )
    except KeyboardInterrupt:
        if seconds is not None:
            raise
    if last is None:
        raise UserError(f"the board at {source.port} sent no looks: is it still starting?")
    ahead = later(dial, sky, last.utc_us)
    if as_json:
        sentences = [*last.sentences(dial.site), ahead.sentence]
        told = _object(dial, guidance=last.as_dict(), later=ahead, sentences=sentences, looks=looks)
        click.echo(json.dumps(told))
    else:
        screen.say(ahead.sentence)


def _object(
    dial: Dial,
    sentences: list[str],
    first: dict[str, Any] | None = None,
    guidance: dict[str, Any] | None = None,
    later: Later | None = None,
    looks: int = 0,
) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "dial": {"name": dial.name, "hash": dial.hash, "site": dial.site.name},
        "first": first,
        "looks": looks,
        "guidance": guidance,
        "later": later and later.as_dict(),
        "sentences": sentences,
        "cautions": list(CAUTIONS),
    }


def _key(told: Guidance) -> tuple[object, ...]:
    """What has to change for a new line to be worth it."""
    action = told.action if told.state == "act" else None
    shown = action and (action.foot, action.way, f"{action.amount:.1f}")
    return told.state, shown, told.moved_us


def _enter(quiet: bool) -> Callable[[], bool]:
    """Tells whether Enter was pressed since it was last asked."""
    pressed: queue.SimpleQueue[None] = queue.SimpleQueue()
    if quiet or not sys.stdin.isatty():
        return lambda: False

    def wait() -> None:
        while sys.stdin.readline():
            pressed.put(None)

    threading.Thread(target=wait, name="enter", daemon=True).start()

    def asked() -> bool:
        found = not pressed.empty()
        while not pressed.empty():
            pressed.get()
        return found

    return asked
