"""What runs have shown, kept in a file block by block, so that whatever ends a study loses nothing.

A file of lines: the question first, then one line a block, with a checksum each. A line is
appended in one write; one that was cut off is dropped when the file is opened again.
"""

from __future__ import annotations

import base64
import json
import os
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import IO, Self

import numpy as np
from numpy.typing import NDArray

from dialbench.errors import UserError
from dialbench.tolerance.study import BLOCK, FIGURES, Block, Question

Floats = NDArray[np.float64]

SCHEMA = "dialbench.tolerance-runs/1"
_SHAPE = (BLOCK, len(FIGURES))
_LINE_BYTES = 65_536  # a longer line is not one of ours


class ResultsError(UserError):
    """The file of results cannot be used; one sentence."""


class Results:
    """All blocks known so far; with a path also on disk. A context manager."""

    def __init__(self, question: Question, path: Path | None = None) -> None:
        self._known: dict[Block, Floats] = {}
        self._file: IO[bytes] | None = None
        if path is not None:
            self._file = _opened(path)
            try:
                self._read(question, path)
            except BaseException:
                self._file.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def __contains__(self, block: Block) -> bool:
        return block in self._known

    def __len__(self) -> int:
        return len(self._known)

    def add(self, block: Block, figures: Floats) -> None:
        """Keep a block's figures, shape (BLOCK, len(FIGURES))."""
        if self._file is not None:
            self._file.write(_line(block, figures))
            self._file.flush()
        self._known[block] = figures

    def runs(self, variant: int, count: int) -> Floats:
        """Figures of the first `count` runs of a variant, in their order. KeyError if not all
        are known."""
        parts = [self._known[Block(variant, number)] for number in range(-(-count // BLOCK))]
        return np.concatenate(parts)[:count] if parts else np.zeros((0, len(FIGURES)))

    def _read(self, question: Question, path: Path) -> None:
        file = self._file
        assert file is not None
        asked = question.as_dict()
        whole = 0
        for number, line in enumerate(_lines(file)):
            if number == 0:
                _same_question(line, asked, path)
            else:
                found = _block(line)
                if found is None:
                    break  # cut off, or spoilt: from here on it is worked out again
                self._known[found[0]] = found[1]
            whole += len(line)
        file.seek(whole)
        file.truncate()
        if not whole:
            first = json.dumps({"schema": SCHEMA, "question": asked}, sort_keys=True)
            file.write(first.encode() + b"\n")
            file.flush()


def _opened(path: Path) -> IO[bytes]:
    """The file, made if it is not there, for this process alone where the system can say so."""
    try:
        file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o666), "r+b")
    except (OSError, ValueError) as wrong:
        reason = getattr(wrong, "strerror", None) or str(wrong)
        raise ResultsError(f"--keep {path}: cannot be written ({reason}): name another") from wrong
    with suppress(ImportError):
        import fcntl

        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            file.close()
            raise ResultsError(
                f"--keep {path}: another study writes into it: wait for it, or name another file"
            ) from None
    return file


def _lines(file: IO[bytes]) -> Iterator[bytes]:
    """Whole lines; the first even where it has no end, so that no other file is taken for an
    empty one."""
    first = True
    while (line := file.readline(_LINE_BYTES)) and (first or line.endswith(b"\n")):
        first = False
        yield line


def _same_question(line: bytes, asked: dict[str, object], path: Path) -> None:
    try:
        head = json.loads(line)
        if head["schema"] != SCHEMA or not isinstance(head["question"], dict):
            raise ValueError
    except (ValueError, LookupError, TypeError, RecursionError):
        raise ResultsError(
            f"--keep {path}: holds no runs of a tolerance study: name another file"
        ) from None
    known = head["question"]
    differing = [name for name, value in asked.items() if known.get(name) != value]
    if differing:
        raise ResultsError(
            f"--keep {path}: holds runs of another question ({', '.join(differing)} differ):"
            " name another file, or ask what was asked there"
        )


def _line(block: Block, figures: Floats) -> bytes:
    data = np.ascontiguousarray(figures, "<f8").tobytes()
    text = f"{block.variant} {block.number} {base64.b64encode(data).decode()}"
    return f"{text} {zlib.crc32(text.encode()):08x}\n".encode()


def _block(line: bytes) -> tuple[Block, Floats] | None:
    text, _, crc = line.rstrip(b"\n").rpartition(b" ")
    try:
        if zlib.crc32(text) != int(crc, 16):
            return None
        variant, number, data = text.split(b" ")
        figures = np.frombuffer(base64.b64decode(data), "<f8").astype(np.float64)
        return Block(int(variant), int(number)), figures.reshape(_SHAPE)
    except ValueError:
        return None
