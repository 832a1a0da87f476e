"""Poses by where the Sun stands in the body, so that what one look tells lies along one axis.

A look at the channels depends on two numbers, the Sun's hour angle and declination as the
body meets it; the third, a roll about the Sun's direction, it cannot see. In these three the
poses that explain a look fill a straight slab however far the body is turned; among rotation
vectors the slab is bent, by a degree where it is a tenth of one thick.

Poses are matrices of shape (n, 3, 3) that take a vector in P into the body: the inverse of
dialcore.frames.rotation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialcore import frames

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chart:
    """Of one Sun: sun, shape (3,), is its direction in P."""

    sun: Floats
    hemisphere: int

    def of(self, poses: Floats) -> Floats:
        """Hour angle, declination and roll in radians of poses (n, 3, 3): (n, 3)."""
        seen = poses @ self.sun
        hour_angle, declination = frames.place(seen.T, self.hemisphere, np)
        rolled = np.swapaxes(_ahead(hour_angle, declination, self.hemisphere), 1, 2) @ poses
        rolled = rolled @ self._start
        return np.column_stack(
            (hour_angle, declination, np.arctan2(rolled[:, 2, 1], rolled[:, 1, 1]))
        )

    def pose(self, places: Floats) -> Floats:
        """The poses (n, 3, 3) of places (n, 3) in this chart."""
        hour_angle, declination, roll = places.T
        turned = np.zeros((len(places), 3, 3))
        turned[:, 0, 0] = 1.0
        turned[:, 1, 1] = turned[:, 2, 2] = np.cos(roll)
        turned[:, 2, 1] = np.sin(roll)
        turned[:, 1, 2] = -turned[:, 2, 1]
        poses: Floats = _ahead(hour_angle, declination, self.hemisphere) @ turned @ self._start.T
        return poses

    @property
    def nominal(self) -> Floats:
        """The place (3,) of a body that stands as meant."""
        place: Floats = self.of(np.eye(3)[None])[0]
        return place

    @property
    def _start(self) -> Floats:
        hour_angle, declination = frames.place(self.sun[:, None], self.hemisphere, np)
        ahead: Floats = _ahead(hour_angle, declination, self.hemisphere)[0]
        return ahead


def _ahead(hour_angle: Floats, declination: Floats, hemisphere: int) -> Floats:
    """Matrices (n, 3, 3) whose columns are a direction and two more square to it."""
    x, y, z = frames.direction(hour_angle, declination, hemisphere, np)
    flat = np.hypot(x, y)
    none = np.zeros_like(x)
    beside = np.stack((-y / flat, x / flat, none), axis=1)
    front = np.stack((x, y, z), axis=1)
    return np.stack((front, beside, np.cross(front, beside)), axis=2)


def vectors(poses: Floats) -> Floats:
    """The rotation vectors w (n, 3), radians about P's axes, of poses turned less than half round."""
    twist = np.stack(
        (
            poses[:, 1, 2] - poses[:, 2, 1],
            poses[:, 2, 0] - poses[:, 0, 2],
            poses[:, 0, 1] - poses[:, 1, 0],
        ),
        axis=1,
    )
    sine = np.linalg.norm(twist, axis=1) / 2
    angle = np.arctan2(sine, (np.trace(poses, axis1=1, axis2=2) - 1) / 2)
    scale = np.where(sine > 1e-9, angle / np.maximum(sine, 1e-9), 1.0)
    found: Floats = twist / 2 * scale[:, None]
    return found


def of_vectors(vectors: Floats) -> Floats:
    """The poses (n, 3, 3) of rotation vectors (n, 3): dialcore.frames.rotation, many at once."""
    angle = np.linalg.norm(vectors, axis=1)
    axis = vectors / np.maximum(angle, 1e-12)[:, None]
    none = np.zeros(len(vectors))
    x, y, z = axis.T
    cross = np.stack((none, z, -y, -z, none, x, y, -x, none), axis=1).reshape(-1, 3, 3)
    sine, less = np.sin(angle)[:, None, None], (2 * np.sin(angle / 2) ** 2)[:, None, None]
    poses: Floats = np.eye(3) + sine * cross + less * (cross @ cross)
    return poses
