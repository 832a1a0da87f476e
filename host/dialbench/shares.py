"""Whose fault it is: what a dial reads less what the clock shows, split among its causes.

Minutes, positive where the dial is fast. The shares add up to the difference: nothing is left
over, and what cannot be told apart is said to be one.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from math import hypot
from typing import Any

import numpy as np

from dialbench.compare import Comparison, Measured, compare
from dialbench.crossing import Crossings
from dialbench.days import DAY_MIN, folded_min
from dialbench.dial import Dial, Plan, Site, Step
from dialbench.layout import design_equation_of_time_s, plan_edges_deg
from dialbench.predict import plan_step
from dialbench.sky import from_us

_MIN_PER_DEG = 4.0
_FEWEST = 6  # crossings: three channels seen to light up and go dark
_FEWEST_CHANNELS = 3
_HALF = 1  # the threshold at lit fraction 0.50
# A robust standard deviation from the median distance to the median, and a median's
# standard error against a mean's, both for a normal distribution.
_SD_PER_MAD = 1.4826
_MEDIAN_PER_MEAN = 1.2533

HalfCrossings = tuple[tuple[int, int, bool], ...]  # utc_us, channel, rising


@dataclass(frozen=True)
class Shift:
    """How much later than predicted crossings come in the mean: what pose and making do.

    late_s, sigma_s: the median and its standard error. whence: "live" where they were
    seen by whoever watches, "store" where they were logged.
    """

    late_s: float
    sigma_s: float
    crossings: int
    whence: str

    @classmethod
    def of(cls, found: Comparison, whence: str) -> Shift | None:
        """The shift of a comparison's pairs; None where they are too few to tell."""
        late_s = found.residual_s
        channels = np.unique(found.predicted.channel[found.predicted_index])
        if len(late_s) < _FEWEST or len(channels) < _FEWEST_CHANNELS:
            return None
        median = float(np.median(late_s))
        spread = _SD_PER_MAD * float(np.median(abs(late_s - median)))
        # Crossings of one channel share what its bores got wrong: it counts once.
        sigma = _MEDIAN_PER_MEAN * spread / float(np.sqrt(len(channels)))
        return cls(median, sigma, len(late_s), whence)


def live_shift(seen: HalfCrossings, predicted: HalfCrossings, blur_s: float) -> Shift | None:
    """The shift of crossings of lit fraction 0.50 seen live, against those predicted for the
    same time; None where too few are of a kind. blur_s: the standard uncertainty that their
    times have in common."""
    found = compare(
        Crossings(**_columns(predicted)),
        Measured(**_columns(seen), sigma_s=np.zeros(len(seen))),
        observed=(),
    )
    shift = Shift.of(found, "live")
    return None if shift is None else replace(shift, sigma_s=hypot(shift.sigma_s, blur_s))


def _columns(rows: HalfCrossings) -> dict[str, Any]:
    utc_us, channel, rise = zip(*sorted(rows), strict=True) if rows else ((), (), ())
    return {
        "channel": np.array(channel, np.int64),
        "threshold": np.full(len(rows), _HALF, np.int64),
        "rise": np.array(rise, np.bool_),
        "utc_us": np.array(utc_us, np.int64),
    }


@dataclass(frozen=True)
class Shares:
    """The causes of dial - clock, in minutes.

    equation_of_time_min, longitude_min: as far as the plan does not allow for them.
    air_min: refraction and parallax in the Sun's hour angle, and UT1 - UTC. pose_min: what
    pose and making shift every crossing by; None where that is not known. step_min: the
    middle of the step that should be read less the time in it, half a step at most either
    way; None outside the plan. face_min: the step that is read less the one that should be, 0 or
    whole steps (outside the plan, less the time itself); None where nothing is read. Where pose_min is None, pose and making can
    only show in face_min.
    """

    equation_of_time_min: float
    longitude_min: float
    air_min: float
    pose_min: float | None
    step_min: float | None
    face_min: float | None
    shift: Shift | None

    @property
    def total_min(self) -> float | None:
        """Their sum: what the dial reads less what the clock shows."""
        if self.face_min is None:
            return None
        known = (self.pose_min or 0.0) + (self.step_min or 0.0) + self.face_min
        return self.equation_of_time_min + self.longitude_min + self.air_min + known

    def as_dict(self) -> dict[str, Any]:
        """As JSON's own types."""
        return {**asdict(self), "total_min": self.total_min}


def shares(
    dial: Dial,
    utc_us: int,
    hour_angle_deg: float,
    equation_of_time_s: float,
    reads: Step | None,
    shift: Shift | None,
) -> Shares:
    """Split dial - clock at an instant.

    hour_angle_deg: of the refracted Sun in P, as in SunPlace; equation_of_time_s: as Sky has it,
    apparent less mean time; reads: the step that the lit channels spell; clock is the zone's
    standard time, as everywhere.
    """
    site, plan = dial.site, dial.plan
    allowed_eot_min, allowed_longitude_min = allowed_min(site, plan)
    eot_min = equation_of_time_s / 60
    offset_min = 60 * site.standard_offset_h(from_us(utc_us).date())
    longitude_min = _MIN_PER_DEG * site.longitude_deg - offset_min
    apparent_min = DAY_MIN / 2 + _MIN_PER_DEG * hour_angle_deg
    mean_min = utc_us / 60e6 % DAY_MIN + _MIN_PER_DEG * site.longitude_deg
    pose_min = None if shift is None else -shift.late_s / 60
    # The time that the dial stands at, by its own plan: where its step should be looked up.
    plan_min = apparent_min - allowed_eot_min - allowed_longitude_min + (pose_min or 0.0)
    due = int(plan_step(dial, np.array([hour_angle_deg + (pose_min or 0.0) / _MIN_PER_DEG]))[0])
    step_min = None if due < 0 else folded_min(_middle_min(plan, plan.steps[due]) - plan_min)
    face_min = None
    if reads is not None:
        due_min = plan_min if due < 0 else _middle_min(plan, plan.steps[due])
        face_min = folded_min(_middle_min(plan, reads) - due_min)
    return Shares(
        equation_of_time_min=eot_min - allowed_eot_min,
        longitude_min=folded_min(longitude_min - allowed_longitude_min),
        air_min=folded_min(apparent_min - mean_min - eot_min),
        pose_min=pose_min,
        step_min=step_min,
        face_min=face_min,
        shift=shift,
    )


@lru_cache(maxsize=16)
def allowed_min(site: Site, plan: Plan) -> tuple[float, float]:
    """Minutes of equation of time and of longitude that a plan's steps allow for."""
    eot_min = design_equation_of_time_s(site, plan) / 60
    apparent_min = DAY_MIN / 2 + _MIN_PER_DEG * float(plan_edges_deg(site, plan)[0])
    return eot_min, folded_min(apparent_min - plan.steps[0].start_min - eot_min)


def _middle_min(plan: Plan, step: Step) -> float:
    return step.start_min + plan.step_min / 2
