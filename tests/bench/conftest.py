"""What the benchmarks share: a cache of their own, and the crossings of one year."""

from datetime import date, timedelta
from time import perf_counter
from types import SimpleNamespace

import numpy as np
import pytest
from tests.bench import baselines, scene

from dialbench import predict
from dialbench.sky import Sky
from dialcore.crossing import THRESHOLDS

FIRST = date(2026, 1, 1)


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    """A folder of kept data that nobody else uses; the ephemeris of the year is in it."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("cache")
        patch.setenv("DIALBENCH_CACHE", str(folder))
        yield folder


@pytest.fixture(scope="module")
def dial():
    return scene.dial()


@pytest.fixture(scope="module")
def sky(cache):
    sky = Sky(scene.SITE)
    scene.warm(sky)
    return sky


@pytest.fixture(scope="module")
def year(dial, sky):
    """Function: a year of spans streamed, and how many there were."""

    def stream():
        parts = predict.stream(dial, sky, scene.START_US, scene.END_US, ghosts=False)
        return sum(len(part) for part in parts)

    return stream


@pytest.fixture(scope="module")
def ours(dial, sky):
    """Our crossings of the year in the order of time."""
    return predict.crossings(dial, sky, scene.START_US, scene.END_US, ghosts=False)


class GridYear:
    """The same from the shared grid of minutes, a share of the days at a time."""

    def __init__(self, dial):
        self.finder = baselines.Grid(dial, THRESHOLDS)
        self.days = {}
        self.seconds = 0.0
        self.finder.day(FIRST)  # Skyfield reads its tables

    def run(self, numbers):
        begin = perf_counter()
        for number in numbers:
            self.days[number] = self.finder.day(FIRST + timedelta(number))
        self.seconds += perf_counter() - begin

    def crossings(self):
        """Of the whole year, in no order; utc_us as floats."""
        self.run([number for number in range(scene.DAYS) if number not in self.days])
        parts = []
        for number, (*columns, minute) in self.days.items():
            begin_us = scene.START_US + number * scene.DAY_US
            parts.append([*columns, begin_us + minute * baselines.MINUTE_US])
        channel, threshold, rise, utc_us = (
            np.concatenate(column) for column in zip(*parts, strict=True)
        )
        return SimpleNamespace(channel=channel, threshold=threshold, rise=rise, utc_us=utc_us)


@pytest.fixture(scope="module")
def grid(dial):
    return GridYear(dial)
