"""From a wish to its dial, the curve of what sizes can do, and why a wish cannot be had."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dialbench.dial import Dial
from dialbench.optimise.design import Design, drawn
from dialbench.optimise.outcome import Outcome, merit, shortfalls
from dialbench.optimise.search import (
    Looks,
    Progress,
    Search,
    Size,
    best_of,
    curve,
    least_scale,
    load,
    scaled,
)
from dialbench.wish import Wish

SCALES = (1.0, 0.85, 0.7, 0.55, 0.4)

_UNITS = {"duty": "duty", "wrong": "wrong light", "ghost": "ghost light"}


@dataclass(frozen=True)
class Laid:
    """What came of a wish. dial: None where no body fits the envelope at all.

    missed: by how much the best design found misses which limits; sizes: the curve, largest
    envelope first; least: the smallest envelope that meets all limits, looked for only where
    some are missed; cut_short: whether time ended the search.
    """

    wish: Wish
    best: Outcome
    dial: Dial | None
    missed: dict[str, float]
    sizes: tuple[Size, ...]
    least: Size | None
    looks: int
    cut_short: bool

    @property
    def sentences(self) -> list[str]:
        """What there is to say, the most important first."""
        envelope, best = self.wish.envelope, self.best
        box = f"{envelope.width_mm:g} x {envelope.length_mm:g} x {envelope.height_mm:g} mm"
        if self.dial is None:
            told = [f"No body fits the envelope of {box}: {best.reason}."]
        else:
            told = [_figures(best)]
        for name in self.missed:
            if name == "body":
                continue
            value, limit = getattr(best, name), getattr(self.wish.limits, name)
            told.append(
                f"The wish cannot be had in {box} with exits of {self.wish.process.exit_mm:g} mm: "
                f"{_UNITS[name]} is {value:.4g} at best, asked for is {limit:g}. {self._why(name)}"
            )
        if self.missed:
            told.append(self._larger())
        if self.wish.limits.contrast is not None:
            told.append("Contrast is not looked at in a layout; dialbench audit is for that.")
        if self.cut_short:
            told.append(
                "The time given was over before the search was: run it again, and it goes on "
                "from where it stands."
            )
        return told

    def _why(self, name: str) -> str:
        """What keeps a limit from being met."""
        best = self.best
        if best.thin:
            return (
                f"{best.thin} walls between a channel's steps are nowhere as thick as the "
                f"{self.wish.process.wall_mm:g} mm that can be made, so they do not exist: a deeper "
                "body or a finer process would help."
            )
        if name == "duty" and best.duty_alone < (self.wish.limits.duty or 0.9):
            return (
                "Even if no light strayed it would be no better: in a body so shallow for its exits "
                "light comes and goes too slowly. A deeper body or a smaller exit would help."
            )
        return (
            "Bores of neighbouring channels cross, and light strays from one into another: wider "
            "pitches, a thinner body or a smaller exit keep them apart."
        )

    def _larger(self) -> str:
        if self.least is None and self.cut_short:
            return "Whether a larger envelope would do was not looked for to the end."
        if self.least is None:
            return (
                "Nor was one found that does in any envelope up to eight times as large: ask for "
                "less, or allow a smaller exit."
            )
        e, scale = self.wish.envelope, self.least.scale
        return (
            f"The smallest envelope found that meets it is {scale:.2f} times as large: "
            f"{e.width_mm * scale:.0f} x {e.length_mm * scale:.0f} x {e.height_mm * scale:.0f} mm."
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for the object of `dialbench layout --json`."""
        return {
            "name": self.wish.name,
            "dial_hash": None if self.dial is None else self.dial.hash,
            "best": _plain(self.best),
            "missed": self.missed,
            "curve": [{"scale": size.scale, **_plain(size.outcome)} for size in self.sizes],
            "least": None
            if self.least is None
            else {"scale": self.least.scale, **_plain(self.least.outcome)},
            "looks": self.looks,
            "cut_short": self.cut_short,
            "sentences": self.sentences,
        }

    def rows(self) -> list[tuple[str, ...]]:
        """The curve as a table, its heading first."""
        heading = ("size", "body (mm)", "pitch (mm)", "bores", "duty", "wrong", "ghost", "clear")
        return [heading, *(_row(size) for size in self.sizes)]


def laid_out(
    wish: Wish, looks: Looks, progress: Progress, file: Path | None, sizes: bool = True
) -> Laid:
    """Search, trim closely, and draw the curve. file keeps the looks: see search.Search.

    Raises UserError for a file that is none of a search.
    """
    known = {} if file is None else load(file)
    search = Search(wish, looks, progress, time.monotonic() + 60 * wish.minutes, file, known)
    best = best_of(search)
    missed = shortfalls(wish, best)
    points = curve(search, best, SCALES) if sizes and not search.late else []
    chosen = Size(1.0, best)
    if missed:
        # What was found for a smaller envelope lies within this one too.
        meeting = [size for size in points if not shortfalls(wish, size.outcome)]
        chosen = max(meeting, key=lambda size: merit(wish, size.outcome), default=chosen)
        best, missed = chosen.outcome, shortfalls(wish, chosen.outcome)
    dial = None
    if not best.reason:
        dial = drawn(scaled(wish, chosen.scale), best.design, best.dial_trims)
    least = least_scale(search, best) if missed and not search.late else None
    return Laid(wish, best, dial, missed, tuple(points), least, len(search.known), search.cut_short)


def _figures(best: Outcome) -> str:
    return (
        f"duty {best.duty:.4f}, wrong light {best.wrong:.5f}, ghost light at most {best.ghost:.3f}, "
        f"clear {best.clear:.3f}, lit channels {best.brightness:.3f} bright; {best.bores} bores in "
        f"{best.width_mm:.0f} x {best.length_mm:.0f} x {best.height_mm:.0f} mm."
    )


def _plain(found: Outcome) -> dict[str, Any]:
    plain = found.as_dict()
    del plain["trims"]
    return plain


def _row(size: Size) -> tuple[str, ...]:
    found = size.outcome
    if found.reason:
        return (f"{size.scale:.0%}", "none fits", "", "", "", "", "", "")
    design: Design = found.design
    return (
        f"{size.scale:.0%}",
        f"{found.width_mm:.0f} x {found.length_mm:.0f} x {found.height_mm:.1f}",
        f"{design.column_pitch_mm:.1f} x {design.row_pitch_mm:.1f}",
        f"{found.bores}",
        f"{found.duty:.4f}",
        f"{found.wrong:.5f}",
        f"{found.ghost:.3f}",
        f"{found.clear:.3f}",
    )
