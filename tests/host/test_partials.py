"""What a solve takes its levels to do when an unknown moves, against levels that it moved."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest

from dialbench import dialfile
from dialbench.sky import Sky
from dialbench.solve.response import Response
from dialbench.solve.unknowns import (
    ALL_EXITS,
    ALL_WIDTHS,
    AXIS,
    DARK,
    EXIT,
    GAIN,
    GHOST,
    WIDTH,
    WZ,
    Layout,
    Values,
)

H = 1e-5
SCATTER = {GAIN: 0.05, DARK: 0.003, EXIT: 0.02, AXIS: 2e-3, WIDTH: 0.02}
COMMON = np.array([1e-4, 2e-4, 3e-3, 0.0, 0.0, 0.01, -0.02, 0.1])
DAYS = date(2027, 2, 10), date(2027, 6, 10)


@dataclass(frozen=True)
class Instants:
    channel: np.ndarray
    utc_us: np.ndarray


@pytest.fixture(scope="module")
def at():
    """The demo dial made with errors, and two days of instants of all its channels."""
    dial = dialfile.demo()
    layout, sky = Layout(dial), Sky(dial.site)
    rng = np.random.default_rng(1)
    own = tuple(np.array([rng.normal(0, SCATTER[of]) for of in kind]) for kind in layout.kind)
    at_us = np.concatenate([np.arange(*sky.daylight(day), 100_000_000) for day in DAYS])
    channels = np.arange(len(dial.channels))
    channel, utc_us = np.repeat(channels, len(at_us)), np.tile(at_us, len(channels))
    response = Response(dial, sky, layout)
    values = Values(COMMON, own)
    one = Instants(channel, utc_us)
    met = response.at(values, utc_us, channel, rng.random(len(channel)) < 0.5)
    assert met.told.sum() > 500
    return layout, response, values, one, met


def slopes(response, one, before, after):
    levels = [response.levels(each, one.utc_us, one.channel) for each in (before, after)]
    return (levels[1] - levels[0]) / (2 * H)


@pytest.mark.parametrize("kind", (GAIN, DARK, EXIT, AXIS, WIDTH))
def test_of_a_channels_own_unknowns(at, kind):
    layout, response, values, one, met = at
    row, column, partial = met.own
    # Of each channel one unknown after the other, in all channels at once.
    for turn in range(max(int((of == kind).sum()) for of in layout.kind)):
        chosen = [np.flatnonzero(of == kind)[turn : turn + 1].tolist() for of in layout.kind]

        def moved(by, chosen=chosen):
            own = [block.copy() for block in values.own]
            for block, which in zip(own, chosen, strict=True):
                block[which] += by
            return Values(values.common, tuple(own))

        wanted = slopes(response, one, moved(-H), moved(H))
        at_column = np.array([which[0] if which else -9 for which in chosen])
        mine = column == at_column[one.channel[row]]
        found = np.zeros(len(one.utc_us))
        found[row[mine]] = partial[mine]
        np.testing.assert_allclose(
            found[met.told], wanted[met.told], rtol=5e-3, atol=5e-3 * np.abs(wanted).max()
        )


@pytest.mark.parametrize("number", (WZ, ALL_WIDTHS, ALL_EXITS, GHOST))
def test_of_what_is_common_to_all(at, number):
    _, response, values, one, met = at

    def moved(by):
        common = values.common.copy()
        common[number] += by
        return Values(common, values.own)

    wanted = slopes(response, one, moved(-H), moved(H))
    np.testing.assert_allclose(
        met.common[met.told, number],
        wanted[met.told],
        rtol=5e-3,
        atol=5e-3 * np.abs(wanted).max(),
    )
