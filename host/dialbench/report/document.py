"""A document as plain values: what `html` and `pdf` make pages of.

Text is text: it is escaped where it is laid out, and made inert here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from dialbench.errors import inert


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True)
class Table:
    """A heading and rows of as many cells; without a heading, labels and values."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Picture:
    """A figure: as an SVG document, as a PNG for paper, and what it shows, in words."""

    caption: str
    description: str
    svg: bytes
    png: Callable[[], bytes]
    width_mm: float
    height_mm: float


Block = Words | Table | Picture


@dataclass(frozen=True)
class Section:
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    title: str
    lead: str
    sections: tuple[Section, ...]


def words(sentences: Iterable[str]) -> tuple[Words, ...]:
    """A paragraph each."""
    return tuple(Words(inert(sentence)) for sentence in sentences)


def table(caption: str, rows: Sequence[Sequence[str]], head: Sequence[str] | None = None) -> Table:
    """Rows of text from anywhere; the first of them is the heading unless head says (or is
    empty: a table of labels and values)."""
    if head is None:
        head, *rows = rows
    return Table(
        inert(caption),
        tuple(inert(cell) for cell in head),
        tuple(tuple(inert(cell) for cell in row) for row in rows),
    )
