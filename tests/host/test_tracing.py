"""The live bench: looks in, out comes what is traced, what is passed well, and what it tells.
Truth is light by rays; what flanks are is worked out from those rays, too."""

import json
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from tests.board_double import BoardDouble, DirectLine, Time
from tests.host.benches import laid, rows_of_slots

from dialbench.aperture import live, passes, rehearsal
from dialbench.aperture import sweep as sweeps
from dialbench.aperture.bench import Found, GivenUp, LiveBench, worked_out
from dialbench.aperture.model import Model
from dialbench.aperture.setting import Setting, covered
from dialbench.aperture.tracing import Tracing
from dialbench.errors import UserError
from dialbench.link import Board, LinkLost
from dialbench.virtual.bench import Encoder, LampRays
from dialbench.virtual.truth import Truth
from dialcore import framing, messages, records

DIAL = rows_of_slots(rows=2, bores=4)
LAMP = Setting(DIAL, 1000.0, 2.0, 8.0)
ENCODER = Encoder(zero_deg=20.0, backlash_deg=0.1, counts=4096)
PERIOD_US = 50_000


class Rig:
    """A dial as it was made, turned before rays; what its board would say of it."""

    def __init__(self, seed=3):
        self.real = rehearsal.made(DIAL, np.random.default_rng(seed))
        rays = LampRays(Truth.perfect(self.real), 1000.0, 8.0, 0.0, rays=256)
        self.grid_deg = np.arange(-60.0, 60.0, 0.1)
        self.light = rays.lit_fractions(np.radians(self.grid_deg))
        self.chance = np.random.default_rng(seed)
        self.utc_us = 1_807_963_200_000_000

    def pass_over(self, bench, start_deg, end_deg, deg_per_s=2.0):
        """Turn from one hour angle to another at a speed, a look each PERIOD_US."""
        step = deg_per_s * PERIOD_US * 1e-6
        way = 1 if end_deg > start_deg else -1
        stands = np.arange(start_deg, end_deg, way * step)
        reads = ENCODER.reads_deg(stands, np.full(len(stands), way))
        raw = np.rint(reads * 65536 / 360).astype(int) % 65536
        light = np.stack([np.interp(stands, self.grid_deg, one) for one in self.light.T], axis=1)
        levels = 1024 * (light + 0.01 * self.chance.standard_normal(light.shape))
        for angle, row in zip(raw.tolist(), np.rint(levels).astype(int).tolist(), strict=True):
            self.utc_us += PERIOD_US
            bench.hear(self.utc_us, angle, 0, True, tuple(row))

    def flank_deg(self, bore, side):
        """Where the rays through this bore go from a tenth to nine tenths of their most, with all
        others left away."""
        one = replace(self.real, bores=(self.real.bores[bore],))
        hour = self.real.bores[bore].hour_angle_deg
        at = np.arange(hour - 4, hour + 4, 0.02)
        channel = self.real.bores[bore].channel
        rays = LampRays(Truth.perfect(one), 1000.0, 8.0, 0.0, rays=256)
        light = rays.lit_fractions(np.radians(at))[:, channel]
        near = at[(light > 0.1 * light.max()) & (light < 0.9 * light.max())]
        middle = at[np.argmax(light)]
        mine = near[near > middle] if side == passes.LATER else near[near < middle]
        return float(mine.min()), float(mine.max())


@pytest.fixture(scope="module")
def rig():
    return Rig()


def work(bench, at_last=True):
    sweep = bench.due(at_last)
    if sweep is not None:
        bench.worked(worked_out(bench.setting, sweep))


@pytest.fixture(scope="module")
def whole(rig):
    """A bench after a pass over everything, there and back."""
    bench = LiveBench(LAMP)
    rig.pass_over(bench, -58, 58)
    rig.pass_over(bench, 58, -58)
    work(bench)
    return bench


def test_a_pass_there_and_back_tells_all_bores_as_they_were_made(whole, rig):
    assert whole.waiting() == [] and whole.sentences() == ["No channel needs a pass any more."]
    facts = whole.as_dict()
    json.dumps(facts, allow_nan=False)
    assert facts["schema"] == "dialbench.sweep/1" and facts["looks"]["kept"] == len(whole.tracing)
    for one in facts["bores"]:
        made = rig.real.bores[one["bore"]]
        entry, axis = one["entry_mm"], one["hour_angle_deg"]
        assert abs(entry["value"] - made.entry_mm) < 4 * entry["sigma"] < 0.2
        # Axes are told against each other, and a turn is common to all of them.
        assert abs(axis["value"] - made.hour_angle_deg) < 4 * axis["sigma"]
        assert {"earlier", "later"} == set(one["edges"]) and not one["needs"]
    assert len(whole.table()) == 1 + len(DIAL.bores)


def test_flanks_are_where_rays_say_they_are(whole, rig):
    # Of the dial as it was made; what was found of it in `whole` is off by its own errors.
    made = replace(LAMP, dial=rig.real)
    nothing = whole.tracing.sweep().rows(np.arange(2))
    drawn = Model(rig.real, nothing, made.light(nothing), 1, frozenset()).nominal()
    found = passes.flanks(made, 0.0, 4.0, drawn)
    assert len(found) == 2 * len(DIAL.bores)
    for flank in found[::5]:
        low, high = rig.flank_deg(flank.bore, flank.side)
        # Rays are 0.02 deg apart, and few.
        assert abs(flank.low_deg - low) < 0.035 and abs(flank.high_deg - high) < 0.035


def test_what_was_not_passed_or_too_fast_or_on_one_side_is_told_by_bore(rig):
    bores = sorted(range(len(DIAL.bores)), key=lambda n: DIAL.bores[n].hour_angle_deg)
    bench = LiveBench(replace(LAMP, covered=frozenset({bores[7]})))
    hours = [rig.real.bores[n].hour_angle_deg for n in bores]
    rig.pass_over(bench, hours[0] - 25, hours[4])  # half of the fifth bore
    rig.pass_over(bench, hours[5] - 5, hours[5] + 5, deg_per_s=20.0)  # in a hurry
    work(bench)
    needs = {one.bore: one.needs for one in bench.states()}
    for n in bores[:4]:
        assert needs[n] == ()
    assert needs[bores[4]] == ("its edge towards later hour angles was not passed",)
    assert len(needs[bores[5]]) == 2 and all("too fast" in one for one in needs[bores[5]])
    assert needs[bores[6]] == ("not passed yet",)
    assert needs[bores[7]] == ("was covered",)
    waiting = {DIAL.bores[n].channel for n in bores[4:]}
    assert bench.waiting() == sorted(waiting)
    # A slow pass over what was missing mends it; that is seen before it is worked out anew.
    rig.pass_over(bench, hours[4] - 5, hours[6] + 5)
    waits = {text for one in bench.states() for text in one.needs}
    assert waits == {"was covered", "passed, and to be worked out anew"}
    for _ in range(100):  # the shaft rests, and what came last is worked out
        bench.hear(rig.utc_us, round(bench.shaft.angle_deg * 65536 / 360), 0, True, (0, 0))
    work(bench, at_last=False)
    assert {text for one in bench.states() for text in one.needs} == {"was covered"}


def test_a_trace_that_fits_in_two_places_tells_no_bore(rig):
    bench = LiveBench(LAMP)
    hours = sorted(bore.hour_angle_deg for bore in rig.real.bores)
    # All bores are alike and evenly apart: which four of them are these?
    rig.pass_over(bench, hours[2] - 5, hours[5] + 5)
    work(bench)
    assert "more than one place" in bench.found.trouble and bench.edges() == []


def test_covered_bores_are_named_by_number():
    assert covered("1,3-5", 8) == {1, 3, 4, 5}
    with pytest.raises(UserError, match="--covered 9"):
        covered("9", 8)


def test_work_comes_due_by_growth_and_only_once_at_a_time(rig):
    bench, sizes = LiveBench(LAMP), []
    stands = np.arange(-50, 50, 0.05)
    for k, at in enumerate(stands.tolist()):
        raw = round(at * 65536 / 360) % 65536
        bench.hear(rig.utc_us + PERIOD_US * k, raw, 0, True, (0, 0))
        sweep = bench.due()
        if sweep is not None:
            sizes.append(len(bench.tracing))
            assert bench.due(at_last=True) is None
            bench.worked(Found(bench.setting, len(sweep) // 2, None, (), "nothing"))
    ratios = np.array(sizes[1:]) / sizes[:-1]
    assert len(sizes) > 8 and min(ratios) >= 1.4
    # All work together, if it goes with the looks, is a few times the last of it.
    assert sum(sizes) < 3.5 * sizes[-1]


def test_what_was_found_under_another_light_is_left(whole, rig):
    bench = LiveBench(LAMP)
    rig.pass_over(bench, -58, 58)
    bench.due()
    bench.relit(replace(LAMP, diameter_mm=0.0))
    bench.worked(whole.found)
    assert bench.found is None and bench.states()[0].entry_mm is None
    assert "zero is not known" in bench.states()[0].needs[0]


def test_work_that_nobody_waits_for_ends(rig):
    bench = LiveBench(LAMP)
    rig.pass_over(bench, -58, 58)
    with pytest.raises(GivenUp):
        worked_out(LAMP, bench.due(), lambda: False)


def test_a_trace_that_fits_no_dial_says_so_and_light_at_night_too(rig):
    bench = LiveBench(Setting(DIAL, None))
    rig.pass_over(bench, -58, 58)
    night = bench.due()
    night = replace(night, utc_us=night.utc_us + 12 * 3_600_000_000)
    assert "the Sun is down" in worked_out(bench.setting, night).trouble
    chance = np.random.default_rng(1)
    noise = replace(night, level=chance.random(len(night)))
    found = worked_out(LAMP, noise)
    assert found.apertures is None and "at no zero" in found.trouble
    bench.worked(replace(found, setting=bench.setting))
    assert "At no zero" in bench.sentences()[0]


def test_a_trace_comes_back_from_its_file(whole, tmp_path):
    sweep = whole.tracing.sweep()
    path = tmp_path / "sweep.csv"
    path.write_text(sweeps.text(sweep))
    read = sweeps.load(path, len(DIAL.channels), False)
    assert np.array_equal(read.channel, sweep.channel)
    assert np.allclose(read.level, sweep.level, atol=1e-5)
    assert np.array_equal(read.utc_us, sweep.utc_us)
    turned = np.degrees(read.angle - sweep.angle)
    assert np.allclose(turned, turned[0], atol=2e-5) and round(turned[0]) % 360 == 0


# What comes and is not worth keeping, or too much.


def test_a_shaft_that_rests_or_is_passed_again_adds_no_more():
    tracing = Tracing(2)
    for _ in range(500):
        tracing.add(0, 100, 0, True, (1, 2))
    assert len(tracing) == 4 and tracing.counts.again == 496
    for _ in range(50):
        for angle in (*range(0, 1600, 16), *range(1600, 0, -16)):
            tracing.add(0, angle, 0, True, (1, 2))
    # Four of each stand and way; where it turns back, of the way it came.
    assert 2 * 4 * 100 <= len(tracing) <= 2 * 4 * 101 + 8


def test_under_the_sun_looks_are_kept_by_time():
    tracing = Tracing(1)
    for k in range(100):
        tracing.add(100_000 * k, 7, records.UNTURNED, True, (k,))
    assert tracing.turned is False and len(tracing) == 5
    sweep = tracing.sweep()
    assert sweep.angle is None and sweep.utc_us.tolist() == [2_000_000 * k for k in range(5)]
    # An angle that appears from nowhere is not of this trace.
    assert not tracing.add(99_000_000, 7, 0, True, (1,)) and tracing.counts.shaftless == 1


def test_looks_without_use_are_counted_by_reason():
    bench = LiveBench(LAMP)
    for state, is_lit, levels in (
        (records.NO_MAGNET, True, (1, 2)),
        (records.SILENT, True, (1, 2)),
        (0, False, (1, 2)),
        (0, True, (1, 2, 3)),
        (records.WEAK, True, (1, 2)),
    ):
        bench.hear(0, 5, state, is_lit, levels, dropped=7)
    bench.hear(0, 50, 0, True, (1, 2), dropped=3)  # 65532 later, modulo 65536
    counts = bench.tracing.counts.as_dict()
    assert counts == {
        "kept": 2, "again": 0, "dark": 1, "shaftless": 2, "alien": 1, "full": 0, "dropped": 65532,
    }  # fmt: skip
    bench.tracing.interrupted()
    bench.hear(0, 90, 0, True, (1, 2), dropped=9)
    assert bench.tracing.counts.dropped == 65532
    text = " ".join(bench.sentences())
    for words in ("told no angle", "another number of channels", "without light", "dropped"):
        assert words in text


def test_memory_is_bounded_whatever_comes():
    tracing = Tracing(128)
    levels = tuple(range(128))
    tracemalloc.start()
    for k in range(14_000):
        tracing.add(k, (k * 40503) % 65536, 0, True, levels)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert tracing.is_full and tracing.counts.full == 14_000 - len(tracing)
    assert len(tracing) * 128 <= 1_500_000 and peak < 30e6


# A board that is not as it should be.


class Bench(BoardDouble):
    """Traces as soon as it is asked to: the looks that a test gives it."""

    def __init__(self, frames, channels=33):
        super().__init__(clock_ms=lambda: 1000)
        self.frames = frames
        self.channels = channels

    def answer_to(self, data):
        before = self.tracing
        frames = super().answer_to(data)
        return frames if before or not self.tracing else [*frames, *self.frames(self)]


def traced(frames, setting, life=None, seconds=0.5, boards=1):
    """A bench after a trace of doubles over lines in memory; and what was noted."""
    bench, noted, time = LiveBench(setting), [], Time()
    opened = []

    def opening(port, clock):
        double = Bench(frames, len(setting.dial.channels))
        double.boot = 1 + len(opened)
        opened.append(double)
        line = DirectLine(double, time, life=life if len(opened) < boards else None)
        return Board(line, port, clock, time.seconds)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Board, "open", opening)
        patch.setattr("dialbench.link.patience.ports.likely", list)
        patch.setattr(live.time, "monotonic", time.seconds)
        patch.setattr(live.time, "sleep", lambda wait_s: setattr(time, "s", time.s + wait_s))
        live.trace(bench, "there", time, noted.append, seconds, lambda: None)
    return bench, noted, opened


WIDE = laid([(0.0, 4.0 * k, [(3.0 * k - 48, 0.0, "slot", 0.6, 3.5, 50.0)]) for k in range(33)])


def test_garbage_and_foreign_looks_leave_the_trace_whole():
    def frames(double):
        good = [double.traced(k, 16 * k, 0, (k,) * 33) for k in range(40)]
        bad = [
            bytes(range(256)) * 3,
            framing.encode(b"\x49"),
            framing.encode(messages.body(messages.TRACED, 0, b"\xff" * 700, double.session)),
            framing.encode(messages.body(messages.TRACED, 0, b"\x00" * 60, double.session)),
            double.traced(1 << 60, 3),
            double.traced(5, 9999, 0, (1, 2, 3)),
        ]
        return [part for k, one in enumerate(good) for part in (one, bad[k % len(bad)])]

    bench, _, _ = traced(frames, Setting(WIDE, 1000.0, 2.0, 8.0))
    assert len(bench.tracing) == 40
    assert bench.tracing.levels(5).tolist() == [k / 1024 for k in range(40)]
    assert bench.tracing.counts.alien >= 6


def test_a_board_that_starts_anew_goes_on_in_the_same_trace():
    def frames(double):
        first = 100 * double.boot
        return [double.traced(k, 16 * (first + k), 0, (k,) * 33) for k in range(50)]

    bench, noted, opened = traced(
        frames, Setting(WIDE, 1000.0, 2.0, 8.0), life=3000, seconds=8.0, boards=2
    )
    assert len(opened) >= 2 and any("waiting" in text for text in noted)
    stands = set(np.rint(bench.tracing.angle_deg() * 65536 / 360 / 16).astype(int).tolist())
    assert 150 <= 200 + 49 == max(stands) and min(stands) == 100


def test_a_board_that_is_not_the_dials_is_refused_and_an_old_one_told_of():
    with pytest.raises(live.BoardError, match=r"not this dial's, which has 2 channels: it has 33"):
        traced(lambda double: [], LAMP)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Bench, "old", (messages.TRACE,), raising=False)
        patch.setattr(BoardDouble, "__init__", _old(BoardDouble.__init__))
        with pytest.raises(UserError, match="older than live traces"):
            traced(lambda double: [], Setting(WIDE, 1000.0))


def _old(init):
    def made(self, *arguments, **named):
        init(self, *arguments, **named)
        self.old = (messages.TRACE,)

    return made


def test_a_board_without_an_encoder_is_traced_under_the_sun_and_not_before_a_lamp():
    def frames(double):
        return [double.traced(3000 * k, 0, records.UNTURNED, (k,) * 33) for k in range(70)]

    bench, _, _ = traced(frames, Setting(WIDE, 1000.0, 2.0, 8.0))
    assert bench.tracing.turned is False and len(bench.tracing) > 60
    work(bench)
    assert "fit an encoder, or use --sun" in bench.found.trouble
    assert bench.shaft.angle_deg is None


def test_no_board_at_all_ends_when_the_time_is_up():
    bench, time = LiveBench(LAMP), Time()

    def opening(port, clock):
        raise LinkLost("nothing there")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Board, "open", opening)
        patch.setattr(live.time, "monotonic", time.seconds)
        patch.setattr(live.time, "sleep", lambda wait_s: setattr(time, "s", time.s + wait_s))
        noted = []
        live.trace(bench, "there", time, noted.append, 5.0, lambda: None)
    assert noted == ["nothing there; waiting"] and len(bench.tracing) == 0
