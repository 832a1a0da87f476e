"""A study: one question, cut into blocks of runs that can be worked out anywhere, in any order.

A run is one body. Runs come in *variants*: first the tolerances as given, then each of them
halved, with the same lots, so that what halving one buys is not lost among the lots.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dialbench import __version__, dialfile
from dialbench.dial import Dial
from dialbench.tolerance.course import Course, declinations_deg
from dialbench.tolerance.errors import Tolerances, made

Floats = NDArray[np.float64]

FORMAT = 1  # changes with every change of what comes out here: kept results rest on it
BLOCK = 32  # runs worked out and kept together
FIGURES = ("duty", "wrong", "late_s")
_OF_RUNS, _BEYOND = 64, 1.1  # the usual reach is so much beyond that of so many bodies
_FARTHEST = 7.0  # standard deviations: no lot of ten million is farther out
_HALVED = 10  # one run in so many is also made with each tolerance halved
_HALVED_LEAST = 200

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Block:
    """Runs number * BLOCK and on, of one variant: 0 as given, k with the k-th tolerance halved."""

    variant: int
    number: int


@dataclass(frozen=True)
class Question:
    """What is asked, in plain values: nothing else enters a run but its number.

    dial_toml: the dial, as a file's text; days: how many declinations stand for a year;
    season_deg: those between which all is asked.
    """

    dial_toml: str
    tolerances: Tolerances
    seed: int
    days: int
    season_deg: tuple[float, float] | None = None

    @property
    def dial(self) -> Dial:
        return _dial(self.dial_toml)

    @property
    def variants(self) -> tuple[Tolerances, ...]:
        given = self.tolerances
        return (given, *(given.halved(name) for name in given.some))

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types, the dial by its hash."""
        return {
            "dial_hash": self.dial.hash,
            "tolerances": self.tolerances.as_dict(),
            "seed": self.seed,
            "days": self.days,
            "season_deg": None if self.season_deg is None else list(self.season_deg),
            "format": FORMAT,
        }

    @property
    def name(self) -> str:
        """16 hex digits; of two questions that differ anywhere they differ."""
        text = json.dumps(self.as_dict(), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


class Workers(Protocol):
    """Something that works out blocks: see here, pool, cluster."""

    def results(
        self, question: Question, blocks: Iterator[Block]
    ) -> Iterator[tuple[Block, Floats]]:
        """Figures (BLOCK, len(FIGURES)) of each block, as they come; few are in work at once."""
        ...


def halved_runs(runs: int) -> int:
    """How many runs of each variant but the first."""
    return min(runs, max(_HALVED_LEAST, runs // _HALVED))


def blocks(question: Question, runs: int) -> Iterator[Block]:
    """All blocks that so many runs need, variant by variant."""
    for variant in range(len(question.variants)):
        asked = halved_runs(runs) if variant else runs
        yield from (Block(variant, number) for number in range(-(-asked // BLOCK)))


def worked_out(question: Question, block: Block) -> Floats:
    """The figures of a block's runs; the same on every computer of a kind."""
    course, tolerances = _course(question), question.variants[block.variant]
    dial = question.dial
    first = block.number * BLOCK
    rows = []
    for number in range(first, first + BLOCK):
        found = course.figures(made(dial, tolerances, question.seed, number))
        rows.append([getattr(found, name) for name in FIGURES])
    return np.array(rows)


def as_drawn(question: Question) -> tuple[float, ...]:
    """The figures of the dial without any error."""
    none = Tolerances(**dict.fromkeys(question.tolerances.as_dict(), 0.0))
    found = _course(question).figures(made(question.dial, none, 0, 0))
    return tuple(getattr(found, name) for name in FIGURES)


@lru_cache(maxsize=2)
def _course(question: Question) -> Course:
    dial = question.dial
    given = question.tolerances
    lots = [made(dial, given, question.seed, number) for number in range(_OF_RUNS)]
    edges_deg, tilted_deg = (
        _BEYOND * max(getattr(one, name) for one in lots) for name in ("edges_deg", "tilted_deg")
    )
    days_deg = declinations_deg(question.days, question.season_deg)
    return Course.of(dial, days_deg, edges_deg, tilted_deg, _FARTHEST * given.whole_deg)


@lru_cache(maxsize=2)
def _dial(dial_toml: str) -> Dial:
    return dialfile.parse(dial_toml, "dial of the study")


VERSION = f"{__version__} {FORMAT} numpy {np.__version__}"
