"""What is known of how a dial stands, look by look, while hands move it.

Each look goes to the stay it belongs to. If it cannot belong to the stay so far, the body has
been moved: what was known is spread by what hands may have done, and what follows is learnt
anew. A look may be odd for other reasons too (light that strays, an insect); so nothing is let
go unless another pose explains better what is seen now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.placing.chart import Chart
from dialbench.placing.cloud import COUNT, Prior, pressed, updated
from dialbench.placing.facts import Facts
from dialbench.placing.levels import Levels
from dialbench.placing.looks import Look, Passed, Stay
from dialbench.sky import Sky
from dialbench.solve import stand

Floats = NDArray[np.float64]

# How bases come to stand by compass and spirit level at worst, and how bodies in them: standard
# deviations about the vertical, the level, and the polar axis (common practice, no source).
AZIMUTH_DEG, TILT_DEG, TURN_DEG = 7.0, 2.5, 4.0
_HANDS_DEG = 3.0  # what hands do to any of these that set a dial
_MOST = 2.0  # moves make nothing less sure than so many times the variance at first
_REACH_DEG = (30.0, 10.0)  # of tables of levels, in hour angle and declination
_WANDER_DEG = (8.0, 2.0)  # of the Sun, after which they are laid down anew
_BURST_US = 20_000_000  # moves that follow each other so soon are one
_CALM_US = 20_000_000  # looks that show nothing new are taken in so often
_SURE = 6.0  # by how much better (a logarithm) another pose must explain what is seen
_HALF = 0.5  # of what they were told have hands done while they are at it, give or take as much
_NEAR_DEG, _SOME = 0.2, 0.05  # a crossing is due if so many of the poses have it so near
_SPREAD = 0.5  # of a crossing's misfit where all is well, for each share of a bore


@dataclass(frozen=True, eq=False)
class Hands:
    """What hands were told to do: poses (n, 3, 3) as they were known before, and the turn about
    P's axes, a rotation vector, that hands will about have made when they are done."""

    before: Floats
    turn: Prior

    def done(self, rng: np.random.Generator) -> Floats:
        """Poses as they are likely then."""
        return self.before @ self.turn.draw(len(self.before), rng)

    def under_way(self, rng: np.random.Generator) -> Floats:
        """The same while hands may still be at it, with any part of the turn made."""
        whole = np.outer(self.turn.mean, self.turn.mean)
        part = Prior(_HALF * self.turn.mean, self.turn.covariance + _HALF**2 * whole)
        return self.before @ part.draw(len(self.before), rng)


@dataclass(frozen=True, eq=False)
class Stand:
    """What is known. poses (n, 3, 3), all of one weight, follow from prior and facts.

    calm: poses as they were known before the hands last came; moved_us: when they left, as far as is
    known. odd: how badly looks and crossings were explained when it was last asked whether
    the body had been moved.
    """

    stay: Stay
    prior: Prior
    facts: Facts
    poses: Floats
    calm: Floats
    taken_us: int
    moved_us: int | None = None
    odd: tuple[float, float] = (0.0, 0.0)

    @property
    def chart(self) -> Chart:
        """Of the Sun of the last look taken in."""
        return _chart(self.facts)


class Placer:
    """Of one dial under one sky. seed: of the lots that are drawn; one seed, one outcome."""

    def __init__(self, dial: Dial, sky: Sky, seed: int = 1) -> None:
        self._dial, self._sky = dial, sky
        self._rng = np.random.default_rng(seed)
        self._tables: Levels | None = None
        self.first = at_first(dial)

    def after(self, stand: Stand | None, look: Look, hands: Hands | None = None) -> Stand:
        """What is known after one more look; hands: what they were told to do, if anything.

        Raises SkyError.
        """
        if stand is None:
            return self._begun(look)
        stay, moved = stand.stay.after(look)
        new = len(stay.passed) - len(stand.stay.passed)
        if not moved and new <= 0 and look.utc_us - stand.taken_us < _CALM_US:
            return replace(stand, stay=stay)
        seen = replace(stand, stay=stay)
        if moved:
            return self.moved(seen, None if hands is None else hands.under_way(self._rng))
        facts = self._facts(stay)
        if hands is not None and new > 0 and not _due(facts, stand.poses, new):
            return self.moved(seen, hands.under_way(self._rng))
        poses = updated(stand.poses, stand.prior, stand.facts, facts, _chart(facts), self._rng)
        return self._doubted(replace(seen, facts=facts, poses=poses, taken_us=look.utc_us))

    def moved(self, stand: Stand, likely: Floats | None = None) -> Stand:
        """The same after hands were at the body: only its last look tells of its pose now.

        likely: poses as they are likely by what hands were told, if they were told anything.
        """
        assert stand.stay.last is not None  # a stand begins with a look
        now_us = stand.stay.last.utc_us
        burst = stand.moved_us is not None and now_us - stand.moved_us < _BURST_US
        calm = stand.calm if burst else stand.poses
        facts = self._facts(Stay(now_us, (), stand.stay.last))
        priors = [self._spread(calm, _chart(facts)), self.first]
        if likely is not None:
            priors.insert(0, Prior.of(likely, _chart(facts)))
        stay = Stay(now_us, (), stand.stay.last)
        return self._anew(stay, facts, priors, calm, now_us)

    def done(self, stand: Stand, hands: Hands | None) -> Stand:
        """The same after hands have said that they did what they were told."""
        return self.moved(stand, None if hands is None else hands.done(self._rng))

    def _begun(self, look: Look) -> Stand:
        stay, _ = Stay().after(look)
        calm = self.first.draw(COUNT, self._rng)
        return self._anew(stay, self._facts(stay), [self.first], calm, None)

    def _anew(
        self,
        stay: Stay,
        facts: Facts,
        priors: Sequence[Prior],
        calm: Floats,
        moved_us: int | None,
    ) -> Stand:
        """A new stay under the first of some priors that explains it about as well as any."""
        assert stay.last is not None
        found: Stand | None = None
        for prior in priors:
            poses = pressed(prior, facts, _chart(facts), self._rng)
            least = _least(facts, poses)
            if found is None or sum(found.odd) - sum(least) > _SURE:
                found = Stand(stay, prior, facts, poses, calm, stay.last.utc_us, moved_us, least)
            if sum(least) <= _SURE:
                break
        assert found is not None
        return found

    def _doubted(self, stand: Stand) -> Stand:
        """The same, or begun anew where what is seen shows that the body was moved."""
        passed, shown = _least(stand.facts, stand.poses)
        usual = _SPREAD * len(stand.stay.passed) / 3
        if shown > stand.odd[1] + _SURE:
            other = self.moved(stand)
            return other if shown - other.odd[1] > _SURE else replace(stand, odd=(passed, shown))
        if passed - usual > max(stand.odd[0], 0.0) + _SURE:
            at_us = _break_us(stand)
            other = self._since(stand, at_us)
            older = self._facts(replace(stand.stay, passed=_before(stand.stay, at_us)))
            left = _least(older, pressed(stand.prior, older, _chart(older), self._rng))[0]
            if passed - left - other.odd[0] > _SURE:
                return other
            return replace(stand, odd=(passed - usual, shown))
        return stand

    def _since(self, stand: Stand, at_us: int) -> Stand:
        """As if the body had been moved at an instant of the stay."""
        stay = stand.stay.since(at_us)
        facts = self._facts(stay)
        priors = [self._spread(stand.calm, _chart(facts)), self.first]
        return self._anew(stay, facts, priors, stand.calm, at_us)

    def _spread(self, calm: Floats, chart: Chart) -> Prior:
        """What is thought of a pose after hands were at it."""
        count = len(calm)
        hands = Prior(np.zeros(3), np.radians(_HANDS_DEG) ** 2 * np.eye(3))
        loose = Prior.of(calm @ hands.draw(count, self._rng), chart)
        # And yet it is no less sure than when all began.
        first = Prior.of(self.first.draw(count, self._rng), chart)
        bound = np.linalg.inv(_MOST * first.covariance)
        tight = np.linalg.inv(loose.covariance)
        covariance = np.linalg.inv(tight + bound)
        return Prior(covariance @ (tight @ loose.mean + bound @ first.mean), covariance, chart)

    def _facts(self, stay: Stay) -> Facts:
        assert stay.last is not None
        sun = self._sky.sun(np.array([stay.last.utc_us]))
        place = float(sun.hour_angle_deg[0]), float(sun.declination_deg[0])
        size_deg = float(sun.semidiameter_deg[0])
        tables = self._tables
        if tables is None or any(
            abs(here - there) > wander
            for here, there, wander in zip(place, tables.middle, _WANDER_DEG, strict=True)
        ):
            tables = self._tables = Levels(self._dial, place, _REACH_DEG, size_deg)
        return Facts.of(stay, tables, self._sky)


def at_first(dial: Dial) -> Prior:
    """What is thought of a dial's pose before the Sun has said anything."""
    up = stand.to_polar(dial)[:, 2]
    upright = np.outer(up, up)
    covariance = (
        AZIMUTH_DEG**2 * upright
        + TILT_DEG**2 * (np.eye(3) - upright)
        + TURN_DEG**2 * np.diag([0.0, 0.0, 1.0])
    )
    return Prior(np.zeros(3), np.radians(np.radians(covariance)))


def _due(facts: Facts, poses: Floats, new: int) -> bool:
    """Whether the last crossings are what the Sun would do to a body that still stands."""
    off = facts.off_deg(poses)[:, -new:]
    return bool((np.mean(np.abs(off) < _NEAR_DEG, axis=0) > _SOME).all())


def _chart(facts: Facts) -> Chart:
    return Chart(facts.suns[-1], facts.hemisphere)


def _least(facts: Facts, poses: Floats) -> tuple[float, float]:
    """The misfits of all crossings and of all channels by the pose that explains most."""
    crossings, channels = (misfit.sum(axis=1) for misfit in facts.misfits(poses))
    best = int((crossings + channels).argmin())
    return float(crossings[best]), float(channels[best])


def _break_us(stand: Stand) -> int:
    """Where a stay's crossings fall best into some before and some after a move."""
    crossings, channels = stand.facts.misfits(stand.poses)
    best = int((crossings.sum(axis=1) + channels.sum(axis=1)).argmin())
    off = np.clip(stand.facts.off_deg(stand.poses[best : best + 1])[0], -2.0, 2.0)
    left = [
        off[:cut].var() * cut + off[cut:].var() * (len(off) - cut) for cut in range(1, len(off))
    ]
    return stand.stay.passed[1 + int(np.argmin(left))].utc_us if left else stand.taken_us


def _before(stay: Stay, at_us: int) -> tuple[Passed, ...]:
    return tuple(one for one in stay.passed if one.utc_us < at_us)
