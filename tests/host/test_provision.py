"""Provisioning a bare board, on a real MicroPython prompt and the real firmware."""

import json

import pytest
from tests.bareboard import BareBoard
from tests.host.typed import typed

from dialbench import dialfile

pytestmark = pytest.mark.usefixtures("impatient", "quick")


@pytest.fixture
def quick(monkeypatch):
    """A board on the bench starts sooner than a real one."""
    monkeypatch.setattr("dialbench.provision.work.STARTING_S", 0.2)


@pytest.fixture
def dial_toml(tmp_path):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(dialfile.demo()))
    return path


def test_a_bare_board_is_provisioned_and_once_more_copies_nothing(tmp_path, dial_toml, capsys):
    with BareBoard(tmp_path) as board:
        ran = typed(capsys, "provision", board.port, "--dial", dial_toml, "--json")
        assert ran.returncode == 0, ran.stderr
        print(ran.stdout)
        first = json.loads(ran.stdout)
        assert (first["was"], first["slot"], first["fresh"]) == ("prompt", "a", True)
        ran = typed(capsys, "provision", board.port, "--dial", dial_toml, "--json")
        assert ran.returncode == 0, ran.stderr
        again = json.loads(ran.stdout)
        assert (again["was"], again["fresh"], again["sent"]) == ("firmware", False, [])
