"""dialbench check"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench.commands import screen
from dialbench.commands.storefile import existing
from dialbench.holdings import Holdings, holdings
from dialbench.store import Store

SCHEMA = "dialbench.check/1"


@click.command("check")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.option(
    "--repair",
    "mend",
    is_flag=True,
    help="Mend what can be mended; nothing that was pulled is ever taken away.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.check/1" object.')
@click.pass_context
def command(context: click.Context, store_path: Path, mend: bool, as_json: bool) -> None:
    """Is STORE sound, and what of the boards' logs is not in it?

    Looks at the file itself, at every page's CRC, at what was read from every page, at
    pages that are missing or there twice, and at how well the clock is known; and says what
    there is of each board: pages and gaps, days and their direct sun. Exit status 0: all is well; 1: it is not, and what it is was said.

    With --repair, what is made from pages is made anew, spoilt pages are marked for the
    next pull, and what can be read of a damaged file is saved into a new store beside it.
    """
    from dialbench.store.check import check
    from dialbench.store.repair import repair

    existing(store_path)
    done: tuple[str, ...] = ()
    salvaged = None
    if mend:
        repaired = repair(store_path)
        found, done, salvaged = repaired.after, repaired.done, repaired.salvaged
    else:
        found = check(store_path)
    held = _held(store_path) if "damage" not in found.kinds() else []
    if as_json:
        facts = {"schema": SCHEMA, **found.as_dict(), "repaired": list(done)}
        facts["holds"] = [one.as_dict() for one in held]
        facts["salvaged"] = salvaged.as_dict() if salvaged else None
        click.echo(json.dumps(facts))
    else:
        for sentence in done:
            screen.say(f"Repair: {sentence}.")
        for one in (found, salvaged) if salvaged else (found,):
            for finding in one.findings:
                screen.say(f"{one.path}: {finding.sentence}")
            for sentence in (line for told in one.told for line in told.sentences):
                screen.say(f"{one.path}: {sentence}")
            screen.say(
                f"{one.path}: {'sound' if one.sound else 'not all is well'}; store version"
                f" {one.version}, boards {one.boards}, pages {one.pages}, foreign logs"
                f" {one.foreign_logs}; the clock is known to 0.2 s in {one.covered_s / 3600:.1f} h"
                f" of {one.observed_s / 3600:.1f} h of observed time."
            )
        for one_held in held:
            screen.say(f"{found.path}: {one_held.sentence}")
    if not found.sound:
        context.exit(1)


def _held(path: Path) -> list[Holdings]:
    """What is there of each board."""
    with Store.look(path) as store:
        return [holdings(store, board) for board in store.boards()]
