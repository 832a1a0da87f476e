"""Pictures of SVG that change with time by themselves: no scripts, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Film:
    """Plays over and over, each time so many seconds.

    still is the frame, from 0, that is seen where nothing plays.
    """

    seconds: float
    frames: int
    still: int

    def shapes(self, x: float, y: float, names: Sequence[str]) -> str:
        """At a place one shape of <defs> after the other: the name of each frame's."""
        changes = [0, *(k for k in range(1, self.frames) if names[k] != names[k - 1])]
        placed = f'<use href="#{names[self.still]}" x="{x:.4g}" y="{y:.4g}"'
        if len(changes) == 1:
            return f"{placed}/>"
        times = ";".join(self._share(k) for k in changes)
        values = ";".join(f"#{names[k]}" for k in changes)
        return (
            f'{placed}><animate attributeName="href" calcMode="discrete" keyTimes="{times}" '
            f'values="{values}" {self._loop}/></use>'
        )

    def moved(self, content: str, places: Sequence[tuple[float, float]]) -> str:
        """content, moved evenly from place to place; one place to each frame and one beyond, or
        any other number."""
        x, y = places[self.still * (len(places) - 1) // self.frames]
        group = f'<g transform="translate({x:.1f} {y:.1f})">{content}'
        if len(places) == 1:
            return f"{group}</g>"
        values = ";".join(f"{x:.1f} {y:.1f}" for x, y in places)
        return (
            f'{group}<animateTransform attributeName="transform" type="translate" '
            f'values="{values}" {self._loop}/></g>'
        )

    @property
    def _loop(self) -> str:
        return f'dur="{self.seconds:g}s" repeatCount="indefinite"'

    def _share(self, frame: int) -> str:
        return f"{frame / self.frames:.5f}".rstrip("0").rstrip(".")
