"""Options that several commands have, and what they mean alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from dialbench.errors import UserError

if TYPE_CHECKING:
    from dialbench.aperture.setting import Setting
    from dialbench.dial import Dial

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


class Day(click.ParamType[date]):
    """A day of the calendar, such as 2027-04-16."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            if len(value) != len("2027-04-16"):  # other ways of ISO 8601 are no day to most
                raise ValueError
            return date.fromisoformat(value)
        except ValueError:
            option = param.opts[0] if param is not None else self.name
            raise UserError(f"{option} {value}: is no day; write one such as 2027-04-16") from None


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


@dataclass(frozen=True)
class BenchLight:
    """What options.bench asks: distance_mm is None under the Sun."""

    distance_mm: float | None
    distance_sigma_mm: float | None
    diameter_mm: float
    height_mm: float
    reverse: bool
    covered: str | None

    @property
    def is_sun(self) -> bool:
        return self.distance_mm is None

    def before(self, dial: Dial) -> Setting:
        """The bench with this dial on it. Raises LightError, and UserError for --covered."""
        from dialbench.aperture import setting

        found = setting.Setting(
            dial,
            self.distance_mm,
            setting.TAPE_MM if self.distance_sigma_mm is None else self.distance_sigma_mm,
            self.diameter_mm,
            self.height_mm,
            self.reverse,
            setting.covered(self.covered, len(dial.bores)),
        )
        found.check()
        return found


def bench(command: Callable[..., Any]) -> Callable[..., Any]:
    """--distance of a lamp and what else there is to say of it, or --sun; --reversed, --covered.
    The command gets them as one BenchLight, `light`."""

    @wraps(command)
    def asked(
        *,
        distance_mm: float | None,
        distance_sigma_mm: float | None,
        diameter_mm: float,
        height_mm: float,
        is_sun: bool,
        reverse: bool,
        covered: str | None,
        **others: Any,
    ) -> Any:
        if is_sun == (distance_mm is not None):
            raise UserError("say --distance of the lamp in mm, or --sun, but not both")
        light = BenchLight(distance_mm, distance_sigma_mm, diameter_mm, height_mm, reverse, covered)
        return command(light=light, **others)

    for option in reversed(_BENCH):
        asked = option(asked)
    return asked


_BENCH = (
    click.option(
        "--distance",
        "distance_mm",
        type=Finite(0, min_open=True),
        metavar="MM",
        help="From the shaft to the lamp's middle.",
    ),
    click.option(
        "--distance-sigma",
        "distance_sigma_mm",
        type=Finite(0),
        metavar="MM",
        help="How well that is known.  [default: as with a tape, 2]",
    ),
    click.option(
        "--source",
        "diameter_mm",
        type=Finite(0),
        default=0.0,
        show_default=True,
        metavar="MM",
        help="Diameter of the lamp's bright part: a disc that faces the dial, or a sphere.",
    ),
    click.option(
        "--height",
        "height_mm",
        type=Finite(),
        default=0.0,
        show_default=True,
        metavar="MM",
        help="Of the lamp, along the shaft from the middle of the face, towards the visible pole.",
    ),
    click.option("--sun", "is_sun", is_flag=True, help="Under the Sun; times tell where it stood."),
    click.option("--reversed", "reverse", is_flag=True, help="The angle counts the other way."),
    click.option("--covered", metavar="BORES", help="Bores that were covered, such as 3,8-11."),
)
