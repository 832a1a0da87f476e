"""The commands of the year and the centuries, as a user calls them."""

import json
from pathlib import Path

import pytest
from tests.host.typed import typed

DIAL = str(Path(__file__).parents[2] / "host" / "dialbench" / "data" / "demo.toml")


@pytest.fixture
def cli(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "140")
    return lambda *words: typed(capsys, *words)


@pytest.fixture
def said(cli):
    def said(*words):
        done = cli(*words)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return said


def test_longrun(said, tmp_path):
    plot = tmp_path / "run.svg"
    facts = json.loads(
        said("longrun", DIAL, "--from", "2027", "--to", "700BC", "--json", "--plot", str(plot))
    )
    assert facts["schema"] == "dialbench.longrun/1"
    assert facts["to_year"] == -699
    assert plot.read_bytes().startswith(b"<?xml")


def test_card(said, tmp_path):
    sheet = tmp_path / "card.pdf"
    out = said("card", DIAL, "--year", "2027", "--sheet", str(sheet))
    assert "2027-01-01" in out
    assert sheet.read_bytes().startswith(b"%PDF")
    facts = json.loads(said("card", DIAL, "--year", "2027", "--json"))
    assert (facts["schema"], len(facts["days"])) == ("dialbench.card/1", 365)


def test_material(said):
    facts = json.loads(said("material", DIAL, "--of", "oak", "--json"))
    assert (facts["schema"], facts["health"]) == ("dialbench.material/1", None)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("longrun", DIAL, "--to", "soon"), "--to soon: is no year"),
        (("longrun", DIAL, "--to", "0BC"), "--to 0BC: is no year"),
        (("longrun", DIAL, "--to", "20000"), "700 BC to 10000"),
        (("card", DIAL, "--year", "1200"), "--year 1200: a card can be made for"),
        (("card", DIAL, "--year", "0"), "--year 0: a card can be made for"),
        (("card", DIAL, "--sheet", "card.doc"), "--sheet card.doc: name a file that ends in"),
        (("card", DIAL, "--sheet", "nowhere/card.svg"), "nowhere/card.svg: cannot be written: its"),
        (
            ("longrun", DIAL, "--to", "3000", "--plot", "run.png"),
            "run.png: name a file that ends in",
        ),
        (("tolerance", DIAL, "--plot", "nowhere/a.svg"), "nowhere/a.svg: cannot be written: its"),
        (("material", DIAL, "--of", "cheese"), "--of cheese: choose one of"),
    ],
)
def test_wrong_input_is_one_sentence(cli, arguments, sentence):
    done = cli(*arguments)
    assert done.returncode == 2
    assert sentence in done.stderr
    assert done.stdout == ""
