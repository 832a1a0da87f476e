"""A true dial in the Sun, and a person with clumsy hands who does what the assistant says.

The light is traced by rays through bores that came out askew, turned as the body is turned;
nothing here knows how the assistant thinks. Poses are rotation matrices of the body in P.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from dialbench.placing.setter import Setter
from dialbench.sky import Sky
from dialbench.solve import stand
from dialbench.virtual.light import tracer
from dialbench.virtual.truth import Truth
from dialcore import frames
from dialcore.crossing import THRESHOLDS

SECOND_US = 1_000_000
AXIS_DEG = 0.1
LOOK_S = 2
STEP_DEG = 0.3  # of the hands
BACKLASH_DEG = 0.3
SHAKE_DEG = 0.03
READ_S = 6  # to read what is said and to walk to the dial
STEP_S = {"turn": 1, "foot": 3}
RAYS = 64


def rotation(vector_deg):
    return np.array(frames.rotation(*np.radians(vector_deg).tolist(), np))


class World:
    """The body as it really is; hands move it about axes given in east, north, up."""

    def __init__(self, dial, body, seed):
        rng = np.random.default_rng(seed)
        made = Truth.draw(dial, seed)
        self.truth = replace(made, axis_error_deg=rng.normal(0, AXIS_DEG, (len(dial.bores), 2)))
        self.sky = Sky(dial.site)
        self.to_polar = stand.to_polar(dial)
        self.body = body
        self._traced = None

    @property
    def pose_deg(self):
        return np.degrees(stand._vector(self.body))

    def turn(self, axis, angle_deg):
        """axis: a unit vector in east, north, up."""
        self.body = rotation(self.to_polar @ np.asarray(axis) * angle_deg) @ self.body
        self._traced = None

    @property
    def traced(self):
        if self._traced is None:
            self._traced = tracer(replace(self.truth, pose_deg=tuple(self.pose_deg)), RAYS)
        return self._traced

    def levels(self, utc_us):
        sun = self.sky.sun(np.array([utc_us]))
        lit = self.traced.lit_fractions(sun.polar, sun.semidiameter_deg)[0]
        return np.searchsorted(THRESHOLDS, lit, side="right").tolist()


def begun(dial, rng, turn_deg=5.0, tilt_deg=2.0, azimuth_deg=10.0):
    """A body off by so much, each to either side, tilted towards anywhere."""
    to_polar = stand.to_polar(dial)
    sides = rng.choice((-1, 1), 2)
    way = rng.uniform(0, 2 * np.pi)
    tilt = rotation(to_polar @ (np.cos(way), np.sin(way), 0.0) * tilt_deg)
    azimuth = rotation(to_polar @ (0.0, 0.0, 1.0) * azimuth_deg * sides[0])
    return azimuth @ tilt @ rotation(np.array((0.0, 0.0, turn_deg * sides[1])))


@dataclass
class Person:
    """Turns and raises in whole steps, and loses the first of them after each change of way."""

    world: World
    feet: tuple
    rng: np.random.Generator
    way: dict = field(default_factory=dict)

    def steps(self, action):
        """Axis and angle in degrees of each step, and how long each takes."""
        key = action.foot
        if key is None:
            axis, full_deg = np.array((0.0, 0.0, 1.0)), action.amount
        else:
            spot = np.array([(e, n, 1.0) for e, n in self.feet])
            east, north, _ = np.linalg.solve(spot, np.eye(3)[key])
            axis = np.array((north, -east, 0.0))
            full_deg = np.degrees(np.linalg.norm(axis)) * action.amount
            axis = axis / np.linalg.norm(axis)
        count = round(abs(full_deg) / STEP_DEG)
        if not count:
            return []
        way = np.sign(full_deg)
        moved = way * (STEP_DEG + self.rng.normal(0, SHAKE_DEG, count))
        if self.way.get(key, way) != way:
            moved[0] -= way * min(BACKLASH_DEG, abs(moved[0]))
        self.way[key] = way
        return [(axis, float(one), STEP_S["turn" if key is None else "foot"]) for one in moved]


def obey(dial, start_us, minutes, seed, feet, tell=None, says=True):
    """Half an hour or so of setting: the world as it stands in the end, and what was said.

    says: whether the person tells the assistant when a move is done.
    """
    rng = np.random.default_rng(seed)
    world = World(dial, begun(dial, rng), seed + 1)
    person = Person(world, feet, rng)
    setter = Setter(dial, world.sky, feet)
    said, pending, moves_s = [], [], 0
    moved, looks_s = False, READ_S  # since the last word; when the person looks at the screen
    for now_s in range(0, round(60 * minutes), LOOK_S):
        while pending and moves_s <= now_s:
            axis, angle_deg, takes_s = pending.pop(0)
            world.turn(axis, angle_deg)
            moved, looks_s = True, now_s + READ_S
            moves_s += takes_s
        now_us = start_us + now_s * SECOND_US
        one = setter.look(now_us, True, world.levels(now_us))
        if pending or now_s < looks_s:
            continue
        if moved and says:
            one = setter.moved()
        moved, looks_s = False, now_s + READ_S
        if tell:
            tell(now_s, world, setter.stand, one)
        said.append(one)
        if one.state == "act":
            pending, moves_s = person.steps(one.action), now_s + LOOK_S
    return world, said


def tellable(dial, world, start_us, minutes):
    """Combinations of the pose, unit vectors about P's axes, that a still body's crossings in
    some minutes tell to within 0.1 deg and better: (vector, sigma_deg).

    Of bores askew by AXIS_DEG whose ramps' three crossings are one bore's, by how the hour
    angle that the body meets moves with its pose.
    """
    times = start_us + np.arange(0, round(60 * minutes), 20) * SECOND_US
    sun = world.sky.sun(times)
    lit = world.traced.lit_fractions(sun.polar, sun.semidiameter_deg)
    level = np.searchsorted(THRESHOLDS, lit, side="right")
    passed = np.abs(np.diff(level, axis=0)).sum(axis=1)
    suns = np.column_stack(sun.polar)[:-1]
    square = np.zeros((3, 3))
    side = dial.site.hemisphere
    for count, one in zip(passed, suns, strict=True):
        rows = []
        for axis in np.eye(3):
            places = [
                np.degrees(frames.place(rotation(step * axis).T @ world.body.T @ one, side, np)[0])
                for step in (-0.01, 0.01)
            ]
            rows.append((places[1] - places[0]) / 0.02)
        row = np.array(rows)
        square += count / len(THRESHOLDS) * np.outer(row, row) / AXIS_DEG**2
    values, axes = np.linalg.eigh(square)
    return [(axes[:, k], float(values[k] ** -0.5)) for k in range(3) if values[k] > 1 / 0.1**2]
