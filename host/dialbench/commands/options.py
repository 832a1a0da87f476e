"""Options that several commands have, and what they mean alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from dialbench.errors import UserError

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


def existing_store(path: Path) -> None:
    """Raises UserError where there is no file at path; opening would make one."""
    try:
        there = path.exists()
    except ValueError:  # NUL in the name
        there = False
    if not there:
        raise UserError(f"{path}: there is no such store; dialbench pull makes one")
