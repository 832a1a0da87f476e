"""What a prediction tells people and programs: rows, columns, CSV, and whose light it is."""

import csv
import io
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from tests.host.dials import NORTH, bore, dial

from dialbench.prediction import CSV_HEAD, Prediction, predicted, utc_texts
from dialbench.sky import to_us
from dialbench.spans import CROSSING, KINDS, Spans

NOON = datetime(2026, 5, 3, 13, tzinfo=UTC)  # 12:00 in the site's zone
T = to_us(NOON)
SUNRISE = KINDS.index("sunrise")
LEVELS = (0.25, 0.5)


def told(*listed):
    """A prediction of spans (channel, threshold, begin, end, own begin, own end) in seconds
    after T; own None for ghosts."""
    channel, threshold = np.array([row[:2] for row in listed], np.int64).T
    begin_us, end_us = (T + np.array([row[2:4] for row in listed]) * 1e6).astype(np.int64).T
    own_us = [[0 if s is None else T + round(s * 1e6) for s in row[4:6]] for row in listed]
    own_begin_us, own_end_us = np.array(own_us, np.int64).T
    kind, nan = np.full(len(listed), CROSSING), np.full(len(listed), np.nan)
    begin_kind, peak, dip = kind.copy(), nan.copy(), nan.copy()
    begin_kind[0], peak[1], dip[2] = SUNRISE, 0.51234, 0.4
    spans = Spans(channel, threshold, begin_us, end_us, begin_kind, kind, peak, dip)
    here = dial(bore(), bore(9.0, 1))
    return Prediction(here, T, T + 3_600_000_000, LEVELS, spans, own_begin_us, own_end_us)


@pytest.fixture
def small():
    return told(
        (0, 1, 0, 600, 0, 601.5),
        (1, 1, 10.0004, 40, None, None),
        (1, 0, 60, 3000, 57.25, 3000),
    )


def test_counts(small):
    assert small.ghost.tolist() == [False, True, False]
    assert small.grazing.tolist() == [False, True, True]
    assert small.crossings == 5  # the Sun's rise is none


def test_rows_of_a_day_have_the_sites_time(small):
    heading, *rows = small.span_rows()
    assert len(heading) == 6
    assert rows == [
        ("0", "0.5", "12:00:00", "12:10:00", "0 +1.5", "sunrise"),
        ("1", "0.5", "12:00:10", "12:00:40", "ghost", "peak 0.512"),
        ("1", "0.25", "12:01:00", "12:50:00", "-2.8 0", "after a dip to 0.400"),
    ]


def test_rows_of_channels_count_spans(small):
    heading, *rows = small.channel_rows()
    assert heading[2:] == ("spans", "hours lit", "ghosts", "grazing", "cut by Sun")
    assert rows == [
        ("0", "0.25", "0", "0.00", "0", "0", "0"),
        ("0", "0.5", "1", "0.17", "0", "0", "1"),
        ("1", "0.25", "1", "0.82", "0", "1", "0"),
        ("1", "0.5", "1", "0.01", "1", "1", "0"),
    ]


def test_only_some_channels(small):
    one = small.only([1])
    assert one.spans.channel.tolist() == [1, 1]
    assert one.own_end_us.tolist() == small.own_end_us[1:].tolist()
    assert one.crossings == 4


def test_csv(small):
    stream = io.StringIO()
    small.write_csv(stream)
    lines = stream.getvalue().splitlines()
    heading, *rest = lines
    assert heading == CSV_HEAD
    assert [line.replace("2026-05-03T", "").replace("crossing", "x") for line in rest] == [
        "0,0.5,13:00:00.000Z,13:10:00.000Z,sunrise,x,13:00:00.000Z,13:10:01.500Z,,",
        "1,0.5,13:00:10.000Z,13:00:40.000Z,x,x,,,0.5123,",
        "1,0.25,13:01:00.000Z,13:50:00.000Z,x,x,13:00:57.250Z,13:50:00.000Z,,0.4000",
    ]
    [*rows] = csv.DictReader(lines)
    assert {len(row) for row in rows} == {10}


def test_the_dict_has_all_the_facts_and_no_nan(small):
    facts = json.loads(json.dumps(small.as_dict(), allow_nan=False))
    assert (facts["dial"], facts["dial_hash"]) == ("test", small.dial.hash)
    assert facts["site"]["pressure_mbar"] == NORTH.pressure_mbar
    assert (facts["from"], facts["to"]) == (
        "2026-05-03T13:00:00+00:00",
        "2026-05-03T14:00:00+00:00",
    )
    assert facts["thresholds"] == [0.25, 0.5]
    assert (facts["count"], facts["crossings"], facts["ghosts"]) == (3, 5, 1)
    columns = facts["spans"]
    assert {len(column) for column in columns.values()} == {3}
    assert [facts["kinds"][k] for k in columns["begin_kind"]] == ["sunrise", "crossing", "crossing"]
    assert columns["own_begin_us"] == [T, None, T + 57_250_000]
    assert columns["peak"] == [None, pytest.approx(0.51234), None]
    assert columns["dip"] == [None, None, pytest.approx(0.4)]
    assert all(s["sigma"] > 0 and abs(s["value"]) < 0.9 for s in facts["ut1_minus_utc_s"])


def test_instants_are_rounded_to_the_nearest_millisecond():
    at_us = np.array([T + 499, T + 500, T - 1, -1, -1500])
    assert utc_texts(at_us) == [
        "2026-05-03T13:00:00.000Z",
        "2026-05-03T13:00:00.001Z",
        "2026-05-03T13:00:00.000Z",
        "1970-01-01T00:00:00.000Z",
        "1969-12-31T23:59:59.999Z",
    ]


def test_predicted_tells_own_bores_beside():
    """With nothing that strays, what is found is what the channels' own bores do."""
    here = dial(bore(-9.0), bore(9.0))
    day = datetime(2026, 5, 3, 1, tzinfo=UTC)
    seen = []
    found = predicted(here, day, day + timedelta(days=2), LEVELS, lambda *what: seen.append(what))
    assert len(found.spans) == 2 * 2 * 2
    assert not found.ghost.any()
    assert (found.own_begin_us == found.spans.begin_us).all()
    assert (found.own_end_us == found.spans.end_us).all()
    assert seen and all(0 < share <= 1 for _, share in seen)


def test_predicted_knows_a_ghost():
    """Two bores that cross, 5 mm apart at their exits: half an hour from noon light that gets
    in through the one lights the other's exit too (worked by hand in test_predict)."""
    crossed = dial(bore(0.0, 0), bore(7.5, 1))
    noon = datetime(2026, 3, 20, 13, 13, tzinfo=UTC)
    found = predicted(crossed, noon, noon + timedelta(hours=1), (0.5,))
    assert (found.spans.channel == 0).sum() == 2
    assert found.ghost[found.spans.channel == 0].tolist() == [False, True]
    # The other way round it is the same: at noon the first lights the second's exit.
    assert found.ghost[found.spans.channel == 1].tolist() == [True, False]
    assert found.own_begin_us[found.ghost].tolist() == [0, 0]


def test_polar_night_is_told_as_nothing():
    dark = dial(bore(), site=replace(NORTH, latitude_deg=80.0))
    midwinter = datetime(2026, 12, 21, tzinfo=UTC)
    found = predicted(dark, midwinter, midwinter + timedelta(days=1), LEVELS)
    assert len(found.spans) == 0 and found.crossings == 0
    assert len(found.span_rows()) == len(found.channel_rows()) == 1
    stream = io.StringIO()
    found.write_csv(stream)
    assert stream.getvalue() == CSV_HEAD + "\n"
    assert found.as_dict()["count"] == 0
