"""dialbench unprovision"""

from __future__ import annotations

import json

import click

from dialbench.commands import screen

SCHEMA = "dialbench.unprovision/1"


@click.command("unprovision")
@click.argument("port")
@click.option(
    "--with-log", is_flag=True, help="Remove the log in the board's files too: pull first."
)
@click.option("--dry-run", is_flag=True, help="Look, say what would be removed, change nothing.")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.unprovision/1" object.')
def command(port: str, with_log: bool, dry_run: bool, as_json: bool) -> None:
    """Take off the board at PORT what dialbench provision put there.

    The log stays, unless it is asked for. A program that was on the board before is put back. The
    board is left at its prompt.
    """
    from dialbench.clock import SystemClock
    from dialbench.provision import unprovision

    done = unprovision(port, SystemClock(), with_log=with_log, dry_run=dry_run)
    facts = {
        "schema": SCHEMA,
        "port": done.port,
        "dry_run": dry_run,
        "removed": done.removed,
        "restored": done.restored,
        "log_removed": done.log,
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    what = "would be removed from" if dry_run else "are removed from"
    screen.say(f"{len(done.removed)} files {what} the board on {done.port}.")
    if done.restored:
        screen.say("The program that was there before is put back.")
    screen.say("The log goes too." if done.log else "The log stays on the board.")
