"""Logs of other makes: read whole or refused with every mistake, kept once, compared."""

import json
from pathlib import Path

import numpy as np
import pytest
from tests.host.stores import hello
from tests.host.typed import typed

from dialbench import csvtable, foreign
from dialbench.csvtable import TableError
from dialbench.store import Store, StoreError

CROSSINGS = """utc,channel,threshold,direction,sigma_s
2027-04-16T12:00:00.250Z,3,0.25,rise,0.05
2027-04-16T12:00:10Z,3,0.50,rise,
2027-04-16T12:00:20.1234567Z,3,0.75,rise,1
2027-04-16T12:00:05+00:00,32,0.5,fall,0.000001
"""
OBSERVED = """start,end
2027-04-16T13:00:00Z,2027-04-16T14:00:00Z
2027-04-16T09:00:00Z,2027-04-16T13:00:00Z
2027-04-17T09:00:00Z,2027-04-17T13:00:00Z
"""
NOON_US = 1_807_876_800_000_000  # 2027-04-16T12:00:00Z, by date -u +%s


def parsed(crossings=CROSSINGS, observed=OBSERVED, channels=33):
    raw = [one if isinstance(one, bytes) else one.encode() for one in (crossings, observed)]
    return foreign.parse(raw[0], "log.csv", raw[1], "sun.csv", channels)


def problems(**changed):
    with pytest.raises(TableError) as caught:
        parsed(**changed)
    for sentence in caught.value.problems:
        assert sentence.isprintable()
    return caught.value.problems


def with_line(line):
    return CROSSINGS + line + "\n"


def test_a_log_is_read_in_order_of_time_to_the_microsecond():
    log = parsed()
    assert (log.utc_us - NOON_US).tolist() == [250_000, 5_000_000, 10_000_000, 20_123_457]
    assert log.channel.tolist() == [3, 32, 3, 3]
    assert log.threshold.tolist() == [0, 1, 1, 2]
    assert log.rise.tolist() == [True, False, True, True]
    assert log.sigma_us == (50_000, 1, None, 1_000_000)
    hours = [[(at - NOON_US) / 3.6e9 for at in span] for span in log.observed]
    assert hours == [[-3, 2], [21, 25]]  # those that touch are one
    assert (log.name, log.utc_us.dtype, log.rise.dtype) == ("log.csv", np.int64, np.bool_)


def test_what_programs_put_round_it_does_not_matter():
    plain = parsed()
    quoted = "\r\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in CROSSINGS.splitlines()
    )
    swapped = "\n".join(
        ",".join(reversed(line.split(","))) + "\n" for line in CROSSINGS.splitlines()
    )
    for same in (b"\xef\xbb\xbf" + CROSSINGS.encode(), quoted, swapped, CROSSINGS.rstrip()):
        assert parsed(same).hash("a" * 16) == plain.hash("a" * 16)
    assert plain.hash("b" * 16) != plain.hash("a" * 16)


def test_without_sigma_s_nothing_is_known_of_the_clock():
    log = parsed("utc,channel,threshold,direction\n2027-04-16T12:00:00Z,3,0.5,rise\n")
    assert log.sigma_us == (None,)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("2027-04-16T12:00:00,3,0.5,rise,", "utc: is '2027-04-16T12:00:00'; says no zone; write"),
        ("2027-04-16T12:00:00+02:00,3,0.5,rise,", "utc: is '2027-04-16T12:00:00+02:00'; write an"),
        ("0001-01-01T00:00:00Z,3,0.5,rise,", "'0001-01-01T00:00:00Z'; write an instant of the"),
        ("9999-12-31T23:59:59Z,3,0.5,rise,", "'9999-12-31T23:59:59Z'; write an instant of the"),
        ("16.4.2027 12:00,3,0.5,rise,", "utc: is '16.4.2027 12:00'; write an instant of UTC such"),
        ("2027-02-30T12:00:00Z,3,0.5,rise,", "there is no such instant; write one such as 2027"),
        ("2027-04-16T23:59:60Z,3,0.5,rise,", "there is no such instant; write one such as 2027"),
        (
            "2027-04-16T12:00:01Z,33,0.5,rise,",
            "channel: is '33'; write a channel of the dial, 0 to",
        ),
        (
            "2027-04-16T12:00:01Z,-1,0.5,rise,",
            "channel: is '-1'; write a channel of the dial, 0 to",
        ),
        (
            "2027-04-16T12:00:01Z,٣,0.5,rise,",
            "channel: is '٣'; write a channel of the dial, 0 to 32",
        ),
        ("2027-04-16T12:00:01Z,3,1,rise,", "threshold: is '1'; write the lit fraction that was"),
        ("2027-04-16T12:00:01Z,3,nan,rise,", "threshold: is 'nan'; write the lit fraction that"),
        ("2027-04-16T12:00:01Z,3,0.5,up,", "direction: is 'up'; write rise or fall"),
        ("2027-04-16T12:00:01Z,3,0.5,rise,0", "sigma_s: is '0'; write seconds greater than 0"),
        ("2027-04-16T12:00:01Z,3,0.5,rise,inf", "sigma_s: is 'inf'; write seconds greater than 0"),
        ("2027-04-16T12:00:01Z,3,0.5,rise", "has 4 cells, the heading 5; write one cell for each"),
        ("2027-04-16T12:00:10.000Z,3,0.5,rise,1", "is the same crossing as line 3; remove one"),
    ],
)
def test_each_mistake_is_told_with_file_line_and_column(line, sentence):
    [problem] = problems(crossings=with_line(line))
    assert problem.startswith("log.csv: line 6") and sentence in problem


def test_all_mistakes_of_both_files_are_told():
    bad = with_line("noon,99,0.4,left,-1") + "yesterday,3,0.5,rise,1\n"
    found = problems(
        crossings=bad, observed=OBSERVED + "2027-04-18T09:00:00Z,2027-04-18T08:00:00Z\n"
    )
    assert [": ".join(problem.split(": ")[:3]) for problem in found] == [
        *(
            f"log.csv: line 6: {name}"
            for name in ("utc", "channel", "threshold", "direction", "sigma_s")
        ),
        "log.csv: line 7: utc",
        "sun.csv: line 5: end",
    ]


@pytest.mark.parametrize(
    ("crossings", "sentence"),
    [
        ("", "line 1: the column utc is missing; begin the file with utc,channel,threshold,dir"),
        ("utc;channel;threshold;direction\n", "line 1: the column utc is missing; begin the file"),
        (CROSSINGS.replace("sigma_s", "note"), "line 1: the column 'note' does not belong here"),
        (CROSSINGS.replace("sigma_s", "utc"), "line 1: the column utc is there twice; keep one"),
        (CROSSINGS.encode() + b"\xff\n", "line 6 is not UTF-8; save it as UTF-8"),
        (CROSSINGS + "\0\n", "line 6 holds a NUL; save it as plain CSV"),
        (CROSSINGS + '"2027\n', "is no CSV (unexpected end of data); save it as plain CSV"),
        (CROSSINGS + "x" * 200_000, "is no CSV (field larger than field limit"),
    ],
)
def test_files_that_are_no_such_table_are_told(crossings, sentence):
    assert any(sentence in problem for problem in problems(crossings=crossings))


def test_what_is_too_large_is_refused_before_it_is_read(monkeypatch):
    monkeypatch.setattr(csvtable, "MAX_BYTES", 100)
    assert "is larger than 0 MB; import it in parts" in problems()[0]
    monkeypatch.undo()
    monkeypatch.setattr(csvtable, "MAX_ROWS", 3)
    assert "has more than 3 lines; import it in parts" in problems()[0]


def test_no_more_mistakes_are_gathered_than_anyone_reads():
    found = problems(crossings=CROSSINGS + "x,3,0.5,rise,1\n" * 100_000)
    assert len(found) < 500
    with pytest.raises(TableError) as caught:
        parsed(CROSSINGS + "x,3,0.5,rise,1\n" * 100_000)
    assert len(str(caught.value).splitlines()) == 41


def test_a_log_is_kept_once_and_comes_back_as_it_was(tmp_path):
    log = parsed()
    with Store.open(tmp_path / "store") as store:
        assert store.foreign.add(log, "a" * 16, "name = 'x'", 33)
        assert not store.foreign.add(log, "a" * 16, "name = 'x'", 33)
        assert store.foreign.add(log, "b" * 16, "name = 'y'", 33)
        [first, second] = store.foreign.logs()
        assert (first.hash, first.name, first.crossings) == (log.hash("a" * 16), "log.csv", 4)
        assert (first.dial_toml, second.dial_toml) == ("name = 'x'", "name = 'y'")
        again = store.foreign.get(first.hash)
        assert list(again.rows()) == list(log.rows())
        assert again.observed == log.observed and again.hash("a" * 16) == first.hash
        with pytest.raises(StoreError, match="knows no foreign log 0000: import it first"):
            store.foreign.get("0000")


def test_a_log_that_cannot_be_kept_whole_is_not_kept(tmp_path):
    log = parsed()
    with Store.open(tmp_path / "store") as store:
        object.__setattr__(log, "observed", (*log.observed, log.observed[0]))
        with pytest.raises(StoreError):
            store.foreign.add(log, "a" * 16, "name = 'x'", 33)
        assert store.foreign.logs() == []
        store.add_board(hello())
        assert len(store.boards()) == 1


# -- from one board's log to a foreign one and back: the same verdict


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """A day's predicted crossings of a small dial as a foreign log, each a second late."""
    from datetime import UTC, datetime

    from dialbench import dialfile, predict
    from dialbench.prediction import utc_texts
    from dialbench.sky import Sky, to_us

    folder = tmp_path_factory.mktemp("foreign")
    dial = dialfile.demo()
    begin, end = (to_us(datetime(2027, 4, 16, hour, tzinfo=UTC)) for hour in (10, 15))
    due = predict.crossings(dial, Sky(dial.site), begin, end)
    assert len(due.utc_us) > 50
    lines = [
        f"{utc},{channel},{(threshold + 1) / 4},{'rise' if rise else 'fall'}"
        for utc, channel, threshold, rise in zip(
            utc_texts(due.utc_us + 1_000_000),
            due.channel.tolist(),
            due.threshold.tolist(),
            due.rise.tolist(),
            strict=True,
        )
    ]
    text = "utc,channel,threshold,direction\n" + "\n".join(lines) + "\n"
    (folder / "log.csv").write_text(text)
    (folder / "sun.csv").write_text("start,end\n2027-04-16T10:00:00Z,2027-04-16T15:00:00Z\n")
    (folder / "dial.toml").write_text(Path(str(dialfile.DEMO)).read_text())
    return folder, len(lines)


def test_an_imported_log_is_compared_like_a_boards(day, capsys, monkeypatch, tmp_path):
    folder, count = day

    def dialbench(*words):
        return typed(capsys, *words)

    monkeypatch.chdir(folder)

    files = ["log.csv", "--dial", "dial.toml", "--observed", "sun.csv", "--store", tmp_path / "s"]
    told = json.loads(dialbench("import", *files, "--json").stdout)
    assert told["schema"] == "dialbench.import/1"
    assert (told["added"], told["crossings"], told["observed_hours"]) == (True, count, 5.0)
    assert told["crossings_observed"] == count
    again = dialbench("import", *files)
    assert again.stderr == ""
    assert again.returncode == 0 and "was already in" in again.stdout
    facts = json.loads(dialbench("compare", tmp_path / "s", "--json").stdout)
    assert facts["log"] == told["log"] and facts["losses"] is None
    assert facts["comparison"]["crossings"]["matched"] == count
    assert facts["comparison"]["residual_s"]["median"] == pytest.approx(1.0, abs=0.001)
    assert "what the logger lost it does not say" in facts["verdict"][0]
    text = dialbench("compare", tmp_path / "s", "--log", told["log"]).stdout
    assert "no data" in text
    wrong = dialbench("compare", tmp_path / "s", "--log", "feed")
    assert wrong.returncode == 2 and told["log"] in wrong.stderr
    checked = json.loads(dialbench("check", tmp_path / "s", "--json").stdout)
    assert checked["sound"] and checked["foreign_logs"] == 1
    made = json.loads(dialbench("backup", tmp_path / "s", tmp_path / "b", "--json").stdout)
    assert (made["schema"], made["foreign_logs"]) == ("dialbench.backup/1", 1)
    (folder / "later.csv").write_text("start,end\n2027-04-16T16:00:00Z,2027-04-16T17:00:00Z\n")
    files[4] = "later.csv"
    apart = dialbench("import", *files[:-1], tmp_path / "apart", "--json")
    assert json.loads(apart.stdout)["crossings_observed"] == 0
    assert apart.stderr == (
        "no crossing of log.csv lies within the observed time of later.csv: are both in UTC, and of"
        " the same days? compare can find nothing as it is\n"
    )
    (folder / "bad.csv").write_text("utc,channel,threshold,direction\nnoon,1,0.5,rise\n")
    refused = dialbench("import", "bad.csv", *files[1:-1], tmp_path / "never")
    assert refused.returncode == 2 and refused.stdout == ""
    assert refused.stderr.startswith("dialbench: bad.csv: line 2: utc: is 'noon'; write an instant")
    assert not (tmp_path / "never").exists()
