"""Provisioning from the first look to the clock mark."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from dialbench.dial import Dial
from dialbench.errors import inert
from dialbench.link.client import Board, Clock
from dialbench.link.errors import AtPrompt, LinkError, NoAnswer
from dialbench.link.facts import Hello
from dialbench.provision import built, onboard, settings, target
from dialbench.provision.errors import BoardFull, ProvisionError
from dialbench.provision.plan import Plan, plan
from dialbench.provision.session import Progress, Session
from dialbench.provision.target import Interpreter

STARTING_S = 1.0  # a board that starts is left alone for so long
_TRIES = 4


@dataclass(frozen=True)
class Outcome:
    """was: what ran on the board before: "firmware", "program" or "prompt". sent, copied, same:
    names of files on the board. hello: what the board says now, None after a dry run.
    """

    port: str
    was: str
    interpreter: Interpreter
    slot: str
    fresh: bool
    sent: tuple[str, ...]
    copied: tuple[str, ...]
    same: tuple[str, ...]
    needed_bytes: int
    free_bytes: int
    hello: Hello | None


def provision(
    port: str,
    dial: Dial,
    wishes: settings.Wishes,
    clock: Clock,
    *,
    as_source: bool = False,
    dry_run: bool = False,
    progress: Progress = lambda _: None,
    trace: Progress | None = None,
) -> Outcome:
    """Put the firmware, set up for dial, on the board at port, start it and set a clock mark.

    May be ended at any instant and repeated. Raises LinkError where the port cannot be had, and
    ProvisionError where the board cannot be provisioned: it then runs what it ran before.
    trace is told what goes to the board's prompt.
    """
    was = to_prompt(port, clock)
    with Session(port, trace) as session, _as_it_was(session, was):
        board = target.interpreter(session, port)
        progress(f"{board.name} on {board.platform}")
        found = target.survey(session, port)
        before = target.settings(session, found)
        wanted = built.files(board, as_source)
        wanted["config.json"] = settings.wanted(dial, wishes, before, found.size_bytes)
        main = built.main()
        work = plan(found, wanted, main)
        if not dry_run:
            onboard.place(session, port, work, progress)
            if work.main or work.fresh:
                onboard.point(session, found, work, main)
        if dry_run and was == "prompt":
            session.leave()
        else:
            session.restart()
    hello = None
    if not dry_run:
        progress("starts")
        if work.fresh:
            _trial(port, dial, clock, work, trace)
        with _greet(port, clock) as running:
            _content(running.hello, dial, port)
            running.mark()
            hello = running.hello
    return Outcome(
        port,
        was,
        board,
        work.slot,
        work.fresh,
        tuple(work.send),
        tuple(work.copy),
        work.same,
        work.needed_bytes,
        found.free_bytes,
        hello,
    )


def to_prompt(port: str, clock: Clock) -> str:
    """Have the firmware on the board, if it runs, store its log and go; what ran there."""
    try:
        with Board.open(port, clock) as board:
            board.release()
    except AtPrompt:
        return "prompt"
    except NoAnswer:
        return "program"
    time.sleep(STARTING_S / 4)
    return "firmware"


@contextmanager
def _as_it_was(session: Session, was: str) -> Iterator[None]:
    """Whatever goes wrong within, an interrupt too: the board runs again what it did."""
    try:
        yield
    except BaseException:
        with suppress(ProvisionError):
            if was == "prompt":
                session.leave()
            else:
                session.restart()
        raise


def _trial(port: str, dial: Dial, clock: Clock, work: Plan, trace: Progress | None) -> None:
    """Settle the slot on trial if its firmware answers; else let the board fall back."""
    name = inert(port)
    try:
        with _greet(port, clock) as board:
            trouble = _trouble(board.hello, dial)
            board.release()
    except LinkError as wrong:
        with suppress(ProvisionError), Session(port, trace) as session:
            session.restart()
        raise ProvisionError(
            f"the new firmware does not answer at {name}, and the board goes back to what it ran"
            f" before, at the latest in a minute: {wrong}"
        ) from wrong
    time.sleep(STARTING_S / 4)
    with Session(port, trace) as session:
        try:
            if not trouble and not onboard.settle(session, work.slot):
                raise ProvisionError(
                    f"the new firmware does not answer at {name}: the board has gone back to what"
                    " it ran before"
                )
        except BoardFull:
            trouble = "no room is left on the board for one small file"
        finally:
            session.restart()
    if trouble:
        raise ProvisionError(
            f"the new firmware runs at {name} but cannot log ({trouble}): mend that and run this"
            " again; the board goes back to what it ran before"
        )


def _greet(port: str, clock: Clock) -> Board:
    """The board that was started just now. Raises LinkError if it does not come to answer."""
    for turn in range(_TRIES):
        time.sleep(STARTING_S)
        try:
            return Board.open(port, clock)
        except AtPrompt:
            raise
        except LinkError:
            if turn == _TRIES - 1:
                raise
    raise AssertionError


def _trouble(hello: Hello, dial: Dial) -> str:
    if hello.trouble:
        return hello.trouble
    if hello.dial_hash != dial.hash:
        return "it is set up for another dial"
    return ""


def _content(hello: Hello, dial: Dial, port: str) -> None:
    trouble = _trouble(hello, dial)
    if trouble:
        raise ProvisionError(f"the firmware runs at {inert(port)} but does not log: {trouble}")
