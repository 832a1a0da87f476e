"""The assistant: looks in, guidance out, while hands do what they were told, or not.

What is told and what hands do with it belong together: whoever was told to turn the base by
three degrees and says that he did has turned it by about three, which is worth as much as
many looks. Those who say nothing are found out by the looks themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

from dialbench.dial import Dial
from dialbench.placing.guide import GOAL_DEG, Guidance, Guide
from dialbench.placing.looks import Look
from dialbench.placing.placer import Hands, Placer, Stand
from dialbench.sky import Sky
from dialbench.solve.stand import Foot

_PATIENCE_US = 40_000_000  # after hands were seen at it, until they are taken to be done


class Setter:
    """Of one dial on three feet. Not for two threads at a time. Raises FeetError."""

    def __init__(
        self,
        dial: Dial,
        sky: Sky,
        feet: Sequence[Foot],
        goal_deg: float = GOAL_DEG,
        seed: int = 1,
    ) -> None:
        self._placer = Placer(dial, sky, seed)
        self._guide = Guide(dial, self._placer.first, feet, goal_deg)
        self._channels = len(dial.channels)
        self._hands: Hands | None = None
        self._told_us = 0
        self.stand: Stand | None = None
        self.guidance: Guidance | None = None

    def look(self, utc_us: int, gate: bool, levels: Sequence[int]) -> Guidance:
        """What to do after one more look at all channels, while the Sun shone (gate) or not.

        Raises SkyError; ValueError for another number of channels.
        """
        if len(levels) != self._channels:
            raise ValueError(f"{len(levels)} levels for {self._channels} channels")
        if not gate:
            self.guidance = self._guide.dark(utc_us)
            return self.guidance
        before = self.stand
        self.stand = self._placer.after(before, Look(utc_us, tuple(levels)), self._hands)
        return self._guided(before, utc_us)

    def moved(self) -> Guidance | None:
        """What to do after hands have done what they were told last; None before any look."""
        if self.stand is None or self.stand.stay.last is None:
            return None
        before = self.stand
        self.stand = self._placer.done(before, self._hands)
        self._hands = None
        return self._guided(before, self.stand.taken_us)

    def _guided(self, before: Stand | None, utc_us: int) -> Guidance:
        stand = self.stand
        assert stand is not None
        stale = self.guidance is None or self.guidance.state == "dark"
        if stale or before is None or stand.facts is not before.facts:
            self.guidance = self._guide.at(stand)
        assert self.guidance is not None
        latest_us = max(self._told_us, stand.moved_us or 0)
        if self._hands is not None and utc_us - latest_us < _PATIENCE_US:
            return self.guidance  # hands may still be at what they were told
        told = self.guidance.state == "act" and self.guidance.action
        self._hands = Hands(stand.poses, self._guide.done(told)) if told else None
        self._told_us = utc_us
        return self.guidance
