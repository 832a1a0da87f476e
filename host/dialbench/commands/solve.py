"""dialbench solve"""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from dialbench import __version__, whole
from dialbench.commands import options, screen
from dialbench.commands.storefile import logged_with_dial, looked_at
from dialbench.diagnosis import diagnose
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.fabricate import compensate
from dialbench.sky import Sky
from dialbench.solve import stand
from dialbench.solve.compensation import Learnt, learnt


@click.command("solve")
@options.which_log
@click.option(
    "--feet",
    "feet_text",
    metavar='"P,Y P,Y P,Y"',
    help="Where the base's feet stand, in mm as in base.csv.  [default: as fabricate draws them]",
)
@click.option(
    "--compensation",
    "compensation_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write what its making got wrong to FILE, which must not exist, for dialbench fabricate to draw the next body.",
)
@click.option(
    "--each-bore",
    is_flag=True,
    help="In FILE correct single bores too: for a process that repeats itself bore by bore.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.solve/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    feet_text: str | None,
    compensation_path: Path | None,
    each_bore: bool,
    as_json: bool,
) -> None:
    """How the dial of STORE really stands and came out, how well that is known, and what to do.

    What the data cannot tell is named, and gets no number; nothing is advised that they do
    not support. Wrong inputs (channels exchanged, another zone's time, another dial's log and
    the like) are looked for first: where nothing honest is left to solve, the exit status is 2.
    A body that was itself drawn with a compensation needs both: add the files' figures up.
    """
    if each_bore and compensation_path is None:
        raise UserError("--each-bore: says what goes into a file; name it with --compensation")
    if compensation_path is not None and os.path.lexists(compensation_path):
        raise UserError(
            f"--compensation {compensation_path}: is there already, and is not written over: name"
            " a new file"
        )
    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
    feet = None if feet_text is None else stand.listed(feet_text, dial.site.hemisphere)
    with screen.progress() as step:
        found = diagnose(logged, dial, Sky(dial.site), step, feet)
    kept = None if compensation_path is None else learnt(found.solved, each_bore)
    if kept is not None and compensation_path is not None:
        _write(compensation_path, dial, kept)
    if as_json:
        errors = kept and kept.errors.model_dump(exclude_defaults=True)
        facts = {**named, **found.as_dict(), "compensation": errors}
        click.echo(json.dumps(facts, allow_nan=False))
        return
    screen.table(f"{dial.name}, {dial.site.name}", found.solved.rows())
    for sentence in found.sentences():
        screen.say(sentence)
    for sentence in kept.told if kept else ():
        screen.say(sentence)


def _write(path: Path, dial: Dial, kept: Learnt) -> None:
    remarks = [
        f"How bores of the dial {dial.name} came out, by dialbench {__version__}: as made less as",
        "drawn. To draw the next body: dialbench fabricate DIAL --compensation THIS --out DIR",
        *kept.told,
    ]
    try:
        whole.write(path, compensate.dump(kept.errors, remarks))
    except (OSError, ValueError) as error:
        raise UserError(f"--compensation {path}: cannot be written ({error})") from None
