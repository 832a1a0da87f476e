"""The notebook runs from its first cell to its last on a store, offline, and says what is true."""

import ast
import json
import re
import socket
from pathlib import Path

import numpy as np
import pytest
from tests.host import exchanged

NOTEBOOK = Path(__file__).parents[2] / "host" / "notebooks" / "late.ipynb"

# The first to ask for the ephemeris waits for it.
pytestmark = [pytest.mark.deep, pytest.mark.timeout(240)]


def run(source, names):
    """A cell's value, as a notebook shows it: that of its last expression, if it ends in one."""
    parsed = ast.parse(source)
    last = parsed.body.pop() if isinstance(parsed.body[-1], ast.Expr) else None
    exec(compile(parsed, "cell", "exec"), names)  # noqa: S102  # cells of our own notebook
    return (
        None if last is None else eval(compile(ast.Expression(last.value), "cell", "eval"), names)
    )


def test_it_runs_offline_and_its_median_is_that_of_the_truth(tmp_path, monkeypatch, capsys):
    exchanged.fill_small(tmp_path / "store.sqlite")
    before = (tmp_path / "store.sqlite").read_bytes()
    monkeypatch.chdir(tmp_path)

    def refuse(*arguments):
        raise AssertionError("a notebook asks no network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    shown, names = [], {}
    for cell in json.loads(NOTEBOOK.read_text())["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [] and cell["execution_count"] is None
            shown.append(run("".join(cell["source"]), names))
    said = capsys.readouterr().out
    truth_s = np.median(exchanged.late_us(len(exchanged.due()[1].utc_us))) / 1e6
    median_s, low_s, high_s = map(
        float, re.search(r"median (\S+) s, 95%: (\S+) to (\S+) s", said).groups()
    )
    assert median_s == pytest.approx(truth_s, abs=0.06)
    assert low_s < 30.0 < high_s  # what the lateness was drawn about
    assert "azimuth cannot be told" in said
    figures = [one for one in shown if one is not None]
    assert [one.axes[0].get_xlabel() for one in figures] == ["channel", "hour"]
    assert (tmp_path / "store.sqlite").read_bytes() == before
