"""The live bench by its command: a virtual stage turned before a lamp, traced over the wire."""

import json
import signal
import subprocess
import sys
import time

import pytest
from click.testing import CliRunner
from tests.host.benches import laid

from dialbench import dialfile
from dialbench.commands import aperture, sweep
from dialbench.errors import UserError

SLOT = ("slot", 0.6, 3.5, 50.0)
LAMP = ("--distance", "1000", "--source", "8")
DIAL = laid([(-8.0, -20.0, [(-4.0, 0.0, *SLOT)]), (8.0, 20.0, [(3.0, 0.0, *SLOT)])])


@pytest.fixture
def toml(tmp_path):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(DIAL), encoding="utf-8")
    return path


def asked(command, *arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments])


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_a_virtual_stage_is_traced_and_its_file_tells_the_same(tmp_path, toml):
    path = tmp_path / "sweep.csv"
    ran = asked(
        sweep.command, "--virtual", "--dial", toml, *LAMP, "--out", path, "--json",
        "--speed", "3", "--rays", "64",
    )  # fmt: skip
    assert ran.exit_code == 0, ran.exception
    facts = json.loads(ran.stdout)
    assert facts["schema"] == "dialbench.sweep/1" and facts["channels_waiting"] == []
    assert facts["looks"]["kept"] > 200 and facts["looks"]["alien"] == 0
    for name in ("entry_mm", "hour_angle_deg"):
        assert facts["virtual"][name]["told"] == len(DIAL.bores)
        assert facts["virtual"][name]["rms"] < 0.3
    told = asked(aperture.command, path, "--dial", toml, *LAMP, "--json")
    assert told.exit_code == 0, told.exception
    again = json.loads(told.stdout)
    assert again["samples"]["all"] == 2 * facts["looks"]["kept"]
    for live, read in zip(facts["aperture"]["bores"], again["bores"], strict=True):
        off = live["entry_mm"]["value"] - read["entry_mm"]["value"]
        assert abs(off) < 0.1 * live["entry_mm"]["sigma"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--sun",), "either a PORT or --virtual"),
        (("there", "--virtual", "--sun"), "either a PORT or --virtual"),
        (("there", "--sun"), "--dial"),
        (("there",), "--distance of the lamp in mm, or --sun"),
        (("--virtual", "--sun", "--dial", "{toml}"), "goes with --distance"),
        (("there", "--sun", "--dial", "{toml}", "--out", "{none}/s.csv"), "there is no folder"),
        (("there", "--sun", "--dial", "{toml}", "--out", "{folder}"), "no file can be written"),
        (("there", "--distance", "20", "--dial", "{toml}"), "reaches"),
    ],
)
def test_what_cannot_be_is_a_sentence(tmp_path, toml, arguments, words):
    named = [one.format(toml=toml, none=tmp_path / "none", folder=tmp_path) for one in arguments]
    ran = asked(sweep.command, *named)
    assert isinstance(ran.exception, UserError), (arguments, ran.exception)
    assert words in str(ran.exception) and ran.stdout == ""


@pytest.mark.deep
@pytest.mark.timeout(120)
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_whatever_ends_it_the_file_is_whole(tmp_path, toml, end):
    path = tmp_path / "sweep.csv"
    process = subprocess.Popen(
        [sys.executable, "-m", "dialbench.cli", "sweep", "--virtual", "--dial", str(toml), *LAMP]
        + ["--out", str(path), "--json", "--rays", "64", "--turn", "1"],
        stdout=subprocess.PIPE,
        text=True,
    )
    until_s = time.monotonic() + 60
    while not path.exists() and time.monotonic() < until_s:
        time.sleep(0.05)
    process.send_signal(end)
    said, _ = process.communicate(timeout=60)
    lines = path.read_text().splitlines()
    assert len(lines) > 100 and all(line.count(",") == 3 for line in lines)
    assert [one.name for one in tmp_path.iterdir() if "part" in one.name] == []
    if end == signal.SIGKILL:
        return
    assert process.returncode == 0
    assert len(lines) == 1 + 2 * json.loads(said)["looks"]["kept"]
