"""dialbench provision"""

from __future__ import annotations

import json
import shlex
from dataclasses import asdict
from pathlib import Path

import click

from dialbench.commands import screen

SCHEMA = "dialbench.provision/1"


@click.command("provision")
@click.argument("port")
@click.option(
    "--dial",
    "dial_path",
    required=True,
    type=click.Path(path_type=Path),
    help="The dial.toml of the dial that the board is wired to.",
)
@click.option("--scan-ms", type=click.IntRange(1, 60000), help="From scan to scan.  [usual: 500]")
@click.option(
    "--commit-s",
    type=click.IntRange(1, 86400),
    help="No record waits longer in memory.  [usual: 600]",
)
@click.option(
    "--storage",
    type=click.Choice(["files", "flash"]),
    help="Where the board keeps its log: in files, or on a flash chip of its own.  [usual: files]",
)
@click.option(
    "--log-bytes",
    type=click.IntRange(65536, 1 << 24),
    help="What the log may take.  [usual: half of the file system]",
)
@click.option("--lean/--full", default=None, help="Log lit fraction 0.50 alone.  [usual: full]")
@click.option("--rtc", type=click.Choice(["ds3231"]), help="The clock chip that is fitted.")
@click.option("--source", "as_source", is_flag=True, help="Put sources on the board, not bytecode.")
@click.option("--dry-run", is_flag=True, help="Look, say what would be done, change nothing.")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.provision/1" object.')
def command(
    port: str,
    dial_path: Path,
    scan_ms: int | None,
    commit_s: int | None,
    storage: str | None,
    log_bytes: int | None,
    lean: bool | None,
    rtc: str | None,
    as_source: bool,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Put the firmware on the board at PORT, set up for its dial, and start it.

    The board needs MicroPython, and what runs on it is interrupted. Only what changed is
    copied. What ran before stays on the board until the new firmware has answered, and its log
    is not touched; whatever cuts this off, run it again. What the board was told before
    stays, where no option says otherwise: calibration, clocks, storage.
    """
    from dialbench import dialfile
    from dialbench.clock import SystemClock
    from dialbench.provision import Wishes, provision

    dial = dialfile.load(dial_path)
    wishes = Wishes(scan_ms, commit_s, log_bytes, storage, lean, rtc)
    done = provision(
        port,
        dial,
        wishes,
        SystemClock(),
        as_source=as_source,
        dry_run=dry_run,
        progress=screen.note,
    )
    hello = done.hello
    facts = {
        "schema": SCHEMA,
        "port": done.port,
        "dry_run": dry_run,
        "was": done.was,
        "interpreter": asdict(done.interpreter),
        "slot": done.slot,
        "fresh": done.fresh,
        "sent": done.sent,
        "copied": done.copied,
        "same": done.same,
        "needed_bytes": done.needed_bytes,
        "free_bytes": done.free_bytes,
        "board": hello.uid if hello else None,
        "boot": hello.boot if hello else None,
        "dial_hash": dial.hash,
    }
    if as_json:
        click.echo(json.dumps(facts))
        return
    amount = f"{len(done.sent)} files sent, {len(done.copied)} copied on the board"
    if hello is None:
        screen.say(
            f"{done.interpreter.name}, {done.interpreter.architecture or 'no native code'}; a"
            f" {done.was} was there. It would be {amount}, {len(done.same)} are right already;"
            f" {done.needed_bytes} bytes needed, {done.free_bytes} free."
        )
        return
    screen.say(
        f"Board {hello.uid} on {done.port} runs {hello.firmware} for {dial.name}: {amount},"
        f" {len(done.same)} were right already. Its clock is marked. Next:"
    )
    told = shlex.quote(str(dial_path))
    screen.say(f"  dialbench watch {done.port} --dial {told}")
    screen.say(f"  dialbench pull {done.port} --dial {told} --store log.sqlite")
