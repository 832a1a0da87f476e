"""dialbench watch"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from dialbench.commands import options
from dialbench.commands.virtualsource import VIRTUAL_START, virtual_source
from dialbench.errors import UserError
from dialbench.watch.opening import check_terminal, opening

# What is heavy is loaded behind the first frame.
if TYPE_CHECKING:
    from dialbench.dial import Dial
    from dialbench.watch.feed import Source

_INSTANT = "%Y-%m-%dT%H:%M:%SZ"
_OF_THE_WEB = ("as_json", "in_browser", "web_port", "web_host")
WEB_SCHEMA = "dialbench.web/1"


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
    type=click.DateTime((_INSTANT, "%Y-%m-%dT%H:%MZ")),
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
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help='One look as a "dialbench.watch/1" object; with --web, where it is served as a'
    ' "dialbench.web/1" object.',
)
@click.option("--web", "in_browser", is_flag=True, help="In a browser of this machine.")
@click.option(
    "--web-port",
    type=click.IntRange(0, 65535),
    default=0,
    help="With --web: the port to serve on.  [default: a free one]",
)
@click.option(
    "--web-host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="With --web: another address of this machine, for its network to see and steer.",
)
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
    in_browser: bool,
    web_port: int,
    web_host: str,
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
    if not in_browser:
        for name in ("web_port", "web_host"):
            if context.get_parameter_source(name) is not ParameterSource.DEFAULT:
                raise UserError(f"--{name.replace('_', '-')} goes with --web")
    elif only_once:
        raise UserError("--once is one look on standard output: not with --web")
    if in_browser:
        # What is wrong with files is told here, not to a browser.
        _load(dial_path)
        if store_path is not None and store_path.exists():
            _check_store(store_path)
        _serve(context, web_host, web_port, as_json)
        return

    @contextmanager
    def watched(say: Callable[[str], None]) -> Iterator[tuple[Source, Dial, Path]]:
        """Where the board is, its dial, and the store for its log."""
        say("Reading the dial")
        dial = _load(dial_path)
        with tempfile.TemporaryDirectory(prefix="dialbench-") as scratch:
            passing = Path(scratch) / "store.sqlite"
            if virtual:
                say("Starting the virtual dial")
                begin = at.replace(tzinfo=UTC) if at else VIRTUAL_START
                with virtual_source(
                    dial, Path(scratch), begin, speed, turned, cloudy, seed
                ) as source:
                    yield source, dial, store_path or passing
                return
            from dialbench.clock import SystemClock
            from dialbench.watch.feed import Source

            stays = store_path or Path("dialbench.sqlite")
            if (only_once or as_json) and not stays.exists():
                stays = passing  # a look leaves nothing behind
            yield Source(str(port), SystemClock()), dial, stays

    if only_once or as_json:
        with watched(lambda line: None) as (source, dial, store):
            _look(source, dial, store, as_json)
        return
    with opening() as say, watched(say) as (source, dial, store):
        check_terminal()
        say("Loading the predictions")
        from dialbench.watch import run

        run.run(source, dial, store)


def _load(path: Path | None) -> Dial:
    from dialbench import dialfile

    return dialfile.load(path) if path else dialfile.demo()


def _check_store(path: Path) -> None:
    from dialbench.store import Store

    Store.open(path).close()


def _look(source: Source, dial: Dial, store_path: Path, as_json: bool) -> None:
    from dialbench.watch import once, run

    live = run.once(source, dial, store_path)
    click.echo(json.dumps(once.snapshot(live)) if as_json else once.plain(live))


def _serve(context: click.Context, host: str, port: int, as_json: bool) -> None:
    from dialbench.commands import screen
    from dialbench.watch.web.address import is_loopback, listening, warning
    from dialbench.watch.web.files import served

    address = listening(host)
    if told := warning(address):
        screen.note(told)

    def ready(url: str, port: int) -> None:
        if as_json:
            facts = {"schema": WEB_SCHEMA, "url": url, "address": address, "port": port}
            click.echo(json.dumps({**facts, "loopback": is_loopback(address)}))
        else:
            screen.say(f"Open {url} in a browser; Ctrl-C ends it.")

    pages = served()  # before the server, which needs what is not here then
    from dialbench.watch.web.server import serve

    words = [sys.executable, "-m", "dialbench.cli", "watch", *_given(context)]
    serve(words, pages, address, port, ready)


def _given(context: click.Context) -> list[str]:
    """The arguments of this command again, for the screen itself: without those of --web."""
    words, port = [], []
    for parameter in context.command.params:
        name, value = str(parameter.name), context.params[str(parameter.name)]
        if context.get_parameter_source(name) is ParameterSource.DEFAULT or name in _OF_THE_WEB:
            continue
        if isinstance(parameter, click.Argument):
            port = ["--", str(value)]
        elif isinstance(value, datetime):
            words += [parameter.opts[0], value.strftime(_INSTANT)]
        else:
            words += [parameter.opts[0]] if value is True else [parameter.opts[0], str(value)]
    return words + port
