"""Residuals one by one: those of a comparison by hand, grouped as by hand."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.host.dials import NORTH, bore, dial

from dialbench.compare import Measured, compare
from dialbench.crossing import Crossings
from dialbench.residuals import residuals
from dialbench.sky import Sky, to_us

S = 1_000_000
NOON_US = to_us(datetime(2027, 4, 16, 13, 5, tzinfo=UTC))  # the Sun's noon on Gannet Holm
DAY_US = 86_400 * S


def crossings(*rows):
    """(utc_us, channel, rise), by time."""
    rows = sorted(rows)
    return {
        "channel": np.array([row[1] for row in rows], np.int64),
        "threshold": np.ones(len(rows), np.int64),
        "rise": np.array([row[2] for row in rows], bool),
        "utc_us": np.array([row[0] for row in rows], np.int64),
    }


def test_each_pair_is_told_with_its_lateness_hour_and_day():
    due = [(NOON_US + 1800 * S * (2 * n + 1), n % 3, n % 2 == 0) for n in range(-3, 3)]
    due += [(at + DAY_US, channel, rise) for at, channel, rise in due]
    late_s = [5.0, -3.0, 12.0, 0.5, 7.0, 30.0, 6.0, -2.0, 13.0, 1.5, 8.0, 31.0]
    came = [
        (at + round(s * S), channel, rise)
        for (at, channel, rise), s in zip(sorted(due), late_s, strict=True)
    ]
    measured = crossings(*came)
    order = np.random.default_rng(1).permutation(len(came))  # a log may come in any order
    shuffled = {name: column[order] for name, column in measured.items()}
    found = compare(
        Crossings(**crossings(*due)), Measured(**shuffled, sigma_s=np.zeros(12)), observed=()
    )
    told = residuals(found, dial(bore(), site=NORTH), Sky(NORTH))
    assert told.late_s.tolist() == pytest.approx(late_s)
    assert told.utc_us.tolist() == sorted(at for at, _, _ in came)
    # At the Sun's noon it is 12 h; these stand half an hour off it, and more.
    assert told.solar_hour[:6] == pytest.approx(np.arange(9.5, 15.0), abs=0.02)
    by_day = told.by_day()
    assert [(one.name, len(one.points)) for one in by_day] == [("2027-04-16", 6), ("2027-04-17", 6)]
    assert by_day[0].median_s == pytest.approx(6.0)
    channels = told.by_channel()
    assert [one.name for one in channels] == ["0", "1", "2"]
    assert channels[0].median_s == pytest.approx(np.median([5.0, 0.5, 6.0, 1.5]))
    assert channels[2].low_s == pytest.approx(np.percentile([12.0, 30.0, 13.0, 31.0], 25))
    hours = told.by_hour()
    assert [one.name for one in hours] == ["09 h", "10 h", "11 h", "12 h", "13 h", "14 h"]
    assert sum(len(one.points) for one in hours) == 12
    facts = json.loads(json.dumps(told.as_dict()))
    assert facts["points"]["late_s"] == pytest.approx(late_s)
    assert facts["by_channel"][0]["crossings"] == 4


def test_without_a_pair_there_is_nothing():
    nothing = crossings()
    found = compare(Crossings(**nothing), Measured(**nothing, sigma_s=np.zeros(0)), observed=())
    told = residuals(found, dial(bore()), Sky(NORTH))
    assert len(told) == 0 and told.by_channel() == told.by_hour() == told.by_day() == []
