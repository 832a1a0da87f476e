"""Bundles and tables: nothing is lost, all of it or nothing, and strangers can read them."""

import csv
import json
import os
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from tests.host import exchanged
from tests.host.stores import OTHER, UID, hello
from tests.host.typed import typed

from dialbench.errors import UserError
from dialbench.exchange import ExchangeError, bundle, parquet, restore
from dialbench.store import Store

HERE = Path(__file__).parent
TABLES = ("board", "dial", "page", "spare", "mark", "status", "foreign_log", "decoding", "crossing")

# The first to ask for the ephemeris waits for it.
pytestmark = pytest.mark.timeout(240)


def quiet(what, share):
    pass


def everything(path):
    """All rows of a store but for the numbers it gives them itself."""
    import sqlite3

    with closing(sqlite3.connect(path)) as open_store:
        return {
            table: sorted(map(repr, open_store.execute(f"SELECT * FROM {table}")))
            for table in (*TABLES, "event", "foreign_crossing", "foreign_observed")
        }


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with store.sqlite, its bundle as folder and zip."""
    folder = tmp_path_factory.mktemp("exchange")
    digests = exchanged.fill(folder / "store.sqlite")
    with Store.look(folder / "store.sqlite") as store:
        bundle.write(store, folder / "bundle", "CC-BY-4.0")
        bundle.write(store, folder / "bundle.zip", "CC-BY-4.0", predictions=False)
    return folder, digests


@pytest.mark.parametrize("name", ["bundle", "bundle.zip"])
def test_what_goes_out_and_in_again_is_the_same(made, name, tmp_path):
    folder, digests = made
    found = restore.restore(folder / name, tmp_path / "new", quiet)
    assert (found.boards, found.foreign_logs) == (2, 1)
    assert everything(tmp_path / "new") == everything(folder / "store.sqlite")
    assert sorted(os.listdir(tmp_path)) == ["new"]
    with Store.look(tmp_path / "new") as store:
        assert {uid: store.digest(uid) for uid in (UID, OTHER)} == digests
        [log] = store.foreign.logs()
        assert store.foreign.get(log.hash).hash(log.dial_hash) == log.hash
        assert store.losses(UID).torn_pages == 2


def test_the_same_store_gives_the_same_bytes(made, tmp_path):
    folder, _ = made
    with Store.look(folder / "store.sqlite") as store:
        bundle.write(store, tmp_path / "again.zip", "CC-BY-4.0", predictions=False)
    assert (tmp_path / "again.zip").read_bytes() == (folder / "bundle.zip").read_bytes()


def test_a_stranger_recomputes_residuals_and_their_median(made, run):
    folder, _ = made
    program = HERE / "recompute.py"
    assert len(program.read_text().splitlines()) <= 40
    for log in (f"board-{UID}", next(p.name for p in (folder / "bundle").glob("log-*"))):
        # -I: nothing of ours can be imported
        ran = run([sys.executable, "-I", program, folder / "bundle", log])
        assert ran.returncode == 0, ran.stderr
        told = json.loads(ran.stdout)
        late = [
            float(row["late_s"])
            for row in csv.DictReader((folder / "bundle" / log / "residuals.csv").open())
        ]
        assert len(late) > 50
        assert told["first"] == late[:3]
        # What the log was made of, and neither prediction nor export had a part in. A board
        # counts time in steps of 10 ms, so that none is off by more than that.
        _, due = exchanged.due()
        truth = np.median(exchanged.late_us(len(due.utc_us))) / 1e6
        assert told["median"] == pytest.approx(np.median(late), abs=1e-9)
        assert told["median"] == pytest.approx(truth, abs=0.5)


def test_a_general_validator_finds_nothing_wrong(made):
    from frictionless import Package, system

    folder, _ = made
    with system.use_context(trusted=True):
        report = Package(str(folder / "bundle" / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "message"])
    # It would have: a byte more, a cell that is no number.
    spoilt = folder / "bundle" / f"board-{UID}" / "residuals.csv"
    before = spoilt.read_bytes()
    try:
        spoilt.write_bytes(before.replace(b"rise", b"up,x", 1))
        with system.use_context(trusted=True):
            assert not Package(str(folder / "bundle" / "datapackage.json")).validate().valid
    finally:
        spoilt.write_bytes(before)


def test_parquet_is_read_by_other_programs(made, capsys, tmp_path):
    import duckdb
    import pandas

    folder, _ = made
    out = tmp_path / "tables"
    words = ("export", folder / "store.sqlite", "--board", UID, "--out", out)
    ran = typed(capsys, *words, "--as", "parquet", "--json")
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout)["files"] == 6
    late = pandas.read_parquet(out / "residuals.parquet")
    with (folder / "bundle" / f"board-{UID}" / "residuals.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert late["late_s"].tolist() == [float(row["late_s"]) for row in rows]
    seconds = (late["utc"] - late["predicted_utc"]).dt.total_seconds()
    assert np.allclose(seconds, late["late_s"], atol=1e-9) and str(late["utc"].dt.tz) == "UTC"
    [(count, first)] = duckdb.sql(
        f"SELECT count(*), min(utc) FROM '{out / 'crossings.parquet'}'"
    ).fetchall()
    with Store.look(folder / "store.sqlite") as store:
        assert count == len(store.crossings(UID).boot)
    assert first.year == 2027
    assert {row["file"] for row in csv.DictReader((out / "dictionary.csv").open())} == {
        f"{name}.parquet" for name in ("crossings", "observed", "marks", "predictions", "residuals")
    }


def test_csv_of_one_log_goes_in_again_as_another_makes(made, capsys, tmp_path):
    folder, _ = made
    with Store.look(folder / "store.sqlite") as store:
        [log] = store.foreign.logs()
    out = tmp_path / "tables"
    ran = typed(
        capsys, "export", folder / "store.sqlite", "--log", log.hash, "--out", out, "--as", "csv"
    )
    assert ran.returncode == 0 and ran.stderr == ""
    (tmp_path / "dial.toml").write_text(log.dial_toml)
    words = ("import", out / "crossings.csv", "--dial", tmp_path / "dial.toml")
    more = ("--observed", out / "observed.csv", "--store", tmp_path / "new", "--json")
    assert json.loads(typed(capsys, *words, *more).stdout)["log"] == log.hash


def test_commands_tell_what_they_did_and_what_is_wrong(made, capsys, monkeypatch, tmp_path):
    folder, _ = made
    store = folder / "store.sqlite"
    ran = typed(capsys, "export", store, "--out", tmp_path / "b", "--no-predictions", "--json")
    facts = json.loads(ran.stdout)
    assert (facts["schema"], facts["boards"], facts["logs"]) == ("dialbench.export/1", 2, 1)
    assert "no licence is named in it" in ran.stderr
    assert "licenses" not in json.loads((tmp_path / "b" / "datapackage.json").read_text())
    ran = typed(capsys, "import", tmp_path / "b", "--store", tmp_path / "s", "--json")
    assert json.loads(ran.stdout)["schema"] == "dialbench.restore/1"
    for words, sentence in (
        (("export", store, "--out", tmp_path / "b"), "is there already: name a new one"),
        (("export", store, "--out", tmp_path / "no" / "b"), "its folder is not there"),
        (("export", store, "--out", tmp_path / "x", "--board", UID), "a bundle holds all logs"),
        (("export", store, "--out", tmp_path / "x", "--licence", "a b"), "short name, such as"),
        (("import", tmp_path / "b", "--store", tmp_path / "s"), "is there already: name a new one"),
        (("import", tmp_path / "b", "--store", tmp_path / "t", "--dial", "d"), "holds its own"),
        (("import", store, "--store", tmp_path / "t"), "--dial: is needed with the CSV"),
        (("import", tmp_path / "no.zip", "--store", tmp_path / "t"), "no.zip: there is no such"),
    ):
        ran = typed(capsys, *words)
        assert ran.returncode == 2 and sentence in ran.stderr, (words, ran.stderr)
        assert ran.stdout == ""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    words = ("export", store, "--board", UID, "--out", tmp_path / "p", "--as", "parquet")
    ran = typed(capsys, *words)
    assert ran.returncode == 2 and "pip install 'dialbench[parquet]'" in ran.stderr
    assert sorted(os.listdir(tmp_path)) == ["b", "s"]


@pytest.mark.parametrize("name", ["b", "b.zip"])
def test_an_export_that_is_interrupted_leaves_nothing(made, monkeypatch, tmp_path, name):
    folder, _ = made

    def stop(what, share):
        if what.startswith("log-"):
            raise KeyboardInterrupt

    with Store.look(folder / "store.sqlite") as store, pytest.raises(KeyboardInterrupt):
        bundle.write(store, tmp_path / name, predictions=False, progress=stop)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        ("boards.csv", b"0.1.0", b"0.2.0", "boards.csv: is not what datapackage.json tells"),
        ("datapackage.json", b"bundle/1", b"bundle/9", "this Dialbench knows dialbench.bundle/1"),
        ("datapackage.json", b"{", b"[", "does not describe a bundle of dialbench export"),
        ("datapackage.json", b'"logs.csv"', b'"../../etc/passwd"', "which is no file of a bundle"),
        ("datapackage.json", b'"logs.csv"', b'"/dev/zero"', "which is no file of a bundle"),
        ("datapackage.json", b'"logs.csv"', b'"C:logs.csv"', "which is no file of a bundle"),
        ("datapackage.json", b'"bytes": ', b'"bytes": 1e999, "b": ', "does not describe a bundle"),
        ("logs.csv", None, None, "logs.csv: is not there, or cannot be read"),
    ],
)
def test_a_bundle_that_was_changed_is_refused_and_nothing_kept(
    made, tmp_path, file, old, new, sentence
):
    copy = tmp_path / "copy"
    with zipfile.ZipFile(made[0] / "bundle.zip") as packed:
        packed.extractall(copy)
    raw = (copy / file).read_bytes()
    if old is None:
        (copy / file).unlink()
    else:
        assert old in raw
        (copy / file).write_bytes(raw.replace(old, new, 1))
    with pytest.raises(ExchangeError, match=sentence.replace(".", r"\.")):
        restore.restore(copy, tmp_path / "new", quiet)
    assert os.listdir(tmp_path) == ["copy"]


def forged(copy, file, change):
    """Change a file of a bundle and set the descriptor right about it."""
    import hashlib

    raw = change((copy / file).read_bytes())
    (copy / file).write_bytes(raw)
    package = json.loads((copy / "datapackage.json").read_text())
    for one in package["resources"]:
        if one["path"] == file:
            one |= {"bytes": len(raw), "hash": f"sha256:{hashlib.sha256(raw).hexdigest()}"}
    (copy / "datapackage.json").write_text(json.dumps(package))


PAGES = f"board-{UID}/pages.csv"


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        ("boards.csv", UID.encode(), b"../../../x\x1b[2J", "line 2: '../../../x"),
        ("boards.csv", b",33,", b",many,", "line 2: channels: 'many' is no whole number"),
        ("boards.csv", b"uid", b"name", "must begin with the heading uid,dial_hash"),
        (PAGES, b"false,", b"false,,", "has not 5 cells"),
        (PAGES, b"REwB", b"!!!!", "holds no base64"),
        (PAGES, b"\n1,1,", b"\n1,0,", "line 3: this page is there twice"),
        (PAGES, b"\n1,1,", b"\n1,9,", "log_sha256 is not that of pages and marks"),
        (PAGES, b"\n1,1,", b"\n1,%d," % 2**64, "is no whole number"),
        (PAGES, b"\n1,1,", b'\n1,1,"x', "is no CSV in UTF-8"),
    ],
)
def test_a_forged_bundle_is_refused_with_a_sentence(made, tmp_path, file, old, new, sentence):
    copy = tmp_path / "copy"
    with zipfile.ZipFile(made[0] / "bundle.zip") as packed:
        packed.extractall(copy)

    def change(raw):
        assert old in raw
        return raw.replace(old, new, 1)

    forged(copy, file, change)
    with pytest.raises(UserError) as caught:
        restore.restore(copy, tmp_path / "new", quiet)
    assert sentence in str(caught.value) and str(caught.value).isprintable()
    assert os.listdir(tmp_path) == ["copy"]


def test_what_never_ends_is_not_read(made, tmp_path):
    """A pipe in a bundle's folder, and lines without an end out of a small zip."""
    copy = tmp_path / "copy"
    with zipfile.ZipFile(made[0] / "bundle.zip") as packed:
        packed.extractall(copy)
    (copy / "logs.csv").unlink()
    os.mkfifo(copy / "logs.csv")
    with pytest.raises(ExchangeError, match="logs.csv: is not there, or cannot be read"):
        restore.restore(copy, tmp_path / "new", quiet)
    (copy / "logs.csv").unlink()
    (copy / "logs.csv").write_bytes(b"")
    heading = b"hash,name,dial_hash,channels\n"
    forged(copy, "logs.csv", lambda raw: heading + 3_000_000 * b"x")
    with pytest.raises(ExchangeError, match="longer than any of a bundle"):
        restore.restore(copy, tmp_path / "new", quiet)
    forged(copy, "logs.csv", lambda raw: heading + 10_001 * b"0,0,0,0\n")
    with pytest.raises(ExchangeError, match="more than 10000 lines"):
        restore.restore(copy, tmp_path / "new", quiet)
    assert os.listdir(tmp_path) == ["copy"]


def test_a_zip_spoilt_anywhere_is_refused_with_a_sentence(made, tmp_path):
    raw = (made[0] / "bundle.zip").read_bytes()
    with zipfile.ZipFile(made[0] / "bundle.zip") as packed:
        begin = packed.getinfo("datapackage.json").header_offset
    refused = 0
    for at in [*range(begin, len(raw), 397), len(raw) - 22]:
        for bits in (0x55, 0x0F):
            spoilt = bytearray(raw)
            spoilt[at] ^= bits
            (tmp_path / "b.zip").write_bytes(spoilt)
            try:
                restore.restore(tmp_path / "b.zip", tmp_path / "new", quiet)
                (tmp_path / "new").unlink()  # a byte that says nothing, such as a date's
            except ExchangeError:
                refused += 1
            assert os.listdir(tmp_path) == ["b.zip"]
    assert refused > 8


def test_no_name_is_a_formula_to_a_spreadsheet(tmp_path):
    names = ["=1+1", "+1", "-1", "@a", "'=1", "a=1", '=a,"b"']
    with Store.open(tmp_path / "store.sqlite") as store:
        for k, name in enumerate(names):
            store.add_board(hello(f"{k:016x}", firmware=name, runtime=name))
        bundle.write(store, tmp_path / "b")
    with (tmp_path / "b" / "boards.csv").open(newline="") as stream:
        written = [row["firmware"] for row in csv.DictReader(stream)]
    assert not [cell for cell in written if cell[0] in "=+-@\t\r"]
    restore.restore(tmp_path / "b", tmp_path / "new", quiet)
    assert everything(tmp_path / "new") == everything(tmp_path / "store.sqlite")


def test_hostile_names_stay_text(made):
    folder, _ = made
    with (folder / "bundle" / "logs.csv").open(newline="") as stream:
        [row] = csv.DictReader(stream)
    assert row["name"] == 'a,"b\\u202e.csv'
    with (folder / "bundle" / "boards.csv").open(newline="") as stream:
        assert [board["firmware"] for board in csv.DictReader(stream)] == ["0.1.0", '0.1, "old"']


def test_a_store_with_a_name_that_leads_elsewhere_is_not_exported(tmp_path):
    with Store.open(tmp_path / "s") as store:
        store.carry.add_dial("../../elsewhere", "x")
        with pytest.raises(ExchangeError, match="names a board, a log or a dial"):
            bundle.write(store, tmp_path / "b")
    assert not (tmp_path / "b").exists()


def test_parquet_cells_that_are_not_known_are_null(made):
    from dialbench.exchange.table import NO_TIME, Column

    columns = (Column("utc", "datetime", ""), Column("sigma_s", "number", ""))
    utc, sigma_s = parquet.arrays(columns, (np.array([NO_TIME, 5]), np.array([np.nan, 0.5])))
    assert (utc.null_count, sigma_s.to_pylist()) == (1, [None, 0.5])
