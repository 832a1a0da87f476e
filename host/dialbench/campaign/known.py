"""Where a campaign begins: with a dial nobody has logged yet, or with what a solve knows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date

import numpy as np

from dialbench.campaign.days import Days
from dialbench.campaign.weather import Weather
from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.solve import Solved
from dialbench.solve.fit import Data
from dialbench.solve.information import Assumed, Model
from dialbench.solve.solved import clock_prior
from dialbench.solve.unknowns import POSE, Values

_LEAST = 0.1  # of what is assumed of any dial: less scatter than that, the data just saw none

Progress = Callable[[str, float], None]


def fresh(
    dial: Dial,
    sky: Sky,
    first: date,
    last: date,
    given: Mapping[str, float],
    weather: Weather,
    progress: Progress | None = None,
) -> Days:
    """The days from first to last for a dial as drawn.

    given: what is known of its scatter and noise, as Assumed.with_ names it.
    """
    middle_us = sky.noon_us(date.fromordinal((first.toordinal() + last.toordinal()) // 2))
    model = Model(dial, sky, Assumed().with_(**given), middle_us)
    return Days(model, first, last, weather=weather, progress=progress)


def after(
    found: Solved,
    sky: Sky,
    first: date,
    last: date,
    given: Mapping[str, float],
    weather: Weather,
    progress: Progress | None = None,
) -> Days:
    """The days from first to last for a dial some days of which are solved already.

    Its scatter and noise are as the solve found them, but for what is given. A kind of which
    the data say so little that it came out without scatter keeps what is assumed of any dial.
    """
    fitted, any_dial = found.fit, Assumed()
    measured, places = found.comparison.measured, found.places
    prior = clock_prior(measured)
    told = fitted.scatter > _LEAST * any_dial.scatter
    scatter = np.where(told, fitted.scatter, any_dial.scatter)
    seen = replace(
        any_dial,
        scatter=scatter,
        level_noise=fitted.level_noise,
        offset_s=prior.offset_s,
        rate=prior.rate,
    )
    pose = np.zeros(len(fitted.values.common))
    pose[POSE] = fitted.values.common[POSE]
    placed = Values(pose, tuple(np.zeros(len(own)) for own in fitted.values.own))
    utc_us = measured.utc_us[places]
    model = Model(found.dial, sky, seen.with_(**given), int(np.median(utc_us)), placed)
    data = Data(
        measured.channel[places], measured.threshold[places], measured.rise[places], utc_us, utc_us
    )
    wx, wy, wz = np.degrees(pose[POSE]).tolist()
    before = model.told(data, fitted)
    return Days(model, first, last, (wx, wy, wz), before, weather, progress)
