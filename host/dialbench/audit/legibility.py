"""How far the plan's faces are from being taken for one another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.audit.minutes import wanted
from dialbench.dial import Dial


@dataclass(frozen=True)
class Apart:
    """One step's face: in how many channels the nearest face that spells otherwise differs.

    nearest: the steps with such a face. None and () where no face spells otherwise.
    """

    step: int
    channels: int | None
    nearest: tuple[int, ...]


def apart(dial: Dial) -> tuple[Apart, ...]:
    """Of every step of the plan. Two steps that spell the same are no wrong reading."""
    faces = wanted(dial)[:-1].astype(np.int64)
    differ = (faces[:, None, :] != faces[None, :, :]).sum(axis=2)
    spelt = np.array([step.spells for step in dial.plan.steps], dtype=object)
    found = []
    for k in range(len(faces)):
        others = np.flatnonzero(spelt != spelt[k])
        if not len(others):
            found.append(Apart(k, None, ()))
            continue
        least = int(differ[k, others].min())
        found.append(Apart(k, least, tuple(others[differ[k, others] == least].tolist())))
    return tuple(found)


def misread(channels: int) -> int:
    """With how many wrong channels one of two faces may come to be as near to the other.

    channels: in how many they differ. With one wrong channel fewer the right face is still
    the nearest.
    """
    return (channels + 1) // 2
