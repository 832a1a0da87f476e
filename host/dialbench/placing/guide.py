"""What to do next, from what is known: one action with its amount, or what to wait for.

Hands can do two kinds of thing: turn the base about the vertical, and raise or lower one foot.
One look tells one combination of angles, whichever of them is at fault; so the action that
would undo it with the least of an assumption is told, and that is the base's turn where it
helps at all. The combination shrinks to nothing all the same, and what stays hidden in it
comes to light as the Sun goes on, or on another day.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial, Site
from dialbench.placing.chart import Chart, of_vectors, vectors
from dialbench.placing.cloud import Prior
from dialbench.placing.levels import Levels
from dialbench.placing.placer import AZIMUTH_DEG, TILT_DEG, Stand
from dialbench.sky import from_us
from dialbench.solve import stand as stands
from dialbench.solve.observe import RANGE, Combination, Pose
from dialbench.solve.stand import Foot

Floats = NDArray[np.float64]

GOAL_DEG = 0.1
TOLD_DEG = 0.15  # a standard deviation: a combination known so well is told by the Sun now
_SURE = 1.645  # so many standard deviations hold all but one in twenty, on one side
_NEW = 0.7  # a combination whose variance the Sun has left at more is not told at all
# How well hands do what they are told: a share of it, and degrees, along and besides (common
# practice, no source).
_ROUGH, _ROUGH_DEG, _BESIDES_DEG = 0.15, 0.3, 0.1
_ALIKE = 2.0  # of what is left unexplained: no difference worth another action
_STEP = 1e-5  # radians
_SLOW_US = 240e6  # for one degree of the Sun's way
_FIRST = 600  # poses by which the prior is measured in a chart
_WORTH = 0.8  # of the goal: what is less is left as it is
_SOON_US = 240_000_000
_FIRM = 2.0  # of an amount, against half of its interval, if more is told soon
_FAR_DEG = 6.0  # of the Sun's way: what comes later is not waited for


@dataclass(frozen=True)
class Action:
    """One thing to do with the hands. foot: None to turn the base, else a foot's number, 0 on.

    amount: degrees anticlockwise as seen from above, or mm upwards; half_width: half of the
    95% interval.
    """

    foot: int | None
    amount: float
    half_width: float
    where: str

    @property
    def unit(self) -> str:
        return "deg" if self.foot is None else "mm"

    @property
    def way(self) -> str:
        """The direction, as it is told."""
        if self.foot is None:
            return "anticlockwise" if self.amount > 0 else "clockwise"
        return "up" if self.amount > 0 else "down"

    @property
    def digits(self) -> int:
        """Decimals that say something."""
        return 1 if self.half_width >= 0.15 else 2

    @property
    def sentence(self) -> str:
        amount = f"{abs(self.amount):.{self.digits}f} +- {self.half_width:.{self.digits}f}"
        if self.foot is None:
            return f"turn the base {amount} deg {self.way} as seen from above"
        return f"{'raise' if self.amount > 0 else 'lower'} {self.where} by {amount} mm"

    def as_dict(self) -> dict[str, Any]:
        return {
            "what": "turn" if self.foot is None else "foot",
            "foot": None if self.foot is None else self.foot + 1,
            "where": self.where,
            "way": self.way,
            "amount": abs(self.amount),
            "half_width": self.half_width,
            "unit": self.unit,
        }


@dataclass(frozen=True)
class Guidance:
    """What the Sun says at one instant, and what follows.

    state: "dark" (no direct Sun), "act", "wait" (the Sun tells more soon), "enough" (what it
    tells is within the goal). off_deg: how far the dial is off in what is told, with half of
    its 95% interval, None while nothing is. untold: what the Sun cannot tell so far. crossings:
    seen since the body was last moved, at moved_us if that is known. next_us: between which
    instants the next crossing is due, None where none is soon.
    """

    utc_us: int
    state: str
    action: Action | None
    off_deg: float | None
    half_width_deg: float | None
    untold: tuple[Combination, ...]
    crossings: int
    moved_us: int | None
    next_us: tuple[int, int] | None
    goal_deg: float

    def sentences(self, site: Site) -> list[str]:
        """What to do first, then why, for people at the dial."""
        told = [self._next(site)]
        if self.off_deg is not None and self.half_width_deg is not None:
            told.append(
                f"In what the Sun tells now the dial is off by {self.off_deg:.2f} +-"
                f" {self.half_width_deg:.2f} deg."
            )
        if self.untold:
            names = "; ".join(one.sentence for one in self.untold)
            told.append(f"Not told so far: {names}.")
        return told

    def _next(self, site: Site) -> str:
        if self.state == "act" and self.action is not None:
            sentence = self.action.sentence
            return f"{sentence[0].upper()}{sentence[1:]}."
        if self.state == "enough":
            return (
                f"Enough for now: all that the Sun tells is within {self.goal_deg:g} deg. Leave the dial"
                " as it stands."
            )
        if self.state == "dark":
            return "No direct Sun: the dial cannot tell how it stands. Wait."
        if self.next_us is None:
            return "Wait, and leave the dial alone: its face has not told enough yet."
        first, last = (zone_clock(site, one) for one in self.next_us)
        return (
            "Wait, and leave the dial alone: the next change of its face tells more, and comes between"
            f" {first} and {last}."
        )

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types. Instants in microseconds of Unix UTC."""
        return {
            "utc_us": self.utc_us,
            "state": self.state,
            "action": self.action and self.action.as_dict(),
            "off_deg": self.off_deg,
            "off_half_width_deg": self.half_width_deg,
            "goal_deg": self.goal_deg,
            "untold": [
                {"angles": list(one.names), "parts": list(one.parts), "sigma_deg": one.sigma_deg}
                for one in self.untold
            ],
            "crossings": self.crossings,
            "moved_us": self.moved_us,
            "next_crossing_us": self.next_us and list(self.next_us),
        }


def zone_clock(site: Site, utc_us: int) -> str:
    """An instant by the site's zone, without summer time, to the minute."""
    utc = from_us(utc_us)
    return f"{utc + timedelta(hours=site.standard_offset_h(utc.date())):%H:%M}"


class Guide:
    """Of one dial on three feet. Raises FeetError for other feet."""

    def __init__(
        self, dial: Dial, first: Prior, feet: Sequence[Foot], goal_deg: float = GOAL_DEG
    ) -> None:
        if len(feet) != 3:
            raise stands.FeetError(
                f"a base on {len(feet)} feet cannot be set one foot at a time: give the three"
                ' that carry it, as in --feet "-33,135 -33,-135 189,0"'
            )
        self.feet, self.goal_deg = tuple(feet), goal_deg
        self._first = first.draw(_FIRST, np.random.default_rng(1))
        self._hands = _hands(feet) @ stands.to_polar(dial).T
        # What hands may have to mend: degrees; mm that tilt the base as far.
        self._wide = np.append(
            AZIMUTH_DEG, math.radians(TILT_DEG) / np.linalg.norm(self._hands[1:], axis=1)
        )

    def at(self, stand: Stand) -> Guidance:
        """What to do about a body that stands so, while the Sun shines."""
        chart = stand.chart
        places = np.degrees(chart.of(stand.poses))
        off = places.mean(axis=0) - np.degrees(chart.nominal)
        variance = np.cov(places.T)
        first = np.cov(np.degrees(chart.of(self._first)).T)
        action = self._action(chart, off, _information(variance, first))
        distance, sigma, within = self._told(off, variance)
        known = vectors(stand.poses)
        due = _due(stand, places)
        if distance is not None and within:
            state = "enough"
        elif action is not None and self._worth(stand, action, due, distance, sigma):
            state = "act"
        else:
            state = "wait"
        return Guidance(
            utc_us=stand.taken_us,
            state=state,
            action=action,
            off_deg=distance,
            half_width_deg=None if sigma is None else RANGE * sigma,
            untold=Pose.of(known.mean(axis=0), np.cov(known.T), TOLD_DEG).untold,
            crossings=len(stand.stay.passed),
            moved_us=stand.moved_us,
            next_us=due,
            goal_deg=self.goal_deg,
        )

    def done(self, action: Action) -> Prior:
        """What hands that were told an action will have done, as a turn about P's axes."""
        number = 0 if action.foot is None else 1 + action.foot
        unit = math.radians(1.0) if action.foot is None else 1.0
        hand = self._hands[number] * unit
        size = float(np.linalg.norm(hand))
        rough = _ROUGH * abs(action.amount) * size + math.radians(_ROUGH_DEG)
        along = np.outer(hand, hand) / size**2
        other = math.radians(_BESIDES_DEG) ** 2 * np.eye(3)
        return Prior(action.amount * hand, rough**2 * along + other)

    def dark(self, utc_us: int) -> Guidance:
        """What there is to say without direct Sun."""
        return Guidance(utc_us, "dark", None, None, None, (), 0, None, None, self.goal_deg)

    def _worth(
        self,
        stand: Stand,
        action: Action,
        due: tuple[int, int] | None,
        distance: float | None,
        sigma: float | None,
    ) -> bool:
        """Whether to act rather than to wait for what the Sun tells next: hands undo what was
        learnt, and are no finer than what is left to do in the end."""
        if distance is not None and sigma is not None:
            return distance > _WORTH * self.goal_deg + sigma
        soon = due is not None and due[1] - stand.taken_us < _SOON_US
        return abs(action.amount) > action.half_width * (_FIRM if soon else 1.0)

    def _told(self, off: Floats, variance: Floats) -> tuple[float | None, float | None, bool]:
        """How far off in all that is told, its sigma, and whether it is within the goal."""
        square, axes = np.linalg.eigh(variance)
        sigma = np.sqrt(np.maximum(square, 0.0))
        told = sigma < TOLD_DEG
        if not told.any():
            return None, None, False
        along = (axes.T @ off)[told]
        within = bool((np.abs(along) + _SURE * sigma[told] < self.goal_deg).all())
        distance = float(np.linalg.norm(along))
        share = along / distance if distance else np.eye(len(along))[0]
        return distance, float(np.linalg.norm(share * sigma[told])), within

    def _action(self, chart: Chart, off: Floats, information: Floats) -> Action | None:
        """The one action that undoes most of what is told, in likely amounts; None if none does."""
        pose = chart.pose(np.radians(off)[None] + chart.nominal)
        moved = [
            np.degrees(chart.of(pose @ of_vectors(_STEP * hand[None])) - chart.of(pose))[0]
            for hand in self._hands
        ]
        slope = np.array(moved) / math.degrees(_STEP)  # of places, in degrees a degree or mm
        slope[1:] *= math.degrees(1.0)
        pull = slope @ information @ off
        firm = np.einsum("ai,ij,aj->a", slope, information, slope)
        loose = firm + 1 / self._wide**2
        amount = -pull / loose
        left = off @ information @ off - pull**2 / loose
        # Where several would do, the one that takes least of what hands may have to mend.
        best = int(np.where(left < left.min() + _ALIKE, firm * self._wide**2, -1.0).argmax())
        if firm[best] <= 0:
            return None
        half = RANGE * math.sqrt(firm[best]) / loose[best]
        foot = None if best == 0 else best - 1
        where = "" if foot is None else stands.foot_name(self.feet, foot)
        return Action(foot, float(amount[best]), float(half), where)


def _hands(feet: Sequence[Foot]) -> Floats:
    """Rotation vectors in east, north, up of each action: of one radian's turn of the base, and
    of one mm under each foot, shape (1 + feet, 3)."""
    spot = np.array([(east, north, 1.0) for east, north in feet])
    rise = np.linalg.inv(spot)  # of the plate's plane, to the east and to the north, by each foot
    tilts = np.stack((rise[1], -rise[0], np.zeros(3)), axis=1)
    return np.vstack(([0.0, 0.0, 1.0], tilts))


def _information(variance: Floats, first: Floats) -> Floats:
    """What the Sun has told: the inverse of a covariance less that of what was thought before."""
    root = np.linalg.cholesky(first)
    back = np.linalg.inv(root)
    share, axes = np.linalg.eigh(back @ variance @ back.T)
    gained = np.where(share < _NEW, 1 / np.maximum(share, 1e-9) - 1, 0.0)
    across = back.T @ axes
    information: Floats = (across * gained) @ across.T
    return information


def _due(stand: Stand, places: Floats) -> tuple[int, int] | None:
    """Between which instants the next crossing comes, by all but a few of the poses."""
    levels: Levels = stand.facts.levels
    kind = stand.facts.level[None, :]
    _, ahead = levels.stretch(kind, places[:, :1], places[:, 1:2])
    soonest = np.where(ahead > 0, ahead, np.inf).min(axis=1)
    first, last = np.quantile(soonest, (0.025, 0.975))
    if not last < _FAR_DEG:
        return None
    return stand.taken_us + round(first * _SLOW_US), stand.taken_us + round(last * _SLOW_US)
