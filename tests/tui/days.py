"""Days for the replay page, made up without a sky: they take no time and never change."""

from datetime import datetime, timedelta, timezone

import numpy as np

from dialbench.errors import UserError
from dialbench.replay.timeline import STATES, Timeline
from dialbench.replay.track import Track
from dialbench.sky import to_us
from dialbench.states import State

MINUTE_US = 60_000_000


def made(dial, sky, day, kind):
    """From 06:00 to 18:00 of the zone. Each step's face stands for all of it; stored, channel 7
    is dark all day, 5 is lit from 13:00 to 15:00, and from 10:00 to 10:30 there is no sun."""
    midnight_us = to_us(_midnight(day))
    edges = [360, *(round(step.start_min) for step in dial.plan.steps)]
    edges += [edges[-1] + round(dial.plan.step_min), 600, 630, 780, 900]
    edges = sorted(set(edges))
    faces = {round(step.start_min): step.channels for step in dial.plan.steps}
    lit, states = frozenset(), []
    for edge in edges:
        for start, channels in faces.items():
            if start <= edge < start + dial.plan.step_min:
                lit = channels
        if edge >= max(faces) + dial.plan.step_min:
            lit = frozenset()
        states.append([_state(c, c in lit, edge, kind) for c in range(len(dial.channels))])
    start_us, span_us = midnight_us + 360 * MINUTE_US, 720 * MINUTE_US
    since = (np.array(edges) - 360) * MINUTE_US
    channel = np.arange(len(dial.channels))[:, None]
    track = Track(
        len(dial.channels),
        start_us,
        span_us,
        (channel * span_us + since).ravel(),
        np.array(states).T.ravel(),
    )
    return Timeline(dial, sky, day, kind, track)


def _midnight(day):
    return datetime(day.year, day.month, day.day, tzinfo=timezone(timedelta(hours=-1)))


def _state(channel, lit, minute, kind):
    state = State.LIT if lit else State.DARK
    if kind == "stored":
        if 600 <= minute < 630:
            state = State.UNOBSERVED
        elif channel == 7 and lit:
            state = State.MISSING
        elif channel == 5 and not lit and 780 <= minute < 900:
            state = State.STRAY
    return STATES.index(state)


class Days:
    """Stands in for the page's ways to a day; asked holds what it was asked for. Days of the
    month in `dark` have no sun."""

    def __init__(self):
        self.asked = []
        self.dark = set()

    def predicted(self, dial, sky, day):
        return self._day(dial, sky, day, "predicted")

    def stored(self, logged, dial, sky, day):
        return self._day(dial, sky, day, "stored")

    def _day(self, dial, sky, day, kind):
        self.asked.append((day, kind))
        if day.day in self.dark:
            raise UserError(f"the Sun does not rise on {day}")
        return made(dial, sky, day, kind)
