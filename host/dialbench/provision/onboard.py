"""What is done on the board, in the order that a cut anywhere leaves it whole."""

from __future__ import annotations

from contextlib import suppress
from pathlib import PurePosixPath

from dialbench.errors import inert
from dialbench.provision.errors import BoardFull, ProvisionError
from dialbench.provision.plan import Plan
from dialbench.provision.session import Progress, Session
from dialbench.provision.target import BEFORE, MAIN, NONE, NOW, Survey, folder, survey

_COPY = """
def _c(a,b):
 with open(a,'rb') as f,open(b,'wb') as g:
  while True:
   d=f.read(512)
   if not d:break
   g.write(d)
"""
_CLEAR = """
import os
def _r(d):
 try:
  a=list(os.ilistdir(d))
 except OSError:
  return
 for e in a:
  p=d+'/'+e[0]
  if e[1]&0x4000:_r(p)
  else:os.remove(p)
 os.rmdir(d)
"""


def place(session: Session, port: str, work: Plan, progress: Progress) -> None:
    """Bring the slot to what it shall hold, and verify it; does nothing where it does already.

    Raises BoardFull, the slot then empty again; ProvisionError.
    """
    if not work.fresh:
        return
    try:
        session.run("import os" + _COPY)
        for path in work.drop:
            session.run(f"os.remove({path!r})")
        for made in _folders(work):
            session.run(f"try:os.mkdir({made!r})\nexcept OSError as e:\n if e.args[0]!=17:raise")
        for path, source in work.copy.items():
            session.run(f"_c({source!r},{path!r})")
        for count, (path, data) in enumerate(work.send.items(), 1):
            progress(f"copies {count} of {len(work.send)}: {path}")
            session.put(path, data)
    except BoardFull:
        with suppress(ProvisionError):
            clear(session, folder(work.slot))
        raise BoardFull(
            f"the file system of the board at {inert(port)} is full: pull its log, then make room"
            " (dialbench unprovision --with-log removes the log too) and run this again; what ran"
            " before still does"
        ) from None
    progress("verifies")
    root = folder(work.slot) + "/"
    there = {p: h for p, h in survey(session, port).hashes.items() if p.startswith(root)}
    if there != work.hashes:
        raise ProvisionError(
            f"files did not arrive whole on the board at {inert(port)}: run the same command again"
        )


def point(session: Session, found: Survey, work: Plan, main: bytes) -> None:
    """Have the board's next start try the slot: another program is kept, then main.py, then dial_now.

    Until the last of these, the board starts what it started before.
    """
    session.run("import os" + _COPY)
    if work.aside:
        session.run(f"_c({MAIN!r},{BEFORE + '.new'!r})")
        session.run(f"os.rename({BEFORE + '.new'!r},{BEFORE!r})")
    if work.main:
        _replace(session, MAIN, main)
    if work.fresh:
        _replace(session, NOW, f"{found.settled or NONE}{work.slot}".encode())


def settle(session: Session, slot: str) -> bool:
    """From now on the slot is what starts: its firmware has answered, and was released.

    False, and nothing is done, where it was another firmware that ran.
    """
    if session.ask(f"import os,sys\nprint({folder(slot)!r} in sys.path)") is not True:
        return False
    _replace(session, NOW, f"{slot}{NONE}".encode())
    return True


def clear(session: Session, path: str) -> None:
    """Remove a folder with all that is in it, if it is there."""
    session.run(f"{_CLEAR}\n_r({path!r})")


def _replace(session: Session, path: str, data: bytes) -> None:
    """The file holds data, or what it did before, never less."""
    session.put(path + ".new", data)
    session.run(f"os.rename({path + '.new'!r},{path!r})")


def _folders(work: Plan) -> list[str]:
    """Folders that the slot's files lie in, outer ones first."""
    found = {str(above) for path in work.hashes for above in PurePosixPath(path).parents}
    return sorted(found - {"/"})
