"""dialbench export"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from dialbench.commands import options, screen
from dialbench.errors import UserError

SCHEMA = "dialbench.export/1"


@click.command("export")
@options.which_log
@click.option(
    "--out",
    "out_path",
    type=click.Path(path_type=Path),
    required=True,
    help="The folder to make, or the .zip.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["bundle", "csv", "parquet"]),
    default="bundle",
    show_default=True,
    help="All of the store, for others to check and import; or one log's tables alone.",
)
@click.option("--no-predictions", is_flag=True, help="Leave out what the ephemeris says: quicker.")
@click.option(
    "--licence",
    "licence_name",
    metavar="NAME",
    help="The licence others may use a bundle under, such as CC-BY-4.0.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.export/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    out_path: Path,
    form: str,
    no_predictions: bool,
    licence_name: str | None,
    as_json: bool,
) -> None:
    """Put what STORE holds into files that any program reads.

    A bundle holds the whole store, described by the Frictionless Data Package standard: crossings,
    observed time, predictions, residuals, clock marks, raw pages, dials, and how to check them;
    dialbench import takes it back without loss. csv and parquet (pip install
    'dialbench[parquet]') hold one log's tables and a dictionary of their columns. All of it is
    written or nothing, and the same store gives the same bytes.
    """
    from dialbench.commands.storefile import logged_with_dial, looked_at
    from dialbench.exchange import bundle, package, tables  # heavy, as all of these
    from dialbench.exchange.log import Late
    from dialbench.sky import Sky

    if form == "bundle":
        for option, value in (("--board", uid), ("--log", log_hash), ("--dial", dial_path)):
            if value is not None:
                raise UserError(f"{option}: a bundle holds all logs; say it with --as csv")
        if licence_name is not None:
            licence_name = package.licence(licence_name)
    elif licence_name is not None:
        raise UserError("--licence: is written into a bundle only; leave it out")
    with looked_at(store_path) as store:
        facts: dict[str, Any] = {"schema": SCHEMA, "out": str(out_path), "as": form}
        if form == "bundle":
            with screen.progress() as step:
                made = bundle.write(store, out_path, licence_name, not no_predictions, step)
            for remark in made.remarks:
                screen.note(remark)
            if licence_name is None:
                screen.note("no licence is named in it: --licence says how others may use it")
            facts |= vars(made)
            told = f"{made.boards} boards, {made.logs} imported logs"
        else:
            named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
            late = None if no_predictions else Late.of(logged, dial, Sky(dial.site))
            written = tables.write(store, named, late, out_path, form)  # type: ignore[arg-type]
            facts |= named | {
                "files": len(written),
                "bytes": sum(one.bytes for one in written),
            }
            told = ", ".join(one.path for one in written)
    if as_json:
        click.echo(json.dumps(facts))
        return
    screen.say(f"{out_path}: {facts['files']} files, {facts['bytes'] / 1e6:.1f} MB: {told}.")
