"""Where exported files go: a folder or a zip, whole or not at all, the same bytes each time."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from dialbench import whole
from dialbench.exchange import ExchangeError

_DATE = (1980, 1, 1, 0, 0, 0)  # the first that a zip can tell: the time of day is no content
_MODE = 0o100644 << 16
_UNIX = 3
ZIP = ".zip"


@dataclass(frozen=True)
class Written:
    """A file that was written: its path from the top, bytes and SHA-256."""

    path: str
    bytes: int
    sha256: str


class Sink:
    """Files are written one after the other; `written` lists them."""

    def __init__(self, opened: Callable[[str], AbstractContextManager[BinaryIO]]) -> None:
        self._opened = opened
        self.written: list[Written] = []

    @contextmanager
    def open(self, path: str) -> Iterator[BinaryIO]:
        """A stream for one file, path from the top with /."""
        with self._opened(path) as stream:
            counted = _Counted(stream)
            yield counted
        self.written.append(Written(path, counted.count, counted.hash.hexdigest()))

    def write(self, path: str, parts: Iterable[bytes]) -> None:
        """One file of these bytes."""
        with self.open(path) as stream:
            for part in parts:
                stream.write(part)


@contextmanager
def placed(out: Path) -> Iterator[Sink]:
    """A sink for out, a zip where its name ends so and a folder otherwise; it is there when all
    of it is written, and nothing where anything goes wrong. Raises ExchangeError where out is
    there already, or cannot be written."""
    try:
        if out.exists() or out.is_symlink():
            raise ExchangeError(f"--out {out}: is there already: name a new one")
        if not out.absolute().parent.is_dir():
            raise ExchangeError(f"--out {out}: its folder is not there: make it first")
        if out.suffix.lower() == ZIP:
            with (
                whole.placed(out) as part,
                zipfile.ZipFile(part, "x", zipfile.ZIP_DEFLATED) as packed,
            ):
                yield Sink(lambda path: _entry(packed, path))
        else:
            with whole.folder(out) as part:
                yield Sink(lambda path: _file(part / path))
    except (OSError, ValueError) as error:  # ValueError: NUL in the name
        reason = getattr(error, "strerror", None) or error
        raise ExchangeError(f"--out {out}: cannot be written ({reason})") from None


@contextmanager
def _file(path: Path) -> Iterator[BinaryIO]:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as stream:
        yield stream


@contextmanager
def _entry(packed: zipfile.ZipFile, path: str) -> Iterator[BinaryIO]:
    info = zipfile.ZipInfo(path, _DATE)
    info.compress_type, info.external_attr, info.create_system = zipfile.ZIP_DEFLATED, _MODE, _UNIX
    with packed.open(info, "w", force_zip64=True) as stream:
        yield stream  # type: ignore[misc]


class _Counted(io.RawIOBase, BinaryIO):
    """A stream to write to, that counts and hashes what goes through it."""

    def __init__(self, stream: BinaryIO) -> None:
        super().__init__()
        self._stream = stream
        self.count = 0
        self.hash = hashlib.sha256()

    def writable(self) -> bool:
        return True

    def write(self, data: bytes) -> int:  # type: ignore[override]
        self._stream.write(data)
        self.count += len(data)
        self.hash.update(data)
        return len(data)

    def tell(self) -> int:
        return self.count
