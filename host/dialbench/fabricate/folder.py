"""A folder of files that belong together: written whole, checked by its manifest.

Files are made in a folder of their own beside it and moved in one by one when all are there.
The manifest comes first and names, besides the new files, those they take the place of: so
whatever stops the work, every file is whole, and the next run knows them for its own.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dialbench.errors import UserError, inert

MANIFEST = "manifest.json"
SCHEMA = "dialbench.manifest/1"

_MAX_MANIFEST = 1_000_000


class FolderError(UserError):
    """Why a folder is not written to."""


def check(out: Path, passing: str = "") -> dict[str, frozenset[str]]:
    """Names and checksums of what stands in `out` and was written by us.

    passing names an entry to pass over. FolderError if anything else stands there, or `out`
    cannot be made.
    """
    name = inert(str(out))
    if out.is_symlink() and not out.exists():
        raise FolderError(f"--out {name}: is a link to nowhere; remove it or choose another folder")
    if not out.exists():
        if not out.absolute().parent.is_dir():
            raise FolderError(
                f"--out {name}: there is no folder {inert(str(out.absolute().parent))}; make it "
                "first"
            )
        return {}
    if not out.is_dir():
        raise FolderError(f"--out {name}: is a file; choose a folder")
    entries = sorted(set(os.listdir(out)) - {passing})
    if not entries:
        return {}
    own = _own(out / MANIFEST)
    for entry in entries:
        path = out / entry
        if entry == MANIFEST and own:
            continue
        if entry not in own:
            raise FolderError(
                f"--out {name}: holds {inert(entry)}, which dialbench fabricate did not write; "
                "choose an empty folder"
            )
        if path.is_symlink() or not path.is_file() or _sha256(path) not in own[entry]:
            raise FolderError(
                f"--out {name}: {inert(entry)} was changed since it was written; move it away or "
                "choose an empty folder"
            )
    return own


def _own(path: Path) -> dict[str, frozenset[str]]:
    """What a manifest says; nothing if it is none of ours."""
    try:
        with path.open("rb") as stream:
            told = json.loads(stream.read(_MAX_MANIFEST))
        if told["schema"] != SCHEMA:
            return {}
        found: dict[str, set[str]] = {}
        for key in ("files", "before"):
            for name, facts in told.get(key, {}).items():
                found.setdefault(str(name), set()).add(str(facts["sha256"]))
        return {name: frozenset(sums) for name, sums in found.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


@contextmanager
def staging(out: Path) -> Iterator[Path]:
    """A fresh folder beside `out` to make files in; it is gone afterwards, come what may."""
    place = out.resolve()
    beside = place.parent
    if place.is_dir() and (
        place.stat().st_dev != beside.stat().st_dev or not os.access(beside, os.W_OK)
    ):
        beside = place  # files are moved within one disk only
    made = Path(tempfile.mkdtemp(prefix=".dialbench-", dir=beside))
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def publish(made: Path, out: Path, facts: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Move all files of `made` to `out`, with a manifest of them and of facts.

    Returns the manifest's files: name to bytes and sha256. Own files of an older run that
    have no successor are removed. FolderError as `check`.
    """
    own = check(out, made.name)
    files = {
        path.name: {"bytes": path.stat().st_size, "sha256": _sha256(path)}
        for path in sorted(made.iterdir())
    }
    out.mkdir(exist_ok=True)
    before = {
        name: {"sha256": _sha256(out / name)} for name in sorted(own) if (out / name).is_file()
    }
    if before:
        _write(made, out, {**facts, "files": files, "before": before})
    else:
        _write(made, out, {**facts, "files": files})
    for name in files:
        os.replace(made / name, out / name)
    for name in sorted(set(before) - set(files) - {MANIFEST}):
        (out / name).unlink()
    _write(made, out, {**facts, "files": files})
    return files


def _write(made: Path, out: Path, told: dict[str, Any]) -> None:
    """Put a manifest in its place in one step."""
    fresh = made / f"{MANIFEST}.new"
    text = json.dumps({"schema": SCHEMA, **told}, indent=1) + "\n"
    with fresh.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(fresh, out / MANIFEST)


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
