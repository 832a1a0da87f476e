"""dialbench compare"""

from __future__ import annotations

import json
from pathlib import Path

import click

from dialbench import dialfile
from dialbench.analysis import analyse, analyse_foreign
from dialbench.commands import screen
from dialbench.commands.storefile import chosen_log, existing
from dialbench.errors import UserError
from dialbench.sky import Sky
from dialbench.store import Store, StoredBoard


@click.command("compare")
@click.argument("store_path", metavar="STORE", type=click.Path(path_type=Path))
@click.option("--board", "uid", help="Which board, where the store holds several logs.")
@click.option("--log", "log_hash", help="Which imported log, where the store holds several logs.")
@click.option(
    "--dial",
    "dial_path",
    type=click.Path(path_type=Path),
    help="Another dial.toml than the one that came with the log.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.analysis/1" object.')
def command(
    store_path: Path, uid: str | None, log_hash: str | None, dial_path: Path | None, as_json: bool
) -> None:
    """Compare what STORE holds with the ephemeris, and say how the dial did."""
    with Store.open(existing(store_path)) as store:
        log = chosen_log(store, store_path, uid, log_hash)
        named = {"board": log.uid} if isinstance(log, StoredBoard) else {"log": log.hash}
        what = " ".join(*named.items())
        if dial_path is not None:
            dial = dialfile.load(dial_path)
        elif log.dial_toml is not None:
            dial = dialfile.parse(log.dial_toml, f"dial of {what}")
        else:
            raise UserError(f"{store_path} does not know the dial of {what}: name it with --dial")
        if len(dial.channels) != log.channels:
            raise UserError(
                f"--dial {dial_path}: has {len(dial.channels)} channels, {what} has"
                f" {log.channels}: it cannot be the dial this log was made with"
            )
        if dial.hash != log.dial_hash:
            screen.note(
                f"the log was made with dial {log.dial_hash}; it is compared with dial {dial.hash}"
            )
        sky = Sky(dial.site)
        if isinstance(log, StoredBoard):
            found = analyse(store, log.uid, dial, sky, log.dial_hash)
        else:
            found = analyse_foreign(store.foreign.get(log.hash), dial, sky)
    if as_json:
        click.echo(json.dumps({**named, **found.as_dict()}))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.rows)
    for sentence in found.sentences:
        screen.say(sentence)
