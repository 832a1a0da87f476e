"""What commands show: results on stdout; remarks and progress on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from dialbench.errors import inert

NO_MICROPYTHON = "no MicroPython for this machine: the firmware runs on CPython instead"


def note(text: str) -> None:
    """A remark that is no result: to stderr."""
    click.echo(inert(text), err=True)


def table(title: str, rows: Sequence[tuple[str, str]]) -> None:
    """Two columns, label and value, to stdout."""
    shown = Table(title=Text(inert(title)), show_header=False, title_justify="left")
    for label, value in rows:
        shown.add_row(Text(inert(label)), Text(inert(value)))
    Console().print(shown)


def say(sentence: str) -> None:
    """A sentence of the result, to stdout: broken at words on a terminal, whole in a pipe."""
    console = Console()
    console.print(Text(inert(sentence)), soft_wrap=not console.is_terminal)


@contextmanager
def progress() -> Iterator[Callable[..., None]]:
    """Gives a function (what is being done, share done, remark); silent where stderr is no
    terminal."""
    console = Console(stderr=True)
    bars = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%"),
        TimeElapsedColumn(),
        console=console,
        disable=not console.is_terminal,
    )
    tasks: dict[str, TaskID] = {}
    with bars:

        def report(what: str, share: float, remark: str = "") -> None:
            text = inert(f"{what}: {remark}" if remark else what)
            if what not in tasks:
                tasks[what] = bars.add_task(text, total=1.0)
            bars.update(tasks[what], completed=share, description=text)

        yield report


def columns(rows: Sequence[Sequence[str]]) -> None:
    """A table with a heading, to stdout; the first row is the heading."""
    shown = Table(box=None, pad_edge=False)
    for label in rows[0]:
        shown.add_column(Text(inert(label)), justify="right")
    for row in rows[1:]:
        shown.add_row(*(Text(inert(cell)) for cell in row))
    Console().print(shown)
