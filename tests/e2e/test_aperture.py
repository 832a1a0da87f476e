"""The bench by its command: from a stage before a lamp, by board or by file, to the bores."""

import json
import sys
from datetime import UTC, datetime

import numpy as np
import pytest
from click.testing import CliRunner
from tests.host.benches import laid, swept

from dialbench import dialfile
from dialbench.commands import aperture
from dialbench.errors import UserError
from dialbench.link import Board
from dialbench.sky import to_us
from dialbench.store import Store
from dialbench.virtual.bench import Encoder, LampRays, Stage
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

SLOT = ("slot", 0.6, 3.5, 50.0)
START_US = to_us(datetime(2027, 4, 16, 12, tzinfo=UTC))
LAMP = ("--distance", "1000", "--source", "8")
DIAL = laid(
    [
        (-8.0, -20.0, [(-12.0, 0.0, *SLOT), (9.0, 0.0, *SLOT)]),
        (8.0, 20.0, [(-4.0, 0.0, *SLOT), (15.0, 0.0, *SLOT)]),
    ]
)


@pytest.fixture
def toml(tmp_path):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(DIAL), encoding="utf-8")
    return path


def asked(*arguments):
    """The command with these, within this process."""
    return CliRunner().invoke(aperture.command, [str(one) for one in arguments])


class Lamp:
    """As bright as full sun, however the sky is."""

    def irradiance(self, utc_us, altitude_deg):
        return np.full(len(utc_us), 900.0), np.zeros(len(utc_us))


def test_a_board_on_a_stage_tells_the_bores(tmp_path, toml, run):
    truth = Truth.draw(DIAL, 4)
    rays = LampRays(truth, 1000.0, 8.0, 0.0, rays=256)
    grid_deg = np.arange(-16.0, 19.0, 0.1)
    light = rays.lit_fractions(np.radians(grid_deg))
    encoder = Encoder(zero_deg=-200.0, backlash_deg=0.1)
    stage = Stage(encoder, grid_deg, light, START_US, deg_per_s=0.1)
    path = tmp_path / "store.sqlite"
    with VirtualDial(
        truth,
        Lamp(),
        tmp_path / "board",
        START_US,
        scan_ms=500,
        shining=stage,
        shaft=stage,
        sweep={"encoder": "as5600"},
    ) as board:
        board.run(START_US, START_US + round(1e6 * stage.sweep_s))
        with Board.open(board.port, board.clock) as link, Store.open(path) as store:
            link.pull(store)
    ran = run(
        [sys.executable, "-m", "dialbench.cli", "aperture", path, "--dial", toml, *LAMP, "--json"]
    )
    assert ran.returncode == 0, ran.stderr
    facts = json.loads(ran.stdout)
    assert facts["schema"] == "dialbench.aperture/1" and facts["settled"]
    for one in facts["bores"]:
        drawn, factor = one["drawn"], truth.width_factor[one["bore"]]
        entry = one["entry_mm"]
        assert abs(entry["value"] - factor * drawn["entry_mm"]) < 4 * entry["sigma"] < 0.2
        axis = one["hour_angle_deg"]
        off = axis["value"] - drawn["hour_angle_deg"] - truth.axis_error_deg[one["bore"], 0]
        assert abs(off) < 4 * axis["sigma"]


def test_a_file_gives_a_table_and_what_is_wrong_a_sentence(tmp_path, toml):
    sweep, _, _ = swept(DIAL, 1000.0, step_deg=0.3, rays=128)
    lines = ["angle_deg,channel,level"]
    columns = np.degrees(sweep.angle), sweep.channel, sweep.level
    lines += [f"{a:.4f},{c},{x:.4f}" for a, c, x in zip(*columns, strict=True)]
    path = tmp_path / "sweep.csv"
    path.write_text("\n".join(lines) + "\n")
    ran = asked(path, "--dial", toml, *LAMP)
    assert ran.exit_code == 0, ran.exception
    assert "backlash" in ran.stdout and "Axes are told against each other" in ran.stdout
    for arguments, words in (
        ((path, "--dial", toml), "--distance"),
        ((path, *LAMP), "--dial"),
        ((path, "--dial", toml, "--distance", "50", "--source", "8"), "reaches 60 mm"),
        ((path, "--dial", toml, *LAMP, "--reversed"), "without --reversed"),
        ((path, "--dial", toml, *LAMP, "--covered", "2,9"), "--covered 9"),
        ((path, "--dial", toml, "--sun"), "the column utc is missing"),
        ((tmp_path / "none.csv", "--dial", toml, *LAMP), "there is no such file"),
        (("--dial", toml, *LAMP), "or say --virtual"),
    ):
        ran = asked(*arguments)
        assert isinstance(ran.exception, UserError), (arguments, ran.exception)
        assert words in str(ran.exception) and ran.stdout == ""
