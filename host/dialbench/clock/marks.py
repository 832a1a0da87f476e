"""Which clock marks of one boot can be true together, and which of them count."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from dialbench.clock.facts import Mark, Rejected
from dialbench.clock.line import PRIOR_PPM

# Boards live between them: a computer's clock that was never set stands earlier.
_YEARS = (2000, 2100)
_LIFE_US = [int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000 for year in _YEARS]
IMPLAUSIBLE_PPM = 200.0  # no crystal that works at all is so far off
# Of one boot's marks at most so many are looked at: comparing takes room for each with each.
_SATELLITES = 500
_HOSTS = 2000
_FAR_SIGMAS = 5.0  # marks further apart than this share of their sigmas disagree


def believable(marks: list[Mark]) -> tuple[list[Mark], list[Rejected]]:
    """The marks whose UTC may be of a board's life, and the others."""
    kept: list[Mark] = []
    absurd: list[Rejected] = []
    for mark in marks:
        if _LIFE_US[0] <= mark.utc_us < _LIFE_US[1]:
            kept.append(mark)
            continue
        reason = (
            f"the mark at {mark.device_ms} ms of boot {mark.boot} says a time before {_YEARS[0]}"
            f" or after {_YEARS[1] - 1}"
        )
        absurd.append(Rejected(mark, reason))
    return kept, absurd


def thinned(marks: list[Mark]) -> list[Mark]:
    """Of one boot's marks in order as many as are worth comparing each with each: evenly of
    satellites' and, where hosts made a great many, the surest of those next to each other."""
    told = [mark for mark in marks if mark.source == "satellites"]
    made = [mark for mark in marks if mark.source != "satellites"]
    kept = {id(mark) for mark in told[:: max(-(-len(told) // _SATELLITES), 1)]}
    step = max(-(-len(made) // _HOSTS), 1)
    for at in range(0, len(made), step):
        kept.add(id(min(made[at : at + step], key=lambda mark: mark.sigma_us)))
    return [mark for mark in marks if id(mark) in kept]


def knots(marks: list[Mark]) -> list[Mark]:
    """Of marks too close together to tell a rate better than the prior, the surest."""
    found: list[Mark] = []
    for mark in marks:
        if found:
            last = found[-1]
            spread_us = np.hypot(mark.sigma_us, last.sigma_us)
            apart_us = 1e3 * (mark.device_ms - last.device_ms)
            if spread_us >= PRIOR_PPM * 1e-6 * apart_us:
                if mark.sigma_us < last.sigma_us:
                    found[-1] = mark
                continue
        found.append(mark)
    return found


def agreeing(marks: list[Mark]) -> tuple[list[Mark], list[Rejected]]:
    """The marks of one boot that can be true together, and the others.

    The one that contradicts most others goes first; of two that only contradict each
    other the less sure one, else the earlier: a computer's clock is set right sooner
    than it is set wrong.
    """
    device_us = 1e3 * np.array([mark.device_ms for mark in marks], dtype=np.float64)
    utc_us = np.array([mark.utc_us - marks[0].utc_us for mark in marks], dtype=np.float64)
    sigma_us = np.array([mark.sigma_us for mark in marks], dtype=np.float64)
    apart_us = device_us[:, None] - device_us
    off_us = np.abs(utc_us[:, None] - utc_us - apart_us)
    allowed_us = IMPLAUSIBLE_PPM * 1e-6 * np.abs(apart_us)
    allowed_us += _FAR_SIGMAS * np.hypot(sigma_us[:, None], sigma_us)
    against = off_us > allowed_us
    kept = list(range(len(marks)))
    rejected = []
    while (votes := against.sum(axis=1)).any():
        worst = max(kept, key=lambda i: (votes[i], sigma_us[i], -i))
        other = int(np.argmax(against[worst]))
        rejected.append(
            Rejected(
                marks[worst],
                f"the mark at {marks[worst].device_ms} ms of boot {marks[worst].boot} differs by"
                f" {off_us[worst, other] * 1e-6:.3f} s from the one at {marks[other].device_ms} ms"
                f" and contradicts {votes[worst]} of {len(kept) - 1} others",
            )
        )
        kept.remove(worst)
        against[worst, :] = against[:, worst] = False
    return [marks[i] for i in kept], rejected
