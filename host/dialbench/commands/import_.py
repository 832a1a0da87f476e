"""dialbench import"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.commands import screen

SCHEMA = "dialbench.import/1"


@click.command("import")
@click.argument("crossings_path", metavar="CROSSINGS", type=click.Path(path_type=Path))
@click.option(
    "--dial",
    "dial_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial that was logged.",
)
@click.option(
    "--observed",
    "observed_path",
    required=True,
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
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.import/1" object.')
def command(
    crossings_path: Path, dial_path: Path, observed_path: Path, store_path: Path, as_json: bool
) -> None:
    """Bring the CSV file CROSSINGS of another make of logger into a store.

    Its columns: utc (such as 2027-04-16T12:00:00.250Z), channel (from 0), threshold (0.25,
    0.5 or 0.75 of full light), direction (rise or fall); and sigma_s, if the logger knows
    how good its clock is. All of it is taken or nothing; the same log twice is kept once.
    """
    from dialbench import foreign
    from dialbench.store import Store

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
