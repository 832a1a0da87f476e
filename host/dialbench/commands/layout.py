"""dialbench layout"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import click

from dialbench import whole
from dialbench.commands import screen
from dialbench.commands.options import Finite
from dialbench.errors import UserError

SCHEMA = "dialbench.layout/1"


@click.command("layout")
@click.argument("spec_path", metavar="SPEC", type=click.Path(path_type=Path))
@click.option(
    "--out",
    "out_path",
    type=click.Path(path_type=Path),
    help="Where the dial.toml goes; left out: beside SPEC, its name ending in .dial.toml.",
)
@click.option("--curve", "curve_path", type=click.Path(path_type=Path), help="The curve as SVG.")
@click.option("--seed", type=click.IntRange(0, 2**31), help="Instead of the spec's.")
@click.option(
    "--minutes",
    type=Finite(0.01, 1440),
    help="How long to search, instead of the spec's; what has begun by then is finished.",
)
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; left out: all cores.")
@click.option("--no-curve", is_flag=True, help="Leave out what other sizes can do.")
@click.option("--fresh", is_flag=True, help="Forget what an earlier search found.")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.layout/1" object.')
@click.pass_context
def command(
    context: click.Context,
    spec_path: Path,
    out_path: Path | None,
    curve_path: Path | None,
    seed: int | None,
    minutes: float | None,
    workers: int | None,
    no_curve: bool,
    fresh: bool,
    as_json: bool,
) -> None:
    """A dial for the wish in SPEC: where every bore goes, as a dial.toml.

    Searches pitches, depth, exits and stagger, sets the edges of every bore, and says what
    smaller bodies could do. `dialbench schema layout` prints what SPEC may hold. The same
    seed gives the same dial. An interrupted search goes on from where it was: what it
    has looked at is kept in a file beside the dial.toml, which may be removed at the end.

    Exit status 1 when the wish cannot be had; then the best that was found is written all
    the same, and what limits it is said. The object has name, dial_hash, best, missed (limit:
    by how much), curve and least (the smallest envelope that meets the limits), each with the
    design's numbers in mm, looks, cut_short and sentences.
    """
    from dialbench import dialfile, wishfile  # heavy
    from dialbench.optimise import laid, search
    from dialbench.optimise.picture import curve_svg

    wish = wishfile.load(spec_path)
    if seed is not None:
        wish = replace(wish, seed=seed)
    if minutes is not None:
        wish = replace(wish, minutes=minutes)
    out = out_path or spec_path.with_name(f"{spec_path.stem}.dial.toml")
    kept = out.with_name(out.name + ".search.json")
    _check_apart(spec_path, out, kept, curve_path)
    if fresh:
        kept.unlink(missing_ok=True)
    with (
        screen.progress() as progress,
        search.on_all_cores(workers or os.cpu_count() or 1) as looks,
    ):
        found = laid.laid_out(wish, looks, progress, kept, not no_curve)
    if found.dial is not None:
        whole.write(out, dialfile.dump(found.dial))
    if curve_path is not None:
        whole.write(curve_path, curve_svg(wish.name, found.sizes))
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, **found.as_dict()}))
    else:
        for sentence in found.sentences:
            screen.say(sentence)
        if found.sizes:
            screen.columns(found.rows())
        if found.dial is not None:
            screen.note(
                f"{out}: written; see it with dialbench show, prove it with dialbench audit"
            )
    if found.missed:
        context.exit(1)


def _check_apart(spec: Path, out: Path, kept: Path, curve: Path | None) -> None:
    """That the files to write can be written, and are not one another or the spec."""
    taken = {spec.resolve(): "the spec itself", kept.resolve(): "where the search is kept"}
    for option, path in (("--out", out), ("--curve", curve)):
        if path is None:
            continue
        if path.resolve() in taken:
            raise UserError(f"{option} {path}: is {taken[path.resolve()]}; name another file")
        if path.is_dir():
            raise UserError(f"{option} {path}: is a folder; name a file in it")
        if not path.parent.is_dir():
            raise UserError(f"{option} {path}: there is no folder {path.parent}; make it first")
        taken[path.resolve()] = f"what {option} names already"
    if kept.is_dir():
        raise UserError(f"{kept}: is a folder where the search is to be kept; move it away")
