"""dialbench predict as a user types it."""

import csv
import io
import json
import sys
from dataclasses import replace
from datetime import datetime

import pytest
from tests.host.dials import bore, dial
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.dial import Body, Channel
from dialbench.prediction import CSV_HEAD

DIALBENCH = [sys.executable, "-m", "dialbench.cli"]

# By hand for slots 3 mm wide, 60 mm long: half lit from 1.432 deg before to 1.432 after.
HALF_S = 2 * 1.432 * 240


def two_slots():
    """One to noon, one to two o'clock, so far apart that no light strays."""
    here = dial(bore(0.0, 0), bore(30.0, 1))
    channels = Channel(0.0, -80.0, 0, 0), Channel(0.0, 80.0, 1, 0)
    return replace(here, name="Two slots", channels=channels, body=Body(60.0, 400.0))


@pytest.fixture
def predict(capsys, monkeypatch, tmp_path):
    """Within this process: the start of one of its own takes a second."""
    (tmp_path / "dial.toml").write_text(dialfile.dump(two_slots()))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "140")
    return lambda *words: typed(capsys, "predict", "dial.toml", *words)


def refused(ran):
    """The one line that a refusal says."""
    assert (ran.returncode, ran.stdout) == (2, "")
    [line] = ran.stderr.splitlines()
    assert line.startswith("dialbench: ") and line.isprintable()
    return line


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def lasting_s(row):
    begin, end = (datetime.fromisoformat(row[name]) for name in ("begin_utc", "end_utc"))
    return (end - begin).total_seconds()


def test_a_day_is_told_span_by_span(predict):
    ran = predict("--from", "2026-03-20")
    assert (ran.returncode, ran.stderr) == (0, "")
    said, heading, *rows = ran.stdout.splitlines()
    assert said == (
        "Two slots, Gannet Holm: air of 1010 mbar and 10.0 deg C; 2 lit spans, 4 crossings, "
        "0 ghosts, 0 grazing."
    )
    assert "lit from" in heading and "own bores (s)" in heading
    # The Sun culminates at 12:13:02 in the zone: 1.4 deg west of its meridian are 5 min 36 s,
    # and it is 7 min 26 s slow.
    told = [row.split() for row in rows]
    assert [(*row[:2], row[2][:5]) for row in told] == [
        ("0", "0.5", "12:07"),
        ("1", "0.5", "14:07"),
    ]
    assert [float(own_s) for row in told for own_s in row[4:]] == [0, 0, 0, 0]


def test_a_longer_time_is_told_channel_by_channel(predict):
    ran = predict(
        "--from", "2026-03-20", "--to", "2026-03-29", "--threshold", "0.5", "--threshold", ".2"
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    said, heading, *rows, hint = ran.stdout.splitlines()
    assert "40 lit spans, 80 crossings" in said
    assert "hours lit" in heading and "--csv" in hint
    assert [row.split()[:3] for row in rows] == [
        ["0", "0.2", "10"],
        ["0", "0.5", "10"],
        ["1", "0.2", "10"],
        ["1", "0.5", "10"],
    ]
    assert float(rows[1].split()[3]) == pytest.approx(10 * HALF_S / 3600, abs=0.01)


def test_csv_to_a_file_and_to_stdout(predict, tmp_path):
    words = "--from", "2026-03-20", "--to", "2026-03-21"
    to_file = predict(*words, "--csv", "out.csv")
    assert (to_file.returncode, to_file.stdout, to_file.stderr) == (0, "", "")
    ran = predict(*words, "--csv", "-")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout == (tmp_path / "out.csv").read_text()
    assert ran.stdout.splitlines()[0] == CSV_HEAD
    rows = rows_of(ran.stdout)
    assert [row["channel"] for row in rows] == ["0", "1", "0", "1"]
    assert [row["begins_with"] for row in rows] == ["crossing"] * 4
    assert [lasting_s(row) for row in rows] == pytest.approx([HALF_S] * 4, abs=0.5)
    assert all(row["own_begin_utc"] == row["begin_utc"] for row in rows)


def test_json_has_the_same_facts(predict):
    words = "--from", "2026-03-20", "--channel", "1"
    facts = json.loads(predict(*words, "--json").stdout)
    assert facts["schema"] == "dialbench.predict/1"
    assert (facts["count"], facts["crossings"], facts["ghosts"]) == (1, 2, 0)
    assert facts["from"] == "2026-03-20T01:00:00+00:00"
    assert facts["to"] == "2026-03-21T01:00:00+00:00"
    [row] = rows_of(predict(*words, "--csv", "-").stdout)
    for name, column in (("begin_utc", "begin_us"), ("end_utc", "end_us")):
        at_us = facts["spans"][column][0]
        assert datetime.fromisoformat(row[name]).timestamp() == pytest.approx(
            at_us / 1e6, abs=0.0006
        )


def test_instants_and_days_mean_the_same(predict):
    """A day of the zone, and the same told as instants of another."""
    day = predict("--from", "2026-03-20", "--csv", "-").stdout
    for first, last in (
        ("2026-03-20T00:00-01:00", "2026-03-21T01:00+00:00"),
        ("2026-03-20T01:00Z", "2026-03-20"),
    ):
        assert predict("--from", first, "--to", last, "--csv", "-").stdout == day
    # An instant alone: a day from there.
    assert predict("--from", "2026-03-20T01:00Z", "--csv", "-").stdout == day
    noon = "2026-03-20T12:13-01:00"
    cut = rows_of(predict("--from", "2026-03-20", "--to", noon, "--csv", "-").stdout)
    assert [row["ends_with"] for row in cut] == ["end of the asked span"]


def test_what_the_second_run_reads_is_what_the_first_kept(predict, tmp_path, run):
    """Run twice with an empty cache of its own, and once where nothing can be kept."""
    words = [*DIALBENCH, "predict", "dial.toml", "--from", "2026-03-20", "--csv", "-"]
    cache = tmp_path / "cache"
    first, second = (run(words, tmp_path, DIALBENCH_CACHE=str(cache)) for _ in range(2))
    assert any(cache.iterdir())
    (tmp_path / "file").write_text("")
    without = run(words, tmp_path, DIALBENCH_CACHE=str(tmp_path / "file" / "none"))
    assert first.stdout == second.stdout == without.stdout == predict(*words[5:]).stdout
    assert first.stdout.count("\n") == 3


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--from", "2026-13-01"), "is no day such as"),
        (("--from", "noon"), "is no day such as"),
        (("--from", "2026-03-20T12:00"), "says no zone; write an instant"),
        (("--from", "2026-03-20", "--to", "2026-03-20T12:00"), "says no zone; write an instant"),
        (("--from", "2026-03-20", "--to", "2026-03-19"), "is not after --from 2026-03-20"),
        (
            ("--from", "2026-03-20T12:00Z", "--to", "2026-03-20T12:00Z"),
            "is not after --from 2026-03-20T12:00Z",
        ),
        (("--from", "2026-03-20", "--channel", "2"), "has channels 0 to 1"),
        (("--from", "2026-03-20", "--channel", "-1"), "has channels 0 to 1"),
        (("--from", "1899-01-01"), "1899-07-30"),
        (("--from", "2060-01-01"), "2053-10-07"),
        (("--from", "2053-01-01", "--to", "2060-01-01"), "2053-10-07"),
        (("--from", "0001-01-01"), "1899-07-30"),
        (("--from", "9999-12-31"), "is no day such as"),
        (("--from", "2026-03-20", "--csv", "no/such/folder.csv"), "no/such/folder.csv"),
        (("--from", "\x1b[31m"), "is no day such as"),
    ],
)
def test_mistakes_are_told_in_a_sentence(predict, words, told):
    assert told in refused(predict(*words))


@pytest.mark.parametrize("level", ["0", "0.999", "nan", "half"])
def test_a_threshold_that_is_none(predict, level):
    ran = predict("--from", "2026-03-20", "--threshold", level)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert "--threshold" in ran.stderr and "Traceback" not in ran.stderr


def test_a_dial_that_is_none(run, tmp_path):
    ran = run([*DIALBENCH, "predict", "nothing.toml", "--from", "2026-03-20"], tmp_path)
    assert "nothing.toml" in refused(ran)


def test_the_first_and_the_last_days_of_the_ephemeris(predict):
    """Whole days of the zone within it can be told."""
    for day in ("1899-07-31", "2053-10-06"):
        ran = predict("--from", day, "--csv", "-")
        assert (ran.returncode, ran.stderr) == (0, ""), day
