"""dialbench set as a user types it."""

import json

import pytest
from tests.host.typed import typed


@pytest.fixture
def setting(capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "140")
    return lambda *words: typed(capsys, "set", *words)


def test_first_placing_in_words(setting):
    ran = setting("--on", "2027-04-16")
    assert (ran.returncode, ran.stderr) == (0, "")
    said = ran.stdout.splitlines()
    assert said[0].startswith("Never look at the Sun")
    assert [line[:2] for line in said[2:]] == ["1.", "2.", "3.", "4.", "5."]
    assert "3.4 +- 0.7 deg west of true north" in ran.stdout
    assert "WMM-2025" in ran.stdout


def test_first_placing_as_facts(setting):
    told = json.loads(setting("--on", "2031-04-16", "--json").stdout)
    assert told["schema"] == "dialbench.set/1"
    assert told["guidance"] is None
    assert told["first"]["compass"] is None  # no model holds so far ahead
    assert told["first"]["wedge_deg"] == 41.2
    assert told["first"]["towards"] == "north"
    assert len(told["sentences"]) == 5


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("/dev/none",), "set PORT needs --dial"),
        (("/dev/none", "--virtual"), "either a PORT or --virtual"),
        (("--turned", "3"), "--turned goes with --virtual"),
        (("--for", "3"), "--for goes with a PORT or --virtual"),
        (("--virtual", "--on", "2027-04-16"), "--on goes with first placing"),
        (("--virtual", "--feet", "0,0 1,1"), "--feet: "),
        (("--on", "2827-04-16"), "2827"),
    ],
)
def test_what_does_not_go_together_is_one_sentence(setting, words, told):
    ran = setting(*words)
    assert (ran.returncode, ran.stdout) == (2, "")
    [line] = ran.stderr.splitlines()
    assert told in line


@pytest.mark.deep
@pytest.mark.timeout(180)
def test_a_virtual_dial_that_is_turned_is_told_the_way_back(setting):
    ran = setting("--virtual", "--turned", "5", "--for", "6", "--json")
    assert ran.returncode == 0
    told = json.loads(ran.stdout)
    assert told["looks"] > 3
    assert told["guidance"]["state"] == "act"
    action = told["guidance"]["action"]
    assert (action["what"], action["way"]) == ("turn", "clockwise")
    assert action["amount"] == pytest.approx(5 / 0.66, abs=action["half_width"] + 1.0)
    assert told["later"]["untold_today"]
