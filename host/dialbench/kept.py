"""Derived data on disk: arrays that took a while to work out, kept for the next time.

Nothing here is ever needed: what is absent, damaged, made under another key or out of
reach is as if it had never been kept, and no failure to keep is an error. Files lie in the
folder named by DIALBENCH_CACHE, else in the user's cache folder; the least recently used
go when all of them together grow beyond MAX_BYTES.

A file: one line of JSON (key, checksums, and each array's name, type, shape and place), then
the arrays, each at a multiple of 64 bytes. It is written under another name and renamed,
so that two processes never see half of one.
"""

from __future__ import annotations

import contextlib
import json
import math
import mmap
import os
import re
import tempfile
import time
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[Any]]

MAX_BYTES = 500_000_000  # of all files together
_FORMAT = "dialbench kept 1"
_SUFFIX = ".kept"
_HEAD_BYTES = 65_536  # a longer first line is not one of ours
_ALIGN = 64
_KINDS = "biuf"  # plain numbers only
_STALE_S = 86_400.0  # age at which an unfinished file has nobody who will finish it
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]{0,99}")


def folder() -> Path:
    """Where files are kept, whether or not it exists."""
    named = os.environ.get("DIALBENCH_CACHE")
    if named:
        return Path(named)
    from platformdirs import user_cache_dir

    return Path(user_cache_dir("dialbench", appauthor=False))


def load(name: str, key: Mapping[str, str], mapped: bool = False) -> Arrays | None:
    """The arrays kept under a name, read-only, if they were made under the same key.

    mapped leaves them on disk until they are touched: for large ones. The checksum of
    what stands in them is then not looked at, only whether the file is as long as it says.
    """
    path = _path(name)
    try:
        with path.open("rb") as stream:
            first = stream.readline(_HEAD_BYTES)
            begin = _aligned(len(first))
            size = os.fstat(stream.fileno()).st_size
            head = json.loads(first)
            if not _fits(head, key, size - begin):
                return None
            if mapped and size > begin:
                data = memoryview(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))[begin:]
            else:
                stream.seek(begin)
                data = memoryview(stream.read())
                if zlib.crc32(data) != head["crc32"]:
                    return None
        arrays = {
            label: np.frombuffer(data, dtype, math.prod(shape), place).reshape(shape)
            for label, (dtype, shape, place) in head["arrays"].items()
        }
    # Whatever else stands in a file that is not ours: it is not ours.
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None
    with contextlib.suppress(OSError):
        os.utime(path)
    return arrays


def save(name: str, key: Mapping[str, str], arrays: Mapping[str, NDArray[Any]]) -> None:
    """Keep arrays of plain numbers under a name, in place of what it held before."""
    path = _path(name)
    solid = {label: np.ascontiguousarray(array) for label, array in arrays.items()}
    places: dict[str, tuple[str, tuple[int, ...], int]] = {}
    parts: list[bytes] = []
    end = 0
    for label, array in solid.items():
        if array.dtype.kind not in _KINDS:
            raise TypeError(f"{label}: {array.dtype} is no plain number")
        places[label] = (array.dtype.str, arrays[label].shape, end)
        parts.append(array.tobytes().ljust(_aligned(array.nbytes), b"\0"))
        end += len(parts[-1])
    data = b"".join(parts)
    head: dict[str, Any] = {"format": _FORMAT, "key": dict(key), "arrays": places}
    head |= {"bytes": end, "crc32": zlib.crc32(data)}
    first = json.dumps({**head, "head_crc32": _checksum(head)}).encode() + b"\n"
    if len(first) > _HEAD_BYTES or end > MAX_BYTES:
        return
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        _write(path, first.ljust(_aligned(len(first)), b"\0") + data)
        _sweep(path.parent)


def _path(name: str) -> Path:
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name for a file")
    return folder() / (name + _SUFFIX)


def _aligned(size: int) -> int:
    return -(-size // _ALIGN) * _ALIGN


def _checksum(head: Mapping[str, Any]) -> int:
    return zlib.crc32(json.dumps(head, sort_keys=True).encode())


def _fits(head: Any, key: Mapping[str, str], size: int) -> bool:
    """Whether a file's first line is ours, of this key, and of a file of this size."""
    return (
        head.pop("head_crc32") == _checksum(head)
        and head["format"] == _FORMAT
        and head["key"] == dict(key)
        and head["bytes"] == size
        and all(_within(size, *array) for array in head["arrays"].values())
    )


def _within(size: int, dtype: str, shape: list[int], place: int) -> bool:
    """Whether an array is one of plain numbers, and inside size bytes."""
    kind = np.dtype(dtype)
    end = place + math.prod(shape) * kind.itemsize
    return kind.kind in _KINDS and min(place, *shape, end) >= 0 and end <= size


def _write(path: Path, data: bytes) -> None:
    handle, unfinished = tempfile.mkstemp(".tmp", path.name, path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(unfinished, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(unfinished)
        raise


def _sweep(where: Path) -> None:
    """Remove what was used longest ago, until the rest is within MAX_BYTES."""
    used: list[tuple[float, int, Path]] = []
    for path in where.iterdir():
        with contextlib.suppress(OSError):
            facts = path.stat()
            if path.suffix == _SUFFIX:
                used.append((facts.st_mtime, facts.st_size, path))
            elif path.match(f"*{_SUFFIX}*.tmp") and facts.st_mtime < time.time() - _STALE_S:
                path.unlink()
    total = sum(size for _, size, _ in used)
    for _, size, path in sorted(used):
        if total <= MAX_BYTES:
            break
        with contextlib.suppress(OSError):
            path.unlink()
            total -= size
