"""A copy of a store: of one moment, whole or not at all, looked at before it counts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dialbench import whole
from dialbench.errors import inert
from dialbench.store.check import check
from dialbench.store.database import Database, StoreError, beside, is_store

# What says that a copy is no use; what the boards' logs lack, it lacks as well.
_UNSOUND = {"damage", "spoilt"}


@dataclass(frozen=True)
class BackedUp:
    """What a backup holds, and how large it is."""

    boards: int
    pages: int
    foreign_logs: int
    bytes: int


def backup(path: Path, out: Path, replace: bool = False) -> BackedUp:
    """Copy the store at path to out while others read and write it.

    Raises StoreError, and nothing is at out that was not there before: where out exists
    and replace was not asked for, or where it is no store that can be replaced; where the
    store cannot be read, where the copy does not fit, and where what it holds is not sound.
    """
    if out.exists() and (not replace or out.samefile(path)):
        raise StoreError(
            f"{inert(str(out))} is there already: name another file, or say --replace to write"
            " over an earlier backup"
        )
    if not out.parent.is_dir():
        raise StoreError(f"{inert(str(out.parent))} is no folder: make it first")
    if out.exists() and not (out.is_file() and is_store(out)):
        raise StoreError(f"{inert(str(out))} is no backup of a store: name another file")
    # SQLite would write what stands in them into the copy.
    for log in beside(out):
        raise StoreError(
            f"{inert(str(log))} belongs to another store of that name, which is open or was not"
            " closed: name another file, or move both away"
        )
    source = Database.look(path)
    try:
        with whole.placed(out) as part:
            source.copy_to(part)
            found = check(part)
            bad = [one.sentence for one in found.findings if one.kind in _UNSOUND]
            if bad:
                raise StoreError(
                    f"{inert(str(path))} is not backed up, as it is not sound ({bad[0]}):"
                    " see dialbench check"
                )
            size = part.stat().st_size
    finally:
        source.close()
    return BackedUp(found.boards, found.pages, found.foreign_logs, size)
