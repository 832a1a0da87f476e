"""What an audit finds, and how it is made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from dialbench.audit import showing
from dialbench.audit.brightness import Contrasts
from dialbench.audit.ghosts import Ghost, ghosts
from dialbench.audit.legibility import Apart, apart
from dialbench.audit.minutes import Floats, plan_time
from dialbench.audit.shares import Shares, shares
from dialbench.audit.walls import Walls, walls
from dialbench.audit.year import Progress, Year, year_of
from dialbench.dial import Dial, Limits
from dialbench.errors import UserError
from dialbench.lit import light_of

_SECOND_US = 1e6


class AuditError(UserError):
    """Why a dial cannot be audited; one sentence."""


@dataclass(frozen=True)
class Late:
    """How late light comes and goes, over all edges of a year: seconds, positive late.

    Of `count` edges `missed` have no crossing within half a step; rms_s is over the others,
    worst the place among the year's edges of the one farthest off, None where all are missed.
    """

    count: int
    missed: int
    rms_s: float
    worst_s: float
    worst: int | None


@dataclass(frozen=True)
class Audit:
    """One dial over one year: the figures, and what they come from.

    limits are those that it is held to. pieces_mm3: the parts that the body as made falls
    into, largest first; crumb_mm3: smaller ones are but crumbs.
    """

    dial: Dial
    year: int
    limits: Limits
    seen: Year
    ghosts: tuple[Ghost, ...]
    walls: Walls
    pieces_mm3: tuple[float, ...]
    crumb_mm3: float
    apart: tuple[Apart, ...]

    @cached_property
    def by_day(self) -> Shares:
        return shares(self.seen.pieces, self.seen.pieces.day, len(self.seen.time.dates))

    @cached_property
    def by_step(self) -> Shares:
        return shares(self.seen.pieces, self.seen.pieces.step, self.seen.time.steps)

    @cached_property
    def whole(self) -> Shares:
        """Of the year: arrays of one value."""
        return shares(self.seen.pieces, np.zeros(len(self.seen.pieces.day), np.int64), 1)

    @property
    def duty(self) -> float:
        return float(self.whole.duty[0])

    @property
    def wrong(self) -> float:
        return float(self.whole.wrong[0])

    @property
    def ghost(self) -> float:
        """The most light of any ghost; 0 where there is none."""
        return max((ghost.peak for ghost in self.ghosts), default=0.0)

    @cached_property
    def middle(self) -> Contrasts:
        """The least contrast in the middle of each step, in order of steps."""
        return self.seen.middle.least()

    @cached_property
    def half(self) -> Contrasts:
        """The least contrast in the middle half of each step, in order of steps."""
        return self.seen.half.least()

    @property
    def contrast(self) -> float:
        """The least in the middle of any step; inf where no dark channel has any light."""
        return float(self.middle.ratio.min(initial=math.inf))

    @property
    def hamming(self) -> int | None:
        """Channels in which the two faces differ that are nearest; None without two."""
        return min((a.channels for a in self.apart if a.channels is not None), default=None)

    @property
    def loose_mm3(self) -> tuple[float, ...]:
        """Parts that fall free and are more than crumbs."""
        return tuple(v for v in self.pieces_mm3[1:] if v > self.crumb_mm3)

    @cached_property
    def gaps_s(self) -> Floats:
        """How long no right face stands about each boundary: (days, steps - 1), nan for none."""
        return showing.gaps_us(self.seen.time, self.seen.pieces) / _SECOND_US

    @cached_property
    def late(self) -> Late:
        """Against the plan's boundaries."""
        return _late(self.seen.edges.late_us)

    @cached_property
    def stretch(self) -> Late:
        """Against the channels' own bores: what stray light does to their edges."""
        return _late(self.seen.edges.late_us - self.seen.edges.own_late_us)

    @cached_property
    def exits_mm2(self) -> Floats:
        """Area of each channel's exit, the widest of its bores' own; shape (channels,)."""
        areas = np.zeros(len(self.dial.channels))
        for bore in self.dial.bores:
            area = bore.exit_mm**2 * (math.pi / 4 if bore.shape == "round" else 1.0)
            areas[bore.channel] = max(areas[bore.channel], area)
        return areas


def _late(late_us: Floats) -> Late:
    known = np.flatnonzero(np.isfinite(late_us))
    late_s = late_us[known] / _SECOND_US
    if not len(known):
        return Late(len(late_us), len(late_us), math.nan, math.nan, None)
    at = int(np.abs(late_s).argmax())
    return Late(
        len(late_us),
        len(late_us) - len(known),
        float(np.sqrt(np.mean(late_s**2))),
        float(late_s[at]),
        int(known[at]),
    )


def audited(
    dial: Dial, year: int, limits: Limits | None = None, progress: Progress | None = None
) -> Audit:
    """A dial over a year of its zone, held to its own limits unless others are given.

    Raises AuditError where the plan has no time in that year; SkyError, SolidError.
    """
    from dialbench.fabricate.solid import CRUMB_MM3, pieces  # heavy

    faces = apart(dial)
    asked = limits or dial.limits
    time = plan_time(dial, year, asked.season_deg)
    if not len(time.begin_us):
        raise AuditError(
            f"plan: the Sun is never up at {dial.site.name} while a step of it runs in {year}"
            f"{'' if asked.season_deg is None else ' within the season of its limits'}; "
            "choose another start or year"
        )
    built = walls(dial)
    parts = tuple(pieces(dial))
    if progress is not None:
        progress("body", 1.0)
    seen = year_of(dial, time, progress)
    found = ghosts(light_of(dial), time, seen.sightings)
    return Audit(dial, year, asked, seen, found, built, parts, CRUMB_MM3, faces)
