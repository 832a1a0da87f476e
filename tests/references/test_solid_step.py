"""The exact solid of a STEP file against the one of triangles: two kernels cut the same body.

Needs build123d, the extra `step`. Triangles stand within 0.01 mm for what is round here.
"""

import math
from dataclasses import replace

import pytest
from tests.host.dials import NOON, NORTH, SOUTH, bore, hole

from dialbench.dial import Body, Channel, Dial
from dialbench.fabricate import solid, step

pytestmark = [pytest.mark.needs_step, pytest.mark.timeout(300)]

SLAB = Body(40.0, 60.0, 20.0, 0.4)


def dial_of(*listed, places=((0.0, 0.0),), body=SLAB, site=NORTH):
    channels = tuple(Channel(float(y), float(z), k, 0) for k, (y, z) in enumerate(places))
    return Dial("exact", site, channels, NOON, body, listed)


SLOTS = [bore(h, exit_mm=0.6, entry_mm=1.4, length_mm=20.0) for h in (-14.0, -8.0, 0.0, 9.0)]
CROSSING = [bore(h, 1, exit_mm=0.8, entry_mm=0.8, length_mm=25.0) for h in (20.0, 35.0, 62.0)]
ROUND = [
    hole(-25.0, 2, exit_mm=2.0, entry_mm=3.0, length_mm=24.0),
    hole(30.0, 2, exit_mm=2.0, entry_mm=2.0, declination_deg=-14.0, length_mm=24.0),
]
PLACES = ((-4.0, 3.0), (8.0, 3.0), (0.0, -16.0))


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize(
    "listed",
    [
        SLOTS,
        ROUND,
        SLOTS + CROSSING + ROUND,
        # Walls so far apart that they meet before they are half an exit behind.
        [replace(SLOTS[0], opening_deg=110.0)],
    ],
    ids=["slots", "round", "all", "edge"],
)
def test_both_kernels_cut_the_same_body(listed, site):
    dial = dial_of(*listed, places=PLACES, site=site)
    (exact,) = step.exact_solids(dial)
    assert exact.is_valid
    block = solid.block_of(dial.body).volume()
    due = block - solid.one_solid(dial).volume_mm3
    (whole,) = step.exact_solids(replace(dial, bores=()))
    assert whole.volume == pytest.approx(block, rel=1e-5)
    assert whole.volume - exact.volume == pytest.approx(due, rel=1e-3)


def test_an_uncut_body_is_half_a_cylinder():
    (whole,) = step.exact_solids(dial_of(body=Body(37.0, 55.0)))
    assert whole.volume == pytest.approx(math.pi / 2 * 37**2 * 55, rel=1e-9)


def test_the_file_holds_the_solid_and_is_the_same_again(tmp_path):
    import build123d

    dial = dial_of(*SLOTS, *ROUND, places=PLACES)
    calls = []
    for name in ("one.step", "two.step"):
        step.write_step(tmp_path / name, dial, lambda done, of: calls.append((done, of)))
    assert (tmp_path / "one.step").read_bytes() == (tmp_path / "two.step").read_bytes()
    (read,) = build123d.import_step(tmp_path / "one.step").solids()
    assert read.volume == pytest.approx(solid.one_solid(dial).volume_mm3, rel=1e-5)
    box = read.bounding_box()
    assert (box.max.X, box.max.Z) == pytest.approx((20.0, 30.0), abs=1e-6)
    assert dial.hash in (tmp_path / "one.step").read_text()
    # Nine voids, three of them pockets, and told one by one, twice.
    assert calls == [(k, 9) for k in range(1, 10)] * 2


def test_what_falls_into_pieces_is_no_file(tmp_path):
    wide = {"exit_mm": 1.0, "entry_mm": 1.0, "opening_deg": 80.0, "length_mm": 28.0}
    dial = dial_of(
        bore(-45.0, 0, **wide),
        bore(45.0, 1, **wide),
        places=((-10, 0), (10, 0)),
        body=Body(100.0, 10.0, 20.0),
    )
    volumes = [part.volume for part in step.exact_solids(dial)]
    assert volumes == pytest.approx(solid.pieces(dial), rel=1e-4)
    with pytest.raises(solid.SolidError):
        step.write_step(tmp_path / "body.step", dial)
    assert not list(tmp_path.iterdir())


def test_a_cut_that_comes_out_otherwise_is_no_file(tmp_path, monkeypatch):
    dial = dial_of(*SLOTS, places=PLACES)
    lacking = step.exact_solids(replace(dial, bores=dial.bores[:-1]))
    monkeypatch.setattr(step, "exact_solids", lambda *_: lacking)
    with pytest.raises(step.StepError, match=r"1 pieces, the first \+0\.\d\d% off"):
        step.write_step(tmp_path / "body.step", dial)
    assert not list(tmp_path.iterdir())
