"""Options that several commands have, and what they mean alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

_Command = TypeVar("_Command", bound=Callable[..., Any])


class Finite(click.FloatRange):
    """A range of floats that nan does not slip into."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number", param, ctx)
        return number


def truth(command: _Command) -> _Command:
    """--turned, --clouds and --seed: what the virtual dial and its sky really are."""
    for option in (
        click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True),
        click.option(
            "--clouds",
            "cloudy",
            is_flag=True,
            help="An invented cloudy sky instead of a clear one.",
        ),
        click.option(
            "--turned",
            type=Finite(-15, 15),
            default=0.0,
            metavar="DEG",
            help="Turn the true body about the polar axis by so much, unknown to the host.",
        ),
    ):
        command = option(command)
    return command


def which_log(command: _Command) -> _Command:
    """STORE, --board, --log and --dial: the log that is meant, and the dial it is held against."""
    for option in (
        click.option(
            "--dial",
            "dial_path",
            type=click.Path(path_type=Path),
            help="Another dial.toml than the one that came with the log.",
        ),
        click.option(
            "--log", "log_hash", help="Which imported log, where the store holds several logs."
        ),
        click.option("--board", "uid", help="Which board, where the store holds several logs."),
        click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path)),
    ):
        command = option(command)
    return command


def log(command: _Command) -> _Command:
    """--storage and --lean: how the virtual board keeps its log."""
    for option in (
        click.option("--lean", is_flag=True, help="Log lit fraction 0.50 alone."),
        click.option(
            "--storage",
            type=click.Choice(["files", "flash"]),
            default="files",
            show_default=True,
            help="Where the board keeps its log: in files, or on a bare flash chip.",
        ),
    ):
        command = option(command)
    return command
