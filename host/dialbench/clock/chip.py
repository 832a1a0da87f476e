"""Carries UTC from boot to boot on a clock chip that drifts, strays and may jump.

Five numbers make the state, linear and Gaussian as in any Kalman filter: how far UTC is
off the boot's reference line (s), how far the chip is off it (s), the rate of the first
(ppm), and that at which the chip gains on UTC, as its mean and how far it strays from it
(ppm). A mark tells the first, a reading the second. The crystal's rate walks at random, so
that what it was is soon worth nothing; the chip's mean hardly does, and it strays about it
for days at a time, as the weather does.

What is not Gaussian is a choice: at each reading the chip may have jumped since the one
before, or the reading may be bad, and so may a mark. Histories of such choices are followed
side by side, the likeliest of them, for every pair of a small grid of unsteadinesses: so the
data tell how steady the clocks are, how often they jump, and how sure all that is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from dialbench.clock.events import Event

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LINE, CHIP, CRYSTAL_RATE, CHIP_RATE, STRAY = range(5)
_PARTS = 5
GOOD, STEP, LEAP, BAD = range(4)  # what can be chosen at an event

_CRYSTAL_PPM = (0.7, 1.5, 3.0, 6.0, 12.0)  # a day: how far the crystal's rate walks
_CHIP_PPM = (0.02, 0.06, 0.15, 0.3, 0.6)  # how far the chip's rate strays (standard)
_STRAY_DAYS = 2.5  # and how long it stays there: weather
_AGING_PPM = 0.1  # a month: how far the mean of the chip's rate walks
_RATE_PRIOR_PPM = (50.0, 20.0)  # the crystal's, the chip's
_PRIOR_S = 3000.0  # where a boot's line and the chip may lie, before anything is known
_STEP_S = 1.0  # the size of a small jump
_LEAP_S = 3000.0  # of a great one; one that is greater still counts by its own size
_BAD = 1e-4  # probability of a bad mark or reading, and the density (1/s) of what it says
_BAD_DENSITY = 1e-4
_DAY_S = 86400.0
_MONTH_S = 30 * _DAY_S
_HISTORIES = 16  # followed for each pair of the grid
_KEPT = 48  # smoothed in the end
_WORTH = 1e-4  # of the likeliest history's probability: less is not smoothed
_LOST = 16.0  # logarithm of how much less likely than its cell's best a history is let go
_HOPELESS = 30.0  # and than the best of all: a cell of the grid ends so


@dataclass(frozen=True)
class Carried:
    """The state after all is known, for each history kept (h) and event (e).

    weight (h,) sums to 1; mean (h, e, 5) and variance (h, e, 5) in s and ppm; choice
    (h, e); size_s (h, e): how far the chip stepped before the event.
    """

    weight: Floats
    mean: Floats
    variance: Floats
    choice: NDArray[np.int8]
    size_s: Floats

    def share(self, choices: tuple[int, ...]) -> Floats:
        """Probability (e,) that one of these was the choice at each event."""
        total: Floats = self.weight @ np.isin(self.choice, choices)
        return total


def carry(events: Sequence[Event]) -> Carried:
    """All events together; there is at least one."""
    grid = np.array(list(product(_CRYSTAL_PPM, _CHIP_PPM)))
    cells, choices, score = _followed(events, grid)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    return _smoothed(events, grid[cells], choices, weight)


# -- forward, many histories at once


def _begin(unsteady_ppm: Floats) -> tuple[Floats, Floats]:
    count = len(unsteady_ppm)
    cov = np.zeros((count, _PARTS, _PARTS))
    for part, spread in enumerate((_PRIOR_S, _PRIOR_S, *_RATE_PRIOR_PPM)):
        cov[:, part, part] = spread**2
    cov[:, STRAY, STRAY] = unsteady_ppm[:, 1] ** 2
    return np.zeros((count, _PARTS)), cov


def _moved(
    event: Event, unsteady_ppm: Floats, mean: Floats, cov: Floats
) -> tuple[Floats, Floats, Floats]:
    """The state carried to an event: (transition (5, 5), mean, covariance). In a new boot the
    line is not in it yet, and the chip's phase is how far it is ahead of UTC."""
    after_s = event.after_s
    between_s = _STRAY_DAYS * _DAY_S
    share = after_s / between_s
    kept = np.exp(-share)
    step = np.eye(_PARTS)
    if event.fresh:  # a boot begins: only how far the chip is ahead of UTC goes on
        step[LINE] = 0.0
        step[CHIP, LINE] = -1.0
    else:
        step[LINE, CRYSTAL_RATE] = step[CHIP, CRYSTAL_RATE] = after_s * 1e-6
    step[CHIP, CHIP_RATE] = after_s * 1e-6
    step[CHIP, STRAY] = between_s * (1 - kept) * 1e-6
    step[STRAY, STRAY] = kept
    mean = mean @ step.T
    cov = step @ cov @ step.T
    crystal, chip = unsteady_ppm.T
    both = np.array([1.0, 1.0, 0.0, 0.0, 0.0])
    if event.fresh:
        cov[:, CRYSTAL_RATE, CRYSTAL_RATE] += crystal**2 / _DAY_S * after_s
    else:
        _walk(cov, both, CRYSTAL_RATE, crystal**2 / _DAY_S, after_s)
    _walk(cov, np.eye(_PARTS)[CHIP], CHIP_RATE, np.array(_AGING_PPM**2 / _MONTH_S), after_s)
    # An Ornstein-Uhlenbeck process and its integral (Gillespie, Physical Review E 54, 1996).
    far = 2 * share - 3 + 4 * kept - kept**2 if share > 0.01 else share**3 * (2 / 3 - share / 2)
    cov[:, CHIP, CHIP] += 1e-12 * chip**2 * between_s**2 * far
    cov[:, CHIP, STRAY] += 1e-6 * chip**2 * between_s * (1 - kept) ** 2
    cov[:, STRAY, CHIP] = cov[:, CHIP, STRAY]
    cov[:, STRAY, STRAY] += chip**2 * (1 - kept**2)
    return step, mean, cov


def _opened(event: Event, cov: Floats) -> Floats:
    """The covariance with a new boot's line in it, of which nothing is known."""
    both = np.array([1.0, 1.0, 0.0, 0.0, 0.0])
    return cov + _PRIOR_S**2 * np.outer(both, both) if event.fresh else cov


def _walk(cov: Floats, phase: Floats, rate: int, walk: Floats, after_s: float) -> None:
    """Add what a rate that walks (ppm^2 a second) does within after_s to it and to the
    phases (5,) it drives."""
    cov[:, rate, rate] += walk * after_s
    cov += (1e-12 * walk * after_s**3 / 3)[..., None, None] * np.outer(phase, phase)
    lean = (1e-6 * walk * after_s**2 / 2)[..., None] * phase
    cov[:, :, rate] += lean
    cov[:, rate, :] += lean


def _told(event: Event) -> int:
    """Which part of the state the event tells."""
    return CHIP if event.is_reading else LINE


def _jumped(event: Event, choice: NDArray[np.int8], mean: Floats) -> Floats:
    """Variance (h,) that a choice adds to the chip's phase before the event."""
    surprise_s = event.value_s - mean[:, _told(event)]
    great = np.maximum(_LEAP_S, np.abs(surprise_s))
    return np.select([choice == STEP, choice == LEAP], [np.float64(_STEP_S**2), great**2], 0.0)


def _known(
    event: Event, choice: NDArray[np.int8], mean: Floats, cov: Floats
) -> tuple[Floats, Floats, Floats]:
    """The state with the event known, and the logarithm of how well it was expected."""
    told = _told(event)
    surprise_s = event.value_s - mean[:, told]
    noise = event.sigma_s**2 + event.swing_s**2
    total = cov[:, told, told] + noise
    gain = cov[:, :, told] / total[:, None]
    keep = np.eye(_PARTS) - gain[:, :, None] * np.eye(_PARTS)[told]
    better = keep @ cov @ keep.transpose(0, 2, 1)
    better += noise * gain[:, :, None] * gain[:, None, :]
    fit = -0.5 * (surprise_s**2 / total + np.log(2 * np.pi * total))
    bad = choice == BAD
    return (
        np.where(bad[:, None], mean, mean + gain * surprise_s[:, None]),
        np.where(bad[:, None, None], cov, better),
        np.where(bad, np.log(_BAD_DENSITY), fit),
    )


def _prior(event: Event) -> list[tuple[int, float]]:
    """What may be chosen at an event, and with which probability."""
    if not event.is_reading:
        return [(GOOD, 1 - _BAD), (BAD, _BAD)]
    if event.certain:
        return [(LEAP, 1 - _BAD), (BAD, _BAD)]
    found = [(GOOD, 1 - _BAD - event.jump), (BAD, _BAD)]
    if event.jump:
        found += [(STEP, event.jump / 2), (LEAP, event.jump / 2)]
    return found


def _followed(events: Sequence[Event], grid: Floats) -> tuple[Ints, NDArray[np.int8], Floats]:
    """The likeliest histories: (grid cell (h,), choices (h, e), log probability (h,))."""
    cell = np.arange(len(grid))
    mean, cov = _begin(grid)
    score = np.zeros(len(grid))
    trail: list[tuple[Ints, NDArray[np.int8]]] = []
    for event in events:
        _, mean, cov = _moved(event, grid[cell], mean, cov)
        options = _prior(event)
        parent = np.tile(np.arange(len(cell)), len(options))
        choice = np.repeat(np.array([c for c, _ in options], np.int8), len(cell))
        prior = np.repeat(np.log([p for _, p in options]), len(cell))
        mean, cov = mean[parent], cov[parent]
        cov[:, CHIP, CHIP] += _jumped(event, choice, mean)
        mean, cov, fit = _known(event, choice, mean, _opened(event, cov))
        score = score[parent] + prior + fit
        cell = cell[parent]
        best = _likeliest(cell, score)
        cell, mean, cov, score = cell[best], mean[best], cov[best], score[best]
        trail.append((parent[best], choice[best]))
    best = np.argsort(score)[::-1][:_KEPT]
    best = best[score[best] > score[best[0]] + np.log(_WORTH)]
    choices = np.empty((len(best), len(events)), np.int8)
    at = best
    for number in range(len(events) - 1, -1, -1):
        parent, choice = trail[number]
        choices[:, number] = choice[at]
        at = parent[at]
    return cell[best], choices, score[best]


def _likeliest(cell: Ints, score: Floats) -> Ints:
    """Indices of the best histories of each cell, without those that cannot matter any more."""
    order = np.lexsort((-score, cell))
    begins = np.searchsorted(cell[order], cell[order])
    place = np.arange(len(order)) - begins
    ranked = score[order]
    worth = (ranked > ranked[begins] - _LOST) & (ranked > score.max() - _HOPELESS)
    kept: Ints = order[(place < _HISTORIES) & worth]
    return kept


# -- backward, the histories kept


def _smoothed(
    events: Sequence[Event], unsteady_ppm: Floats, choices: NDArray[np.int8], weight: Floats
) -> Carried:
    """Run the histories again and back again (Rauch, Tung and Striebel, AIAA Journal 3, 1965)."""
    count, length = choices.shape
    means = np.empty((length, count, _PARTS))
    covs = np.empty((length, count, _PARTS, _PARTS))
    ahead = []  # transition, mean and covariance as they were expected, before each event
    mean, cov = _begin(unsteady_ppm)
    for number, event in enumerate(events):
        step, mean, cov = _moved(event, unsteady_ppm, mean, cov)
        cov[:, CHIP, CHIP] += _jumped(event, choices[:, number], mean)
        ahead.append((step, mean, cov))
        mean, cov, _ = _known(event, choices[:, number], mean, _opened(event, cov))
        means[number], covs[number] = mean, cov
    size_s = np.zeros((count, length))
    for number in range(length - 2, -1, -1):
        step, expected, spread = ahead[number + 1]
        part = _GOES_ON if events[number + 1].fresh else np.eye(_PARTS)
        gone = -len(part)  # what the new state has of the old one stands at its end
        spread = spread[:, gone:, gone:]
        gain = _backward(step[gone:], covs[number], spread)
        correction = means[number + 1] @ part.T - expected[:, gone:]
        change = part @ covs[number + 1] @ part.T - spread
        means[number] += (gain @ correction[:, :, None])[:, :, 0]
        covs[number] += gain @ change @ gain.transpose(0, 2, 1)
        moved_s = (means[number + 1] - means[number] @ step.T) @ _GOES_ON[0]
        jumped = np.isin(choices[:, number + 1], (STEP, LEAP))
        size_s[:, number + 1] = np.where(jumped, moved_s, 0.0)
    mean = means.transpose(1, 0, 2)
    variance = np.maximum(np.diagonal(covs, axis1=2, axis2=3), 1e-18).transpose(1, 0, 2)
    for number, event in enumerate(events):
        if event.swing_s:
            _sharpen(event, choices[:, number] != BAD, mean[:, number], variance[:, number])
    return Carried(weight, mean, variance, choices, size_s)


def _sharpen(event: Event, good: NDArray[np.bool_], mean: Floats, variance: Floats) -> None:
    """At a mark itself the line is as sure as the mark: what its swing took away there is
    given back. mean and variance (h, 5) are changed in place."""
    loose = event.sigma_s**2 + event.swing_s**2
    more = 1 / event.sigma_s**2 - 1 / loose
    total = 1 / variance[:, LINE] + more
    at_s = (mean[:, LINE] / variance[:, LINE] + event.value_s * more) / total
    mean[:, LINE] = np.where(good, at_s, mean[:, LINE])
    variance[:, LINE] = np.where(good, 1 / total, variance[:, LINE])


# What a new boot has of the old one's state: how far the chip is ahead, and the rates.
_GOES_ON = np.eye(_PARTS)[1:]
_GOES_ON[0, LINE] = -1.0


def _backward(step: Floats, cov: Floats, spread: Floats) -> Floats:
    """What a correction of the next state (k numbers) means for this one: (h, 5, k)."""
    size = np.sqrt(np.diagonal(spread, axis1=1, axis2=2))
    scaled = spread / (size[:, :, None] * size[:, None, :])
    solved = np.linalg.solve(scaled, step @ cov / size[:, :, None])
    gain: Floats = (solved / size[:, :, None]).transpose(0, 2, 1)
    return gain
