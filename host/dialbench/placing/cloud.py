"""Poses that explain what was seen, as many as it takes to tell how sure one can be.

A cloud is drawn from what was thought before, and pressed step by step onto the facts: first
as if the bores were askew by degrees, then by less and less. So a pose that is far off is
found as surely as one that is near, and where two or three fit they all stay. After each step
the poses wander, in the chart of the Sun, so that none counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.placing.chart import Chart, of_vectors, vectors
from dialbench.placing.facts import Facts

Floats = NDArray[np.float64]

COUNT = 1200
_BLURS_DEG = (4.0, 2.0, 1.0, 0.5, 0.25, 0.1, 0.0)
_STRIDES = (1.4, 0.5)  # of a cloud's own width; wide ones find other places, short ones fill
_POINT = 1e-10  # square radians: no cloud is narrower
_LOST = 0.02  # of them: the cloud is not where it should be


@dataclass(frozen=True, eq=False)
class Prior:
    """What is thought of a pose beforehand: a mean (3,) and a covariance (3, 3) in radians.

    Of places in a chart, in which what the Sun has told stays as narrow as it is; without one,
    of rotation vectors in P.
    """

    mean: Floats
    covariance: Floats
    chart: Chart | None = None

    @classmethod
    def of(cls, poses: Floats, chart: Chart) -> Prior:
        """That of a cloud."""
        places = chart.of(poses)
        return cls(places.mean(axis=0), np.cov(places.T) + _POINT * np.eye(3), chart)

    def draw(self, count: int, rng: np.random.Generator) -> Floats:
        """Poses (count, 3, 3)."""
        drawn = rng.multivariate_normal(self.mean, self.covariance, count)
        return of_vectors(drawn) if self.chart is None else self.chart.pose(drawn)

    def log(self, poses: Floats) -> Floats:
        """The logarithm of its density, up to a constant."""
        found = vectors(poses) if self.chart is None else self.chart.of(poses)
        off = found - self.mean
        log: Floats = -0.5 * np.einsum("ni,ij,nj->n", off, np.linalg.inv(self.covariance), off)
        return log


def pressed(
    prior: Prior, facts: Facts, chart: Chart, rng: np.random.Generator, count: int = COUNT
) -> Floats:
    """Poses (count, 3, 3), all of one weight, that follow from a prior and some facts."""
    poses = prior.draw(count, rng)
    before = np.zeros(count)
    for blur_deg in _BLURS_DEG:
        now = facts.log(poses, blur_deg)
        keep = _drawn(now - before, rng)
        poses, before = _wandered(poses[keep], now[keep], prior, facts, blur_deg, chart, rng)
    return poses


def updated(
    poses: Floats,
    prior: Prior,
    before: Facts,
    facts: Facts,
    chart: Chart,
    rng: np.random.Generator,
) -> Floats:
    """The same poses after more facts of the same stay, those before among them."""
    now = facts.log(poses, 0.0)
    weight = now - before.log(poses, 0.0)
    worth = _worth(weight)
    if worth < _LOST:
        return pressed(prior, facts, chart, rng, len(poses))
    if worth > 1 - 1e-3:
        return poses
    keep = _drawn(weight, rng)
    found, _ = _wandered(poses[keep], now[keep], prior, facts, 0.0, chart, rng)
    return found


def _worth(weight: Floats) -> float:
    """The share of poses that are worth as much as all, from logarithms of weights."""
    share = np.exp(weight - weight.max())
    return float(share.sum() ** 2 / (share**2).sum() / len(share))


def _drawn(weight: Floats, rng: np.random.Generator) -> NDArray[np.int64]:
    """Numbers of poses, each as often as its weight asks for, from logarithms of weights."""
    share = np.exp(weight - weight.max())
    edges = np.cumsum(share) / share.sum()
    places = (rng.random() + np.arange(len(share))) / len(share)
    return np.minimum(np.searchsorted(edges, places), len(share) - 1)


def _wandered(
    poses: Floats,
    likely: Floats,
    prior: Prior,
    facts: Facts,
    blur_deg: float,
    chart: Chart,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """The poses after some steps each, taken or not as Metropolis has it, and how likely."""
    place = chart.of(poses)
    target = likely + prior.log(poses)
    width = np.cov(place.T) + 1e-12 * np.eye(3)
    for stride in _STRIDES:
        ahead = place + stride * rng.multivariate_normal(np.zeros(3), width, len(place))
        there = chart.pose(ahead)
        now = facts.log(there, blur_deg)
        wanted = now + prior.log(there)
        taken = np.log(rng.random(len(place))) < wanted - target
        place[taken], poses[taken], likely[taken] = ahead[taken], there[taken], now[taken]
        target[taken] = wanted[taken]
    return poses, likely
