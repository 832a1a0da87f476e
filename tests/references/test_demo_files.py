"""The demo dial and its workshop files under hardware/: what stands there is what comes out today."""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from tests.references.test_audit_mesh import agreed, yes_and_no

from dialbench import dialfile
from dialbench.audit.limits import broken
from dialbench.audit.result import audited
from dialbench.fabricate.fabricate import fabricate
from dialbench.fabricate.workshop import Workshop

FOLDER = Path(__file__).parents[2] / "hardware" / "demo-dial"


def manifest(folder):
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))


def test_the_files_are_the_demo_dials_and_whole():
    told = manifest(FOLDER)
    assert told["hash"] == dialfile.demo().hash
    found = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in FOLDER.iterdir()
        if path.name != "manifest.json"
    }
    assert found == {name: facts["sha256"] for name, facts in told["files"].items()}


# What holds the cut solid or a picture of it. Where the solid's triangles meet hangs on the last
# digits of a processor's arithmetic, so elsewhere it may come out a sliver the richer.
MESHED = {"assembly.pdf", "base.dxf", "body.3mf", "body.png", "body.stl"}


@pytest.mark.deep
def test_made_anew_they_are_the_same(tmp_path):
    """To the byte, but for the solid: that is the same body, whatever its triangles.

    Where compression libraries are other than in CI, PDF may differ in bytes.
    """
    fabricate(dialfile.demo(), tmp_path / "made", Workshop())
    made, kept = manifest(tmp_path / "made"), manifest(FOLDER)
    assert {**made, "files": None} == {**kept, "files": None}
    assert set(made["files"]) == set(kept["files"]) > MESHED
    for name in set(kept["files"]) - MESHED:
        assert made["files"][name] == kept["files"][name], name
    new, old = (trimesh.load(folder / "body.stl") for folder in (tmp_path / "made", FOLDER))
    assert new.is_watertight and new.body_count == old.body_count == 1
    assert new.euler_number == old.euler_number
    assert new.volume == pytest.approx(old.volume, rel=1e-8)
    assert new.area == pytest.approx(old.area, rel=1e-8)
    np.testing.assert_allclose(new.bounds, old.bounds, atol=1e-6)
    np.testing.assert_allclose(new.center_mass, old.center_mass, atol=1e-6)


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_every_minute_of_a_year_the_demo_dial_keeps_its_limits():
    dial = dialfile.demo()
    limits = dial.limits
    assert (limits.duty, limits.wrong, limits.ghost) == (0.95, 0.0, 0.05)
    found = audited(dial, 2027, limits)
    assert broken(found) == ()


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_twenty_thousand_rays_through_the_3mf_go_where_the_audit_says():
    """Two rays a draw, each at a random instant through a random point of a random exit."""
    triangles = np.asarray(trimesh.load(FOLDER / "body.3mf", force="mesh").triangles)
    found = yes_and_no(dialfile.demo(), triangles, 10_000, np.random.default_rng(29))
    rays = 2 * len(found)
    assert rays == 20_000
    assert 0.2 < found[:, 0].sum() / rays < 0.8
    agreed(found)
