"""Taking the firmware off a board: what provisioning put there, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from dialbench.link.client import Clock
from dialbench.provision import onboard, target
from dialbench.provision.session import Progress, Session
from dialbench.provision.target import BEFORE, MAIN, NOW, SLOTS, folder
from dialbench.provision.work import to_prompt

_LOG = "/log"
_COUNT = "/boot"


@dataclass(frozen=True)
class Removed:
    """removed: paths; restored: whether the program that was there before is main.py again."""

    port: str
    removed: tuple[str, ...]
    restored: bool
    log: bool


def unprovision(
    port: str,
    clock: Clock,
    *,
    with_log: bool = False,
    dry_run: bool = False,
    trace: Progress | None = None,
) -> Removed:
    """Take off what provision put on the board, and leave it at its prompt.

    with_log: the log in files goes too; a log on a flash chip stays. May be repeated.
    Raises LinkError, ProvisionError.
    """
    was = to_prompt(port, clock)
    with Session(port, trace) as session:
        target.interpreter(session, port)
        found = target.survey(session, port)
        ours = found.ours
        restored = ours and BEFORE in found.hashes
        gone = [path for path in found.hashes if path.startswith(tuple(map(folder, SLOTS)))]
        gone += [path for path in (MAIN,) if ours] + [NOW] * (NOW in found.hashes)
        if with_log:
            gone.append(_LOG)
        if not dry_run:
            # First what the board starts: cut from here on, it starts nothing that is half gone.
            if restored:
                session.run(f"import os\nos.rename({BEFORE!r},{MAIN!r})")
            elif ours:
                session.run(f"import os\nos.remove({MAIN!r})")
            _remove(session, NOW, NOW + ".new", MAIN + ".new", BEFORE + ".new")
            for slot in SLOTS:
                onboard.clear(session, folder(slot))
            if with_log:
                onboard.clear(session, _LOG)
                _remove(session, _COUNT)
        if dry_run and was != "prompt":
            session.restart()
        else:
            session.leave()
    return Removed(port, tuple(gone), restored, with_log)


def _remove(session: Session, *paths: str) -> None:
    session.run(f"import os\nfor p in {paths!r}:\n try:os.remove(p)\n except OSError:pass")
