"""A true dial on a bench: what a lamp lights of its channels, by rays through the body.

A ray runs from a point of an exit to a point of the lamp's disc, which faces the dial; it is
lit if and only if every point of it inside the body lies in the void of some bore. Nothing here
is shared with the closed forms that a bench's sweep is worked out with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.rays.tracer import Tracer, ray_points
from dialbench.rays.voids import A, Floats, Ints, U, V, Vectors, Voids, covered, way_out
from dialbench.virtual.truth import Truth
from dialcore import frames

_STRETCH = 8  # neighbouring positions whose rays ask the same bores
_TINY = 1e-30


class LampRays:
    """Rays from a lamp through one body; build it once, ask it for many positions of the shaft.

    The lamp's middle is distance_mm from the shaft and height_mm along it from the middle of the
    face towards the visible pole; its disc is diameter_mm wide and evenly bright. rays, even, go
    from each exit, position by position between other points: what so few of them miss is not
    missed alike at every angle.
    """

    def __init__(
        self,
        truth: Truth,
        distance_mm: float,
        diameter_mm: float,
        height_mm: float,
        rays: int = 1024,
    ) -> None:
        dial = truth.dial
        self._body = dial.body
        self._hemisphere = dial.site.hemisphere
        self._exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels])
        self._voids = Voids.of(dial, truth.axis_error_deg, truth.width_factor)
        self._distance_mm, self._height_mm = distance_mm, height_mm
        self._radius_mm = diameter_mm / 2
        self._rays = rays
        bored = len(dial.bores)
        self._window = np.zeros(len(dial.channels))
        np.maximum.at(self._window, self._voids.channel[:bored], self._voids.half[:bored])

    def lit_fractions(self, hour_angle: Floats) -> Floats:
        """Lit fractions, (n, channels), of the exits as drawn, while the body sees the lamp at
        these hour angles, in radians."""
        flat = np.array(frames.direction(hour_angle, 0.0 * hour_angle, self._hemisphere, np)).T
        lamps = self._distance_mm * flat
        lamps[:, 2] = self._height_mm
        lit = np.zeros((len(lamps), len(self._exits)))
        for at in range(0, len(lamps), _STRETCH):
            for channel in range(len(self._exits)):
                if self._window[channel]:
                    part = slice(at, at + _STRETCH)
                    lit[part, channel] = self._stretch(channel, lamps[part])
        return lit

    def _stretch(self, channel: int, lamps: Floats) -> Floats:
        """Lit fractions of one channel under lamps that stand close together, (n,)."""
        v, exit_mm, window = self._voids, self._exits[channel], self._window[channel]
        beams = lamps - exit_mm
        far = np.linalg.norm(beams, axis=1)
        middle = beams.mean(axis=0)
        middle /= np.linalg.norm(middle)
        reach = window * np.sqrt(2)
        strays = np.linalg.norm(beams / far[:, None] - middle, axis=1)
        grow = float((strays + (self._radius_mm + reach) / far).max()) * 1.01
        if middle[0] < -grow:
            return np.zeros(len(lamps))
        every = np.arange(len(v.half))
        at = np.einsum("k,akb->ab", exit_mm, v.axes) - v.origin
        slope = np.einsum("k,akb->ab", middle, v.axes)
        wide = np.ones(len(every))
        low, high = v.fat_stretch(every, at, slope, reach * wide, grow * wide)
        asked = np.flatnonzero((low <= high) & (high >= 0))
        # Where the first ray may leave the body, and where the last must have come in.
        body = self._body
        out = way_out(
            tuple(exit_mm[:, None]),
            tuple(middle[:, None]),
            body.radius_mm - reach,
            body.length_mm / 2 - reach,
            body.front_mm - reach,
            grow,
        )
        enter = np.array([reach / max(middle[0] - grow, _TINY)])
        if covered(enter, low[asked], high[asked], 0 * asked)[0] < out[0]:
            return np.zeros(len(lamps))
        return self._trace(channel, lamps, beams / far[:, None], asked)

    def _trace(self, channel: int, lamps: Floats, towards: Floats, asked: Ints) -> Floats:
        v, window = self._voids, self._window[channel]
        ahead = np.where(v.channel == channel, towards @ v.axes[A], -np.inf)
        own = ahead.argmax(axis=1)
        flat = np.hypot(lamps[:, 0], lamps[:, 1])
        side1 = np.column_stack((-lamps[:, 1], lamps[:, 0], 0 * flat)) / flat[:, None]
        facing = lamps / np.linalg.norm(lamps, axis=1)[:, None]
        side2 = np.cross(facing, side1)
        p, q, e1, e2 = _lamp_points(self._rays, float(lamps[0] @ (1.0, 7.3, 0.0)) % 1.0)
        # (samples, rays, 3)
        start = self._exits[channel] + window * (
            v.axes[U][:, own].T[:, None, :] * p[:, None]
            + v.axes[V][:, own].T[:, None, :] * q[:, None]
        )
        end = lamps[:, None, :] + self._radius_mm * (
            side1[:, None, :] * e1[:, None] + side2[:, None, :] * e2[:, None]
        )
        way = end - start
        way /= np.linalg.norm(way, axis=2)[..., None]
        seen = (way[..., 0] > 0) & ~(v.round[own][:, None] & (p * p + q * q > 1))
        name = np.flatnonzero(seen)
        first, ways = start.reshape(-1, 3)[name], way.reshape(-1, 3)[name]
        from_face = np.maximum(0.0, -first[:, 0] / ways[:, 0])
        body = self._body
        out = way_out(
            _vectors(first), _vectors(ways), body.radius_mm, body.length_mm / 2, body.front_mm
        )
        out = np.where(from_face < out, out, np.inf)
        stretches = [self._inside(bore, first, ways) for bore in asked.tolist()]
        reached = from_face
        going = True
        while going:
            before = reached
            for low, high in stretches:
                reached = np.where(low <= reached, np.maximum(reached, high), reached)
            going = bool((reached > before).any())
        lit = np.zeros(seen.size)
        lit[name] = reached >= out - 1e-9
        share: Floats = lit.reshape(seen.shape).mean(axis=1) * (2 * window) ** 2 / v.drawn_mm2[own]
        return share

    def _inside(self, bore: int, start: Floats, way: Floats) -> tuple[Floats, Floats]:
        """From where to where on each ray the bore holds it, in mm; low above high: nowhere."""
        v = self._voids
        axes = v.axes[:, :, bore]
        at, slope = axes @ start.T - v.origin[:, bore, None], axes @ way.T
        none = np.zeros(len(start))
        low, high = v.fat_stretch(np.full(len(start), bore), at, slope, none, none)
        if v.round[bore]:
            near, far = _in_cone(at, slope, float(v.half[bore]), float(v.widen[bore]))
            low, high = np.maximum(low, near), np.minimum(high, far)
        return low, np.where(low <= high, high, -np.inf)


def _lamp_points(rays: int, first: float) -> tuple[Floats, Floats, Floats, Floats]:
    """dialbench.rays.tracer.ray_points for a disc as bright at its rim as in its middle."""
    p, q, e1, e2 = ray_points(rays, first)
    out = np.hypot(e1, e2)
    rank = np.argsort(np.argsort(out, kind="stable"), kind="stable") + 0.5
    even = np.sqrt(rank / len(out)) / np.maximum(out, _TINY)
    return p, q, e1 * even, e2 * even


def _in_cone(at: Floats, slope: Floats, half: float, widen: float) -> tuple[Floats, Floats]:
    """Where on rays u^2 + v^2 <= (half + widen a)^2, the side on which that is above 0."""
    wall, recede = half + widen * at[A], widen * slope[A]
    a = slope[U] ** 2 + slope[V] ** 2 - recede**2
    b = at[U] * slope[U] + at[V] * slope[V] - wall * recede
    c = at[U] ** 2 + at[V] ** 2 - wall**2
    a = np.where(np.abs(a) < 1e-15, 1e-15, a)
    square = b * b - a * c
    root = np.sqrt(np.maximum(square, 0.0))
    one, other = (-b - root) / a, (-b + root) / a
    # Rays that spread less than the bore leave it at one end only.
    narrow = a < 0
    opens = recede > 0
    low = np.where(narrow, np.where(opens, np.maximum(one, other), -np.inf), one)
    high = np.where(narrow, np.where(opens, np.inf, np.minimum(one, other)), other)
    missed = square < 0
    low = np.where(missed, np.where(narrow, -np.inf, np.inf), low)
    high = np.where(missed, np.where(narrow, np.inf, -np.inf), high)
    return low, high


def _vectors(points: Floats) -> Vectors:
    x, y, z = points.T
    return x, y, z


def sun_rays(
    truth: Truth,
    hour_angle: Floats,
    declination: Floats,
    semidiameter_deg: Floats | float,
    rays: int = 1024,
    first: float = 0.5,
) -> Floats:
    """The same under the Sun, whose declination and semi-diameter are told sample by sample; first:
    dialbench.rays.tracer.ray_points."""
    polar = frames.direction(hour_angle, declination, truth.dial.site.hemisphere, np)
    traced = Tracer(
        truth.dial, truth.pose_deg, truth.axis_error_deg, truth.width_factor, rays, first
    )
    return traced.lit_fractions(polar, semidiameter_deg)


@dataclass(frozen=True)
class Encoder:
    """An encoder on the shaft, as bad as they come; degrees.

    The body sees the light at the hour angle: its reading, plus zero_deg, plus a first harmonic
    of eccentric_deg at phase_deg, plus half the backlash in the way the shaft turns. counts: how
    many steps a turn it tells apart, 0: all.
    """

    zero_deg: float = 0.0
    eccentric_deg: float = 0.0
    phase_deg: float = 0.0
    backlash_deg: float = 0.0
    counts: int = 0

    def reads_deg(self, hour_angle_deg: Floats, way: Ints) -> Floats:
        """Its readings; way: +1 or -1, how the shaft turns."""
        plain = hour_angle_deg - self.zero_deg - self.backlash_deg / 2 * way
        reading = plain
        for _ in range(30):  # the harmonic is so small that this closes in on the reading
            bent = np.cos(np.radians(reading + self.phase_deg))
            reading = plain - self.eccentric_deg * bent
        if self.counts:
            return np.floor(reading / 360 * self.counts) * 360 / self.counts
        return reading


class Lamp:
    """As bright as full sun on the open-sky sensor, whatever the weather; W/m^2."""

    def irradiance(self, utc_us: Ints, altitude_deg: Floats) -> tuple[Floats, Floats]:
        return np.full(len(utc_us), 900.0), np.zeros(len(utc_us))


class Stage:
    """A stage that turns a body before a lamp, there and back, from start_us on: light and
    encoder for a virtual board. Hour angles in degrees, light at the grid's (n,) is told."""

    def __init__(
        self,
        encoder: Encoder,
        grid_deg: Floats,
        light: Floats,
        start_us: int,
        deg_per_s: float,
    ) -> None:
        self._encoder, self._grid_deg, self._light = encoder, grid_deg, light
        self._start_us, self._deg_per_s = start_us, deg_per_s
        self._span_deg = float(grid_deg[-1] - grid_deg[0])
        self.sweep_s = 2 * self._span_deg / deg_per_s

    def _stands(self, utc_us: Ints) -> tuple[Floats, Ints]:
        gone = np.clip(1e-6 * (utc_us - self._start_us) * self._deg_per_s, 0, 2 * self._span_deg)
        way = np.where(gone < self._span_deg, 1, -1)
        turned = np.where(way > 0, gone, 2 * self._span_deg - gone)
        return self._grid_deg[0] + turned, way

    def at(self, utc_us: Ints) -> tuple[Floats, Floats]:
        """Lit fractions (n, channels), and an altitude for the lamp (n,)."""
        stands, _ = self._stands(utc_us)
        lit = [np.interp(stands, self._grid_deg, channel) for channel in self._light.T]
        return np.stack(lit, axis=1), np.full(len(utc_us), 45.0)

    def words(self, utc_us: Ints) -> Ints:
        """What the encoder shows, for a frame of light (board_virtual)."""
        reading = self._encoder.reads_deg(*self._stands(utc_us))
        raw = np.floor(reading / 360 * 4096).astype(np.int64) & 4095
        return raw | 0x9000
