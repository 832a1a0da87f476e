"""What to do about a dial, in workshop terms, and what it buys.

Each piece of advice is held against two measures: its size against its own uncertainty, and
what it would gain in reading over a year against the uncertainty of that. What fails either
is not advised. The base comes first, as all gains of bores and sensors are told for a dial
that stands right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.ideal import Bores
from dialbench.sky import Sky
from dialbench.solve import stand
from dialbench.solve.accuracy import LIT, Read, Year
from dialbench.solve.observe import RANGE, WIDE_DEG
from dialbench.solve.solved import Solved
from dialbench.solve.stand import Foot, Move, Told
from dialbench.solve.unknowns import ALL_EXITS, EXIT, GHOST, POSE, Layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_FINE_S, _COARSE_S = 20.0, 60.0  # between instants: for what is told, for how sure it is
# How far a combination of angles that the data cannot tell may be off: so near comes
# whoever sets a base by compass and level (common practice, no source).
_UNTOLD_DEG = 1.0
_MOST = 200  # bores that are looked into
_SHOWN = 10
_REACH = np.radians(6.0)
_RIGHT = np.zeros(3)  # the pose of a body that stands as meant


@dataclass(frozen=True)
class Gain:
    """Of the time in which exactly the right face shows: hours a year; sigma of both."""

    share: float
    sigma: float
    hours: float

    @property
    def sure(self) -> bool:
        return self.share > RANGE * self.sigma and self.share > 0

    @property
    def words(self) -> str:
        scale = self.hours / self.share if self.share else 0.0
        return (
            f"{_with(100 * self.share, 100 * RANGE * self.sigma)} points more of the time with the"
            f" right face ({_with(self.hours, RANGE * self.sigma * scale)} h a year)"
        )

    def as_dict(self) -> dict[str, float]:
        return {"share": self.share, "sigma": self.sigma, "hours_a_year": self.hours}


@dataclass(frozen=True)
class Stand:
    """Move the base: how it is read before and after, and by the layout itself at best."""

    move: Move
    gain: Gain
    before: Read
    after: Read


@dataclass(frozen=True)
class Ream:
    """Make a bore's entry as wide as it was drawn; it can only be made wider."""

    bore: int
    to_mm: float
    found_mm: Told
    gain: Gain


@dataclass(frozen=True)
class Sensor:
    """A channel's sensor: read too high by gain (a share), and by dark (of full light).

    Either is None where the data do not tell it from nothing.
    """

    channel: int
    gain: Told | None
    dark: Told | None


@dataclass(frozen=True)
class Advice:
    """All that is advised. sensors_gain: what setting them buys, in what the log reads.

    limit: how the dial would be read if it stood as meant, bores as they came out.
    """

    solved: Solved
    feet: tuple[Foot, ...]
    stand: Stand | None
    reams: tuple[Ream, ...]
    sensors: tuple[Sensor, ...]
    sensors_gain: Gain | None
    limit: Read | None

    def sentences(self) -> list[str]:
        """One for each thing to do, with its uncertainty (95%) and what it buys."""
        told = []
        if self.stand is not None:
            one = self.stand
            before, after, best = (
                _median(read) for read in (one.before, one.after, self.limit or one.after)
            )
            told.append(
                f"Base: {one.move.sentence()}, on level ground. This buys {one.gain.words}; half of"
                f" all readings are within {before} now, within {after} then, and within {best} at"
                " best, as a face stands for a whole step."
            )
            if self.solved.pose.untold:
                told.append(
                    "These amounts undo only what the data tell, and their +- is of that alone: the"
                    " combinations they cannot tell may still be off by more. Log on other days first"
                    " if shims are much work."
                )
        dial = self.solved.dial
        for ream in sorted(self.reams, key=lambda one: -one.gain.share)[:_SHOWN]:
            bore = dial.bores[ream.bore]
            what = "ream it" if bore.shape == "round" else "open its entry"
            told.append(
                f"Bore {ream.bore} (channel {bore.channel}, hour angle {bore.hour_angle_deg:.1f}"
                f" deg): {what} to {ream.to_mm:.2f} mm; it came out {ream.found_mm.value:.2f} +-"
                f" {ream.found_mm.half_width:.2f} mm. This buys {ream.gain.words}."
            )
        if len(self.reams) > _SHOWN:
            told.append(f"{len(self.reams) - _SHOWN} more bores may be opened, each for less.")
        if self.sensors and self.sensors_gain is not None:
            settings = [
                part
                for one in self.sensors
                for part in (
                    one.gain
                    and f"scale[{one.channel}] times {1 / (1 + one.gain.value):.3f}"
                    f" +- {one.gain.half_width / (1 + one.gain.value) ** 2:.3f}",
                    one.dark
                    and f"dark[{one.channel}] up by {one.dark.value:.4f} +-"
                    f" {one.dark.half_width:.4f} of full light",
                )
                if part
            ]
            told.append(
                f"Board's config.json: {'; '.join(settings)}. In what the log reads, this buys"
                f" {self.sensors_gain.words}."
            )
        if not told:
            told.append("Nothing is advised: no correction that these data support gains anything.")
        return told

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types; half-widths are of 95% intervals."""
        one = self.stand
        return {
            "feet_mm": [{"east": east, "north": north} for east, north in self.feet],
            "limit": self.limit and vars(self.limit),
            "base": one
            and {
                "turn_anticlockwise_deg": one.move.turn,
                "turn_half_width_deg": one.move.turn_deg.half_width,
                "shims_mm": list(one.move.shims),
                "shims_half_width_mm": [shim.half_width for shim in one.move.shims_mm],
                "before": vars(one.before),
                "after": vars(one.after),
                "gain": one.gain.as_dict(),
            },
            "bores": [
                {
                    "bore": ream.bore,
                    "to_mm": ream.to_mm,
                    "found_mm": ream.found_mm.value,
                    "found_half_width_mm": ream.found_mm.half_width,
                    "gain": ream.gain.as_dict(),
                }
                for ream in self.reams
            ],
            "sensors": [
                {
                    "channel": one.channel,
                    "gain": one.gain and vars(one.gain),
                    "dark": one.dark and vars(one.dark),
                }
                for one in self.sensors
            ],
            "sensors_gain": self.sensors_gain and self.sensors_gain.as_dict(),
        }


def advice(solved: Solved, sky: Sky, feet: Sequence[Foot] = ()) -> Advice:
    """What the solution of a log supports. feet: where the base stands, east and north in mm;
    without any, only bores and sensors are advised on.

    Raises SkyError.
    """
    return _Advising(solved, sky, tuple(feet)).found()


class _Advising:
    def __init__(self, solved: Solved, sky: Sky, feet: tuple[Foot, ...]) -> None:
        self.solved, self.feet = solved, feet
        self.dial, self.fit = solved.dial, solved.fit
        self.layout = Layout(solved.dial)
        self.values = solved.fit.values
        self.made = self.layout.made(self.values)
        self.bores = Bores(self.made)
        self.ghost = 1 + float(self.values.common[GHOST])
        self.pose = self.values.common[POSE]
        middle_us = int(np.median(solved.comparison.measured.utc_us))
        self.fine, self.coarse = (
            Year(self.dial, sky, middle_us, step_s) for step_s in (_FINE_S, _COARSE_S)
        )

    def found(self) -> Advice:
        if not len(self.fine):  # no plan, or none while the Sun is up: nobody reads it
            return Advice(self.solved, self.feet, None, (), (), None, None)
        levels = self.fine.lit(self.bores, _RIGHT, self.ghost)
        limit = self.fine.read(levels)
        gain, sensors = self._sensors(levels)
        return Advice(
            self.solved,
            self.feet,
            self._stand() if self.feet else None,
            tuple(self._reams(levels)),
            sensors if gain is not None and gain.sure else (),
            gain if gain is not None and gain.sure else None,
            limit,
        )

    def _gain(self, share: float, sigma: float) -> Gain:
        return Gain(float(share), float(sigma), float(share * self.fine.hours))

    def _grain(self, sigma: float) -> float:
        """No gain is known better than to one of the instants looked at."""
        return float(np.hypot(sigma, 1 / len(self.fine)))

    def _stand(self) -> Stand | None:
        polar = stand.to_polar(self.dial)
        covariance = self.fit.common_covariance[POSE, POSE]
        variance, axes = np.linalg.eigh(covariance)
        sigma = np.sqrt(np.maximum(variance, 0.0))
        told = np.degrees(sigma) <= WIDE_DEG
        keep = axes[:, told] @ axes[:, told].T
        pose = keep @ self.pose
        move = stand.move(pose, keep @ covariance @ keep, polar, self.feet)
        if move.nothing:
            return None

        def read(year: Year, pose: Floats) -> Read:
            return year.read(year.lit(self.bores, pose, self.ghost))

        before = read(self.fine, pose)
        after = read(self.fine, move.after(pose, polar))
        # How uncertain the pose is, carried through by points about it.
        far = np.sqrt(3) * np.where(told, sigma, np.radians(_UNTOLD_DEG))
        points = [
            pose + way * size * axis
            for size, axis in zip(far, axes.T, strict=True)
            for way in (1, -1)
        ]
        shares = [
            read(self.coarse, move.after(point, polar)).duty - read(self.coarse, point).duty
            for point in points
        ]
        gain = self._gain(after.duty - before.duty, float(np.std(shares)))
        return Stand(move, gain, before, after) if gain.sure else None

    def _reams(self, levels: Floats) -> list[Ream]:
        """Bores that came out narrow, and what opening each of them would buy."""
        wide = self.layout.entries(self.values)
        # Of an entry the width of both ends together is told, and little of the exit alone.
        exits = np.array([of[EXIT] for of in self.fit.sigma.own])
        exits = np.hypot(exits, self.fit.sigma.common[ALL_EXITS])
        share = np.array([bore.exit_mm / bore.entry_mm for bore in self.dial.bores])
        channel = [bore.channel for bore in self.dial.bores]
        sigma = np.hypot((1 + share) * self.fit.width_sigma, share * exits[channel])
        narrow = np.flatnonzero(wide < -RANGE * sigma)
        narrow = narrow[np.argsort(wide[narrow])][:_MOST]
        wrong = ((levels >= LIT) != self.fine.wanted).sum(axis=1)
        found = (
            self._ream(bore, float(wide[bore]), float(sigma[bore]), levels, wrong)
            for bore in narrow.tolist()
        )
        return [ream for ream in found if ream.gain.sure]

    def _ream(self, bore: int, wide: float, sigma: float, levels: Floats, wrong: Ints) -> Ream:
        """What opening a bore whose entry came out so wide (a share, below 0) would buy."""
        channel, drawn_mm = self.dial.bores[bore].channel, self.dial.bores[bore].entry_mm
        where = self.fine.near(bore, _REACH)
        wanted = self.fine.wanted[where, channel]
        others = wrong[where] - ((levels[where, channel] >= LIT) != wanted)

        def right(share: float) -> int:
            """At how many instants the face is right if the entry is so wide."""
            lit = self._channel(bore, share, where) >= LIT
            return int(((others == 0) & (lit == wanted)).sum())

        opened = right(0.0)
        now, less, more = (
            (opened - right(wide + way * sigma)) / len(self.fine) for way in (0, -1, 1)
        )
        value = Told((1 + wide) * drawn_mm, RANGE * sigma * drawn_mm)
        return Ream(bore, drawn_mm, value, self._gain(now, self._grain((less - more) / 2)))

    def _channel(self, bore: int, share: float, where: Ints) -> Floats:
        """A bore's channel, if its entry had come out so much wider than drawn."""
        drawn = self.dial.bores[bore].entry_mm
        mates = tuple(
            replace(one, entry_mm=drawn * (1 + share)) if n == bore else one
            for n, one in enumerate(self.made.bores)
            if one.channel == self.dial.bores[bore].channel
        )
        bores = Bores(replace(self.made, bores=mates))
        channel = np.array([self.dial.bores[bore].channel])
        return self.fine.lit(bores, _RIGHT, self.ghost, channel, where)[:, 0]

    def _sensors(self, levels: Floats) -> tuple[Gain | None, tuple[Sensor, ...]]:
        """Settings of sensors that are told, and what they buy together."""
        gain, dark = self.layout.sensors(self.values)
        gain_sigma, dark_sigma = self.layout.sensors(self.fit.sigma)
        found = []
        for n in range(len(gain)):
            two = (
                Told(float(gain[n]), RANGE * float(gain_sigma[n])),
                Told(float(dark[n]), RANGE * float(dark_sigma[n])),
            )
            kept = [one if one.sure else None for one in two]
            if any(kept):
                found.append(Sensor(n, kept[0], kept[1]))
        if not found:
            return None, ()
        factor, ground = np.ones(len(gain)), np.zeros(len(gain))
        for one in found:
            factor[one.channel] += one.gain.value if one.gain else 0.0
            ground[one.channel] += one.dark.value if one.dark else 0.0

        def duty(scale: Floats, above: Floats) -> float:
            return self.fine.read(levels * scale + above).duty

        best = self.fine.read(levels).duty
        gained = best - duty(factor, ground)
        spread = gain_sigma * (factor != 1)
        over, under = (
            best - duty(factor + way * np.sign(factor - 1) * spread, ground) - gained
            for way in (1, -1)
        )
        return self._gain(gained, self._grain(abs(over - under) / 2)), tuple(found)


def _with(value: float, half_width: float) -> str:
    """A value with as many decimals as two figures of its half-width have."""
    decimals = max(0, 1 - math.floor(math.log10(half_width))) if half_width > 0 else 2
    return f"{value:.{decimals}f} +- {half_width:.{decimals}f}"


def _median(read: Read) -> str:
    return "no reading at all" if read.median_min is None else f"{read.median_min:.2f} min"
