"""dialbench report"""

from __future__ import annotations

import hashlib
import json
import shlex
from pathlib import Path

import click

from dialbench.commands import options, outfile, screen
from dialbench.commands.storefile import digest_of, logged_with_dial, looked_at

SCHEMA = "dialbench.report/1"
_KINDS = (".html", ".pdf")


@click.command("report")
@options.which_log
@click.option(
    "--out",
    "out_path",
    type=click.Path(path_type=Path),
    required=True,
    help="The file to write: .html, or .pdf for paper.",
)
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.report/1" object.')
def command(
    store_path: Path,
    uid: str | None,
    log_hash: str | None,
    dial_path: Path | None,
    out_path: Path,
    as_json: bool,
) -> None:
    """One document about the campaign in STORE that others can check: what was observed and what
    not, residuals, pose and bores with their uncertainty, readings, clock, and every input's
    hash. It needs nothing else, and is the same to the byte when it is made again.
    """
    outfile.checked("--out", out_path, _KINDS)
    from dialbench.drift import drift  # heavy, as all of these
    from dialbench.holdings import holdings
    from dialbench.report import html, pdf
    from dialbench.report.campaign import Campaign, report

    with looked_at(store_path) as store:
        named, logged, dial = logged_with_dial(store, store_path, uid, log_hash, dial_path)
        board = next((one for one in store.boards() if one.uid == named.get("board")), None)
        campaign = Campaign(
            named,
            logged,
            dial,
            holdings(store, board) if board else None,
            drift(store, board.uid) if board else None,
            digest_of(store, named),
            _command(store_path, named, dial_path, out_path),
        )
    with screen.progress() as step:
        document = report(campaign, step)
        step("laying out", 0.0)
        made = (html if out_path.suffix.lower() == ".html" else pdf).rendered(document)
        step("laying out", 1.0)
    outfile.write("--out", out_path, made)
    if as_json:
        facts = {
            "schema": SCHEMA,
            **named,
            "out": str(out_path),
            "bytes": len(made),
            "sha256": hashlib.sha256(made).hexdigest(),
            "log_sha256": campaign.digest,
            "sections": [section.title for section in document.sections],
        }
        click.echo(json.dumps(facts))
        return
    screen.say(f"{out_path}: {len(made) / 1e6:.2f} MB, {len(document.sections)} parts.")


def _command(
    store_path: Path, named: dict[str, str], dial_path: Path | None, out_path: Path
) -> str:
    parts = ["dialbench", "report", store_path.name]
    for kind, name in named.items():
        parts += [f"--{kind}", name]
    if dial_path is not None:
        parts += ["--dial", dial_path.name]
    return shlex.join([*parts, "--out", out_path.name])
