"""Text from outside never steers a terminal: hostile strings by every way in, through the
commands as a user types them.

What a command says must be printable, line ends apart, and of bounded length; what it writes
as JSON must be plain ASCII that reads back.
"""

import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from tests.board_double import DIAL_HASH, BoardDouble, log, on_tcp, page
from tests.fuzz.targets import SMALL_DIAL
from tests.host.stores import UID, filled, hello
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.errors import inert
from dialbench.link import facts
from dialbench.store import Store
from dialcore import messages, records

HOSTILE = {
    "colour": "\x1b[31mred\x1b[0m",
    "title": "\x1b]0;taken\x07",
    "screen": "\x1bc\x1b[2J\x1b[H",
    "c1": "\x9b31m\x85",
    "rich": "[bold red]x[/bold red][/]",
    "html": "<script>alert(1)</script>&amp;\"'",
    "nul": "a\0b",
    "lines": "a\nb\rc\x0bd\x1ce\u2028f\u2029g",
    "back": "safe\b\b\b\bevil\x7f",
    "bidi": "\u202etxt.exe\u2066\u200f\u061c",
    "hidden": "a\u200bb\ufeffc\U000e0041",
    "surrogate": "a\ud800b\udcff",
    "combining": "e" + "\u0301" * 3000,
    "huge": "x" * 10_000_000,
}
LONGEST = 200_000  # characters a command may say

hostile = pytest.mark.parametrize("text", list(HOSTILE.values()), ids=list(HOSTILE))


def harmless(ran, *, status=None):
    """What a command said shows as it is; it is given back."""
    assert status is None or ran.returncode == status, ran.stderr[-500:]
    assert "Traceback" not in ran.stderr
    for said in (ran.stdout, ran.stderr):
        assert len(said) < LONGEST
        assert all(line.isprintable() for line in said.split("\n")), said[:500]
        said.encode("utf-8")
    if ran.stdout.startswith("{"):
        assert ran.stdout.isascii()
        json.loads(ran.stdout)
    return ran


@pytest.fixture
def say(capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    return lambda *words, status=None: harmless(typed(capsys, *words), status=status)


@pytest.fixture
def small(tmp_path):
    """A dial of one channel, quickly read."""
    path = tmp_path / "dial.toml"
    path.write_text(SMALL_DIAL)
    return path


def utf8(text, limit=None):
    return text.encode("utf-8", "surrogatepass")[:limit]


# -- from the board


class Liar(BoardDouble):
    """Says hostile things wherever a board may say a text."""

    def __init__(self, text, refusing=None):
        boot = (0, records.BOOT, bytes(8) + b"\x21\0" + utf8(text, 60))
        unknown = (10, 0x55, utf8(text, 100))
        super().__init__({0: page(0, 1, 0, [boot, unknown])})
        self._text = text
        self._refusing = refusing

    def _hello(self):
        told = super()._hello()
        head = told[: len(told) - len(self._tail(told))]
        raw = utf8(self._text, 60)
        return head.replace(DIAL_HASH, bytes.fromhex(dialfile.parse(SMALL_DIAL, "x").hash)) + 3 * (
            bytes((len(raw),)) + raw
        )

    def _tail(self, told):
        """The texts at the end of HELLO: each its length and so many bytes."""
        firmware = self.hello["firmware"].encode()
        return told[told.index(bytes((len(firmware),)) + firmware) :]

    def _request(self, kind, sequence, session, payload):
        frames = super()._request(kind, sequence, session, payload)
        return [*frames, self.live()] if kind == messages.STREAM else frames

    def _refusal(self, kind, session, payload):
        if kind == self._refusing:
            return bytes((messages.BAD_REQUEST,)) + utf8(self._text, 200)
        return super()._refusal(kind, session, payload)


@hostile
def test_boards_texts(say, small, text):
    with on_tcp(Liar(text)) as (address, _):
        say("pull", address, "--dial", small, "--store", "s.sqlite", status=0)
    say("check", "s.sqlite", status=1)
    say("check", "s.sqlite", "--json", status=1)
    with closing(sqlite3.connect("s.sqlite")) as file:
        [(firmware, runtime)] = file.execute("SELECT firmware, runtime FROM board").fetchall()
    assert firmware.isprintable() and runtime.isprintable()


def test_a_pull_that_leaves_records_on_the_board_says_so_by_its_status(say, small):
    double = Liar("fine")
    double.refusing[messages.SEAL] = "the storage takes no page"
    with on_tcp(double) as (address, _):
        ran = say("pull", address, "--dial", small, "--store", "s.sqlite", status=1)
    assert "the newest records are still on the board" in ran.stderr


# A look takes a second: some of the strings, the texts being inert before all this.
@pytest.mark.parametrize("text", [HOSTILE[name] for name in ("title", "bidi", "html")])
def test_live_looks_at_a_board(say, small, text):
    with on_tcp(Liar(text)) as (address, _):
        say("watch", address, "--dial", small, "--once")
    with on_tcp(Liar(text)) as (address, _):
        say("watch", address, "--dial", small, "--json")


@hostile
@pytest.mark.parametrize("kind", [messages.HELLO, messages.MARK, messages.SEAL])
def test_refusals(say, small, text, kind):
    with on_tcp(Liar(text, refusing=kind)) as (address, _):
        ran = say("pull", address, "--dial", small, "--store", "s.sqlite")
    assert "refuses" in ran.stderr


@hostile
def test_every_text_of_a_board_is_made_inert(text):
    assert facts.text_of(utf8(text, 60)).isprintable()
    assert facts.text_of(b"\xff\xfe" + utf8(text, 60)).isprintable()


# -- from files that users write


def toml_text(text):
    """A text as a TOML string; what TOML cannot say stands there raw."""
    return json.dumps(text) if "\ud800" not in text else '"' + text + '"'


@hostile
@pytest.mark.parametrize("field", ["name", "site.name", "site.zone", "plan.start"])
def test_values_of_a_dial(say, small, text, field):
    table, _, key = field.rpartition(".")
    lines = small.read_text().splitlines()
    start = lines.index(f"[{table}]") if table else 0
    at = next(k for k in range(start, len(lines)) if lines[k].startswith(f"{key} = "))
    lines[at] = f"{key} = {toml_text(text)}"
    small.write_bytes(utf8("\n".join(lines)))
    ran = say("show", small)
    say("show", small, "--json")
    # What is printable is a name like any other; it is shown as it stands.
    if ran.returncode == 0:
        assert text.isprintable() and len(text) <= 80
        assert field != "name" or text in ran.stdout


@hostile
def test_names_of_tables_and_fields(say, small, text):
    plain = small.read_text()
    for line in (f"{toml_text(text)} = 1\n", f"{text} = 1\n", f"[{toml_text(text)}]\n"):
        small.write_bytes(utf8(line + plain))
        say("show", small, status=2)


@hostile
def test_layout_specs(say, tmp_path, text):
    from dialbench import wishfile

    plain = (wishfile.SPECS / "small.toml").read_text()
    for old, new in (
        ('name = "Gannet Holm"', f"name = {toml_text(text)}\nzone = 3"),
        ('kind = "print"', f"kind = {toml_text(text)}"),
        ("[wish]", f"[wish]\n{toml_text(text)} = 1"),
    ):
        (tmp_path / "spec.toml").write_bytes(utf8(plain.replace(old, new, 1)))
        say("layout", "spec.toml", "--minutes", "0.01", status=2)


GOOD = "2027-04-16T12:00:00Z,0,0.5,rise"


@hostile
def test_cells_of_csv_files(say, small, tmp_path, text):
    cell = '"' + text.replace('"', '""') + '"'
    head = "utc,channel,threshold,direction"
    (tmp_path / "sun.csv").write_text("start,end\n2027-04-16T09:00:00Z,2027-04-16T13:00:00Z\n")
    for written in (
        f"{head},{cell}\n{GOOD},1\n",
        *(
            head + "\n" + ",".join([*GOOD.split(",")[:at], cell, *GOOD.split(",")[at + 1 :]]) + "\n"
            for at in range(4)
        ),
        text,
    ):
        (tmp_path / "log.csv").write_bytes(utf8(written))
        files = ["log.csv", "--dial", small, "--observed", "sun.csv", "--store", "s.sqlite"]
        say("import", *files, status=2)
        assert not (tmp_path / "s.sqlite").exists()


# -- names of files, and words of the command line


def typable(text):
    """What of a text a command line can hold: no NUL, of surrogates those that stand for
    bytes that are no UTF-8, and no more than 128 KB, where Linux ends a word."""
    return text.replace("\0", "").replace("\ud800", "")[:131_000]


@hostile
def test_names_of_files(say, small, text):
    text = typable(text)
    for words in (
        ["show", text],
        ["check", text],
        ["backup", text, "out"],
        ["backup", "dial.toml", f"none/{text}"],
        ["compare", text],
        ["import", text, "--dial", small, "--observed", text, "--store", "s"],
        ["pull", "socket://127.0.0.1:1", "--dial", small, "--store", text],
        ["pull", text, "--dial", small, "--store", "s"],
        ["layout", text],
        ["fabricate", text, "--out", "made"],
        ["audit", text],
    ):
        say(*words, status=2)


def test_a_line_end_in_a_name_begins_no_line_of_its_own(say, small):
    forged = "x\ndialbench: all is well"
    for words in (
        ["show", forged],
        ["check", forged],
        ["compare", forged],
        ["import", forged, "--dial", small, "--observed", forged, "--store", "s"],
        ["pull", forged, "--dial", small, "--store", "s"],
        ["demo", "--keep", "dial.toml/" + forged],
        ["show", small, forged],
        ["solve", forged, "--board", forged],
    ):
        told = say(*words, status=2).stderr
        assert "x\\ndialbench: all is well" in told
        assert not any(line.startswith("dialbench: all") for line in told.splitlines())


@hostile
def test_words_that_no_command_knows(say, small, text):
    text = typable(text)
    for words in (
        [text],
        ["show", small, text],
        ["show", f"--{text}", small],
        ["predict", small, "--from", text],
        ["predict", small, "--from", "2027-04-16", "--channel", text],
        ["sun", small, "--at", text],
        ["schema", text],
        ["demo", "--days", text],
    ):
        say(*words, status=2)


@hostile
def test_files_that_do_exist_under_such_names(say, small, tmp_path, text):
    """What can be a file's name is taken as one, and shown escaped wherever it is told."""
    name = typable(text).replace("/", "")[:60]
    store = tmp_path / name
    with Store.open(store) as made:
        made.add_board(hello())
        filled(made, *log(2).values())
    for words in (
        ["check", name],
        ["check", name, "--json"],
        ["backup", name, name + "2"],
        ["backup", name, name + "3", "--json"],
        ["check", name, "--repair"],
    ):
        ran = say(*words)
        assert ran.returncode in (0, 1)
    assert inert(name)[:30] in say("check", name).stdout
    ran = say("compare", name, status=2)
    assert "does not know the dial of" in ran.stderr


# -- from within a store


@hostile
def test_texts_in_a_store(say, tmp_path, text):
    with Store.open("s.sqlite") as made:
        made.add_board(hello(), "name = 'x'")
        filled(made, *log(2).values())
    raw = text.encode("utf-8", "replace").decode()
    with closing(sqlite3.connect("s.sqlite")) as file:
        file.execute("UPDATE board SET firmware = ?, runtime = ?, dial_hash = 'f'", [raw, raw])
        file.execute("INSERT INTO dial VALUES ('f', ?)", [raw])
        file.execute(
            "INSERT INTO board VALUES (2, ?, ?, 33, ?, '', 0)",
            [(typable(raw) + " " * 16)[:16], raw, raw],
        )
        file.commit()
    say("check", "s.sqlite")
    say("check", "s.sqlite", "--json")
    say("compare", "s.sqlite", status=2)
    say("compare", "s.sqlite", "--board", UID, status=2)
    say("compare", "s.sqlite", "--log", UID, status=2)
    say("backup", "s.sqlite", "out", status=0)


def test_a_kept_boards_truth_that_cannot_be_read_is_told(say, small, tmp_path):
    (tmp_path / "board").mkdir()
    (tmp_path / "board" / "truth.json").write_text("{\x1b")
    ran = say("virtual", "--dial", small, "--keep", tmp_path / "board", status=2)
    assert "truth.json cannot be read: write {" in ran.stderr


def test_letters_that_the_locale_lacks_are_spelt_out(tmp_path):
    path = tmp_path / "k\u00fcche.sqlite"
    Store.open(path).close()
    ran = subprocess.run(
        [sys.executable, "-m", "dialbench.cli", "check", path],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=False,
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert b"k\\xfcche.sqlite: sound" in ran.stdout
