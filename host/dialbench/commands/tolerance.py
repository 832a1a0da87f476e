"""dialbench tolerance"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from dialbench import dialfile
from dialbench.commands import outfile, screen
from dialbench.commands.options import Finite
from dialbench.errors import UserError

SCHEMA = "dialbench.tolerance/1"

# Option, its greatest value, unit, what it is; defaults as in tolerance.errors, not loaded yet.
_TOLERANCES = (
    ("axis", 5.0, "deg", 0.1, "each bore's axis, in hour angle and in declination"),
    ("width", 5.0, "mm", 0.05, "each bore's width"),
    ("common", 5.0, "mm", 0.05, "all bores' widths together"),
    ("tilt", 5.0, "deg", 0.2, "the body, about either axis across the polar one"),
    ("turn", 5.0, "deg", 0.2, "the body, about the polar axis"),
    ("site", 500.0, "km", 5.0, "the place, north and east of the dial's site"),
)


def _tolerances(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, most, unit, default, what in reversed(_TOLERANCES):
        option = click.option(
            f"--{name}",
            f"{name}_{unit}",
            type=Finite(0, most),
            default=default,
            show_default=True,
            metavar=unit.upper(),
            help=f"Standard deviation: {what}.",
        )
        command = option(command)
    return command


@click.command("tolerance")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option("--runs", type=click.IntRange(1, 10_000_000), default=1000, show_default=True)
@_tolerances
@click.option("--duty", type=Finite(0, 1), help="Least duty.  [default: DIAL's limit]")
@click.option(
    "--wrong",
    type=Finite(0, 1),
    help="Most share of the plan's time with a channel lit that should be dark.  [default: DIAL's]",
)
@click.option(
    "--reading",
    "reading_s",
    type=Finite(0, 86_400),
    metavar="S",
    help="Most that the face may change early or late in the mean, seconds.  [default: any]",
)
@click.option(
    "--days",
    type=click.IntRange(1, 100),
    default=5,
    show_default=True,
    help="How many declinations of the Sun stand for the year, or for DIAL's season.",
)
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True)
@click.option("--workers", type=click.IntRange(1, 256), help="Processes.  [default: all cores]")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help='A Dask scheduler, such as tcp://host:8786; or "local", for one with --workers here.',
)
@click.option(
    "--keep",
    "keep_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Keep what was worked out, run by run; what is kept there already is not done again.",
)
@click.option(
    "--plot", "plot_path", type=click.Path(path_type=Path), help="A figure to an SVG file."
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.tolerance/1" object.')
def command(
    dial_path: Path,
    runs: int,
    duty: float | None,
    wrong: float | None,
    reading_s: float | None,
    days: int,
    seed: int,
    workers: int | None,
    cluster: str | None,
    keep_path: Path | None,
    plot_path: Path | None,
    as_json: bool,
    **tolerances: float,
) -> None:
    """How many of many bodies of DIAL, made and placed with errors, still meet its limits.

    Errors are drawn by lot from normal distributions. Also told: what each tolerance, halved,
    would buy. The same seed gives the same figures, whoever works them out.
    """
    outfile.checked("--plot", plot_path, (".svg",))
    dial = dialfile.load(dial_path)
    if not dial.bores:
        raise UserError(f"{dial_path}: has no bore: there is nothing to be made with errors")
    from dialbench.tolerance.errors import Tolerances
    from dialbench.tolerance.found import Asked, studied  # heavy
    from dialbench.tolerance.here import Pool, ThisProcess
    from dialbench.tolerance.results import Results
    from dialbench.tolerance.study import Question, Workers

    limits = dial.limits
    asked = Asked(
        limits.duty if duty is None else duty, limits.wrong if wrong is None else wrong, reading_s
    )
    question = Question(
        dialfile.dump(dial), Tolerances(**tolerances), seed, days, limits.season_deg
    )
    count = workers or os.cpu_count() or 1
    crew: Workers = Pool(count) if count > 1 else ThisProcess()
    if cluster is not None:
        from dialbench.tolerance.cluster import Cluster

        crew = Cluster(cluster, count)
    with Results(question, keep_path) as results, screen.progress() as step:
        found = studied(
            question, asked, runs, crew, results, lambda share: step("making bodies", share)
        )
    if plot_path is not None:
        from dialbench.plots import figure
        from dialbench.plots.tolerance import drawn

        with figure.styled():
            title = f"{dial.name}: tolerances"
            made = figure.svg(drawn(found), title, " ".join(found.sentences()))
        outfile.write("--plot", plot_path, made)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **_finite(found.as_dict())}, allow_nan=False))
        return
    screen.columns(found.rows())
    for sentence in found.sentences():
        screen.say(sentence)


def _finite(facts: Any) -> Any:
    """Facts with None for what is no number."""
    if isinstance(facts, dict):
        return {key: _finite(value) for key, value in facts.items()}
    if isinstance(facts, list):
        return [_finite(value) for value in facts]
    return None if isinstance(facts, float) and not abs(facts) < float("inf") else facts
