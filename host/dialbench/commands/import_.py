"""dialbench import"""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen
from dialbench.errors import UserError

SCHEMA = "dialbench.import/1"
RESTORED = "dialbench.restore/1"


@click.command("import")
@click.argument("crossings_path", metavar="CROSSINGS", type=click.Path(path_type=Path))
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial that was logged.",
)
@click.option(
    "--observed",
    "observed_path",
    type=click.Path(path_type=Path),
    help="CSV of the spans of direct sun in which nothing was lost: start,end.",
)
@click.option(
    "--store",
    "store_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The store to bring the log into; made if it is not there.",
)
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help='One "dialbench.import/1" object (bundle: "dialbench.restore/1").',
)
def command(
    crossings_path: Path,
    dial_path: Path | None,
    observed_path: Path | None,
    store_path: Path,
    as_json: bool,
) -> None:
    """Bring the CSV file CROSSINGS of another make of logger into a store; or, where CROSSINGS is
    the folder or zip of a bundle that dialbench export made, make a new store of it.

    Its columns: utc (such as 2027-04-16T12:00:00.250Z), channel (from 0), threshold (0.25,
    0.5 or 0.75 of full light), direction (rise or fall); and sigma_s, if the logger knows
    how good its clock is. All of it is taken or nothing; the same log twice is kept once.
    """
    from dialbench import foreign
    from dialbench.exchange import restore
    from dialbench.store import Store

    if restore.is_bundle(crossings_path):
        if dial_path is not None or observed_path is not None:
            raise UserError("--dial, --observed: a bundle holds its own; leave them out")
        _restore(crossings_path, store_path, as_json)
        return
    if not os.path.exists(crossings_path):
        raise UserError(f"{crossings_path}: there is no such file")
    if dial_path is None or observed_path is None:
        missing = "--dial" if dial_path is None else "--observed"
        raise UserError(f"{missing}: is needed with the CSV of another make of logger; name it")
    dial = dialfile.load(dial_path)
    log = foreign.load(crossings_path, observed_path, len(dial.channels))
    with Store.open(store_path) as store:
        added = store.foreign.add(log, dial.hash, dialfile.dump(dial), len(dial.channels))
    facts = {
        "schema": SCHEMA,
        "log": log.hash(dial.hash),
        "dial_hash": dial.hash,
        "store": str(store_path),
        "added": added,
        "crossings": len(log.utc_us),
        "crossings_observed": log.seen,
        "observed_spans": len(log.observed),
        "observed_hours": sum(end - start for start, end in log.observed) / 3.6e9,
    }
    if facts["crossings"] and not facts["crossings_observed"]:
        screen.note(
            f"no crossing of {crossings_path} lies within the observed time of {observed_path}:"
            " are both in UTC, and of the same days? compare can find nothing as it is"
        )
    if as_json:
        click.echo(json.dumps(facts))
        return
    told = "is in" if added else "was already in"
    screen.say(
        f"Log {facts['log']} of {facts['crossings']} crossings in"
        f" {facts['observed_hours']:.1f} h of observed time {told} {store_path}."
    )
    screen.say(f"To see what it says: dialbench compare {store_path} --log {facts['log']}")


def _restore(path: Path, store_path: Path, as_json: bool) -> None:
    from dialbench.exchange.restore import restore

    with screen.progress() as step:
        found = restore(path, store_path, step)
    if as_json:
        click.echo(json.dumps({"schema": RESTORED, "store": str(store_path), **vars(found)}))
        return
    screen.say(
        f"{found.boards} boards with {found.pages} pages and {found.foreign_logs} imported logs"
        f" are in {store_path}, as they were in {path}."
    )
