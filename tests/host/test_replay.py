"""Days replayed: against light fractions sampled by themselves, against traced light, and as
pictures taken apart again."""

import json
import re
from dataclasses import replace
from datetime import date, time

import numpy as np
import pytest
from lxml import etree
from tests.deployment import small_dial
from tests.host import traced
from tests.host.dials import NORTH, bore, dial
from tests.host.typed import typed

from dialbench import dialfile, predict
from dialbench.compare import Measured
from dialbench.errors import UserError
from dialbench.link import Board
from dialbench.logged import Logged, board_log
from dialbench.reading import minutes, zone_time
from dialbench.replay import facts
from dialbench.replay.days import predicted_day, stored_day
from dialbench.replay.picture import FRAMES, animated
from dialbench.replay.timeline import STATES, Timeline
from dialbench.replay.track import counted, looked_up
from dialbench.sky import Sky
from dialbench.states import State, states
from dialbench.store import Store
from dialbench.virtual.clouds import Clear
from dialbench.virtual.light import tracer
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

DAY = date(2027, 4, 16)
SVG = "{http://www.w3.org/2000/svg}"
NEAR = 0.02  # of lit fraction: traced light and its crossings are no better


@pytest.fixture(scope="module")
def spelt():
    return traced.spelt(channels=6, steps=12)


@pytest.fixture(scope="module")
def sky(spelt):
    return Sky(spelt.site)


@pytest.fixture(scope="module")
def predicted(spelt, sky):
    return predicted_day(spelt, sky, DAY)


@pytest.fixture(scope="module")
def truth(spelt):
    """Bores so far off that whole minutes are missing or stray."""
    return traced.truth_of(spelt, axis_deg=1.0)


def levels(lit, channels):
    """What a snapshot says: two bits a channel."""
    return bytes(
        sum(3 << 2 * k for k in range(4) if 4 * byte + k in lit)
        for byte in range(-(-channels // 4))
    )


@pytest.fixture(scope="module")
def log(truth, sky):
    """With a snapshot whenever the Sun comes out, as a board takes it."""
    log = traced.log_of(truth, sky, [DAY], noise=0.0, cloudy=True)
    starts = [start for start, _ in log.observed]
    shown = shining(truth, sky, starts)
    shots = [levels(set(np.flatnonzero(row >= 0.5)), len(row)) for row in shown]
    return replace(log, snapshots=list(zip(starts, shots, strict=True)))


def shining(truth, sky, at_us):
    """Traced light (instants, channels)."""
    sun = sky.sun(np.array(at_us))
    return tracer(truth, traced.RAYS).lit_fractions(sun.polar, sun.semidiameter_deg)


@pytest.fixture(scope="module")
def stored(log, spelt, sky):
    return stored_day(log, spelt, sky, DAY)


def some(timeline, count=400, seed=5):
    """Instants at random."""
    return np.random.default_rng(seed).integers(timeline.start_us, timeline.end_us, count)


def named(timeline, at_us):
    return np.array(STATES, object)[timeline.states.at(at_us)]


# -- tracks


def test_a_track_counts_intervals_as_one_would_by_hand():
    rng = np.random.default_rng(1)
    channel = rng.integers(0, 3, 60)
    begin = rng.integers(-20, 110, 60)
    end = begin + rng.integers(0, 30, 60)
    track = counted(3, 0, 100, channel, begin, end)
    by_hand = [
        [int(((channel == c) & (begin <= at) & (at < end)).sum()) for c in range(3)]
        for at in range(100)
    ]
    assert track.at(np.arange(100)).tolist() == by_hand
    same = (track.value[1:] == track.value[:-1]) & (track.channel[1:] == track.channel[:-1])
    assert not same.any()


def test_tracks_are_looked_up_together():
    one = counted(2, 10, 50, np.array([0, 1]), np.array([20, 10]), np.array([30, 50]))
    other = counted(2, 10, 50, np.array([0, 1]), np.array([25, 40]), np.array([50, 45]))
    both = looked_up(one, other, np.array([[0, 1], [2, 3]]))
    at = np.arange(10, 50)
    assert (both.at(at) == 2 * one.at(at) + other.at(at)).all()


@pytest.mark.parametrize("at", [9, 50])
def test_instants_outside_are_refused(at):
    track = counted(1, 10, 50, np.array([0]), np.array([20]), np.array([30]))
    with pytest.raises(ValueError, match="outside"):
        track.at(at)


# -- days


def test_a_predicted_day_is_that_of_the_lit_fractions(predicted, spelt, sky):
    at_us = some(predicted)
    sun = sky.sun(at_us)
    fractions = predict.lit_fractions(spelt, sun)
    sure = abs(fractions - 0.5) > 1e-4
    expected = np.where(fractions >= 0.5, State.LIT, State.DARK)
    assert (named(predicted, at_us) == expected)[sure].all()
    assert sure.mean() > 0.99 and (fractions[sure] > 0.5).mean() > 0.1
    assert sun.up.all() and not sky.sun(np.array([predicted.end_us + 2000])).up.any()


def test_a_stored_day_is_that_of_traced_light(stored, log, truth, spelt, sky):
    at_us = some(stored, 300)
    sun = sky.sun(at_us)
    measured = shining(truth, sky, at_us)
    fractions = predict.lit_fractions(spelt, sun)
    seen = np.zeros(len(at_us), bool)
    for start, end in log.observed:
        seen |= (at_us >= start) & (at_us < end)
    expected = [
        states([3 if level >= 0.5 else 0 for level in row], predicted)
        if there
        else (State.UNOBSERVED,) * len(row)
        for there, row, predicted in zip(seen, measured, fractions, strict=True)
    ]
    sure = (abs(measured - 0.5) > NEAR) & (abs(fractions - 0.25) > 1e-4)
    sure &= abs(fractions - 0.75) > 1e-4
    got = named(stored, at_us)
    wrong = (got != np.array(expected, object)) & sure
    assert not wrong.any(), [(at_us[k], c, got[k, c]) for k, c in np.argwhere(wrong)]
    assert {state for row, ok in zip(got, sure, strict=True) for state in row[ok]} == set(State)


def logged(crossings, observed, snapshots=(), **more):
    """A log of (utc_us, channel, rise) at 0.50."""
    utc_us, channel, rise = (
        np.array(column) for column in (zip(*crossings) if crossings else ([], [], []))
    )
    return Logged(
        Measured(
            channel.astype(np.int64),
            np.ones(len(utc_us), np.int64),
            rise.astype(bool),
            utc_us.astype(np.int64),
            np.full(len(utc_us), 0.01),
        ),
        list(observed),
        list(snapshots),
        None,
        **more,
    )


def lit_at(timeline, at_us):
    shown = named(timeline, at_us)[0]
    return {c for c, state in enumerate(shown) if state in (State.LIT, State.STRAY)}


def test_a_snapshot_says_what_was_lit_and_crossings_go_on_from_there(spelt, sky):
    noon = sky.noon_us(DAY)
    minute = 60_000_000
    log = logged(
        [(noon + 5 * minute, 2, False), (noon + 9 * minute, 4, True)],
        [(noon, noon + 10 * minute), (noon + 20 * minute, noon + 30 * minute)],
        [(noon - 400_000, levels({2, 3}, 6)), (noon + 20 * minute, levels({1, 9}, 12))],
    )
    day = stored_day(log, spelt, sky, DAY)
    assert [lit_at(day, noon + k * minute) for k in (1, 6, 9, 25)] == [{2, 3}, {3}, {3, 4}, {1}]
    assert (named(day, noon + 15 * minute) == State.UNOBSERVED).all()


def test_time_in_which_nothing_was_logged_at_half_is_unobserved(spelt, sky):
    noon = sky.noon_us(DAY)
    seen, blind = (noon, noon + 60_000_000), (noon + 60_000_000, noon + 120_000_000)
    log = logged([], [seen, blind], unlogged={1: [blind]})
    day = stored_day(log, spelt, sky, DAY)
    assert State.UNOBSERVED not in named(day, noon + 30_000_000)
    assert (named(day, noon + 90_000_000) == State.UNOBSERVED).all()


def test_light_logged_at_night_is_shown_where_the_log_has_it(spelt, sky):
    """A clock that is hours off: nothing of it is hidden."""
    night = sky.noon_us(DAY) - 11 * 3_600_000_000
    log = logged(
        [(night + 1_000_000, 3, True)], [(night, night + 60_000_000)], [(night, levels({0}, 6))]
    )
    day = stored_day(log, spelt, sky, DAY)
    assert day.start_us == night
    assert [State.STRAY if c in (0, 3) else State.DARK for c in range(6)] == list(
        named(day, night + 30_000_000)[0]
    )


def test_only_the_day_asked_for_is_shown(spelt, sky):
    noon = sky.noon_us(DAY)
    log = logged([(noon - 86_400_000_000, 1, True)], [(noon - 86_400_000_000, noon)])
    day = stored_day(log, spelt, sky, DAY)
    assert day.end_us - day.start_us <= 86_400_000_000
    assert lit_at(day, noon - 1) == {1}


def test_an_instant_says_what_the_dial_reads(predicted, spelt, sky):
    step = spelt.plan.steps[7]
    at_us = sky.noon_us(DAY) + int((step.start_min - 720 + 7) * 60e6)
    shown = predicted.at(at_us)
    assert (shown.reads, shown.should_read) == (step, step)
    middle = step.start_min + 7.5 - minutes(zone_time(spelt, at_us))
    assert shown.difference_min == pytest.approx(middle)
    assert shown.sun.up and shown.observed
    assert predicted.at(predicted.start_us).reads is None


def test_the_clocks_time_of_day_finds_its_instant(predicted, spelt):
    at_us = predicted.instant_us(time(12, 30))
    assert f"{zone_time(spelt, at_us):%Y-%m-%d %H:%M:%S}" == "2027-04-16 12:30:00"
    assert predicted.instant_us(time(3)) is None


def test_stretches_cover_the_day_and_say_what_its_instants_say(stored):
    cut = stored.stretches
    assert (cut[0].start_us, cut[-1].end_us) == (stored.start_us, stored.end_us)
    assert [one.end_us for one in cut[:-1]] == [one.start_us for one in cut[1:]]
    for one in cut:
        for at_us in (one.start_us, (one.start_us + one.end_us) // 2, one.end_us - 1):
            shown = stored.at(at_us)
            assert (one.observed, one.reads) == (shown.observed, shown.reads)
            assert one.missing == shown.channels(State.MISSING)
            assert one.stray == shown.channels(State.STRAY)
    assert any(one.missing for one in cut) and any(one.stray for one in cut)


def test_the_changes_of_the_json_rebuild_every_instant(stored):
    told = json.loads(json.dumps(facts.as_dict(stored)))
    at_us = np.sort(some(stored, 50))
    own, waiting = {}, list(told["changes"])
    for instant in at_us.tolist():
        while waiting and waiting[0]["utc_us"] <= instant:
            own |= waiting.pop(0)["states"]
        shown = facts.instant_dict(stored.at(instant))
        assert [own[str(c)] for c in range(told["channels"])] == shown["states"]


def test_no_sun_is_a_sentence():
    polar = replace(NORTH, latitude_deg=80.0)
    here = dial(bore(), site=polar)
    with pytest.raises(UserError, match="the Sun does not rise at Gannet Holm on 2027-12-21"):
        predicted_day(here, Sky(polar), date(2027, 12, 21))


def test_the_polar_day_lasts_a_day():
    polar = replace(NORTH, latitude_deg=80.0)
    day = predicted_day(dial(bore(), site=polar), Sky(polar), date(2027, 6, 21))
    assert day.states.span_us == pytest.approx(86_400_000_000, abs=1e6)


def test_a_skyline_above_the_sun_is_no_day_either():
    walled = replace(NORTH, horizon=((0.0, 80.0), (180.0, 80.0)))
    with pytest.raises(UserError, match="does not rise"):
        predicted_day(dial(bore(), site=walled), Sky(walled), DAY)


@pytest.mark.parametrize("day", [date(1800, 1, 1), date(2100, 1, 1), date.min, date.max])
def test_days_without_ephemeris_are_a_sentence(spelt, sky, day):
    with pytest.raises(UserError, match="the Sun's place is known from"):
        predicted_day(spelt, sky, day)


def test_a_day_without_data_says_which_days_have_some(log, spelt, sky):
    with pytest.raises(UserError, match="no direct sun on 2027-04-20; .* seen on 2027-04-16"):
        stored_day(log, spelt, sky, date(2027, 4, 20))
    with pytest.raises(UserError, match="or any other day"):
        stored_day(logged([], []), spelt, sky, DAY)


def test_times_of_no_calendar_are_a_sentence(spelt, sky):
    with pytest.raises(UserError, match="the Sun's place is known from"):
        stored_day(logged([], [(1 << 60, (1 << 60) + 1)]), spelt, sky, DAY)


# -- the picture


def parsed(text):
    return etree.fromstring(text.encode(), etree.XMLParser(resolve_entities=False, no_network=True))


def scene(picture, kind="moving"):
    [group] = picture.iterfind(f".//{SVG}g[@class='{kind}']")
    return list(group.iterfind(f".//{SVG}use"))


def frames(use):
    """The name of the shape at every frame."""
    animate = use.find(f"{SVG}animate")
    if animate is None:
        return [use.get("href")] * FRAMES
    assert (animate.get("attributeName"), animate.get("calcMode")) == ("href", "discrete")
    times = [float(share) for share in animate.get("keyTimes").split(";")]
    values = animate.get("values").split(";")
    assert times[0] == 0 and times == sorted(set(times)) and times[-1] < 1
    assert len(values) == len(times)
    middles = (np.arange(FRAMES) + 0.5) / FRAMES
    return [values[k] for k in np.searchsorted(times, middles, side="right") - 1]


@pytest.fixture(scope="module", params=["predicted", "stored"])
def timeline(request):
    return request.getfixturevalue(request.param)


def test_the_picture_shows_the_timeline_at_every_frame(timeline, spelt):
    uses = scene(parsed(animated(timeline)))
    at_us = [timeline.start_us + k * timeline.states.span_us // FRAMES for k in range(FRAMES)]
    shown = named(timeline, at_us)
    for channel, use in enumerate(uses[:6]):
        assert frames(use) == [f"#{state.value[0]}" for state in shown[:, channel]]
    clock = [zone_time(spelt, at).strftime("%H%M") for at in at_us]
    drawn = zip(*(frames(use) for use in uses[7:11]), strict=True)
    assert ["".join(sign[2:] for sign in signs) for signs in drawn] == clock


def test_the_picture_spells_what_the_dial_reads(timeline, spelt):
    picture = parsed(animated(timeline))
    texts = {f"#{text.get('id')}": text.text for text in picture.iterfind(f".//{SVG}text[@id]")}
    for k, name in enumerate(frames(scene(picture)[6])):
        if k % 37:
            continue
        shown = timeline.at(timeline.start_us + k * timeline.states.span_us // FRAMES)
        due = shown.reads.spells if shown.reads else "no face of the plan"
        assert texts[name] == (due if shown.observed else "not observed")


def test_where_nothing_moves_the_middle_of_the_day_stands(timeline):
    picture = parsed(animated(timeline))
    shown = named(timeline, timeline.start_us + FRAMES // 2 * timeline.states.span_us // FRAMES)
    for kind in ("moving", "still"):
        names = [use.get("href") for use in scene(picture, kind)[:6]]
        assert names == [f"#{state.value[0]}" for state in shown[0]]
    [still] = picture.iterfind(f".//{SVG}g[@class='still']")
    assert not [one for one in still.iter() if "animate" in str(one.tag)]
    assert "prefers-reduced-motion" in picture.findtext(f".//{SVG}style")


def test_the_picture_needs_nothing_but_itself(timeline):
    text = animated(timeline, seconds=12.5)
    picture = parsed(text)
    ids = [one.get("id") for one in picture.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    for one in picture.iter():
        tag = etree.QName(one).localname
        assert tag not in ("script", "image", "foreignObject", "a", "set")
        assert not [name for name in one.attrib if name.startswith("on")]
        if one.get("href"):
            assert one.get("href")[1:] in ids
        if tag.startswith("animate"):
            assert (one.get("dur"), one.get("repeatCount")) == ("12.5s", "indefinite")
            assert all(v[1:] in ids for v in one.get("values").split(";") if v[0] == "#")
    assert text.count("http") == 1 and "url(" not in text and "@import" not in text
    assert picture.get("role") == "img"
    assert picture.get("aria-labelledby").split() == ["title", "told"]
    assert len(picture.findtext(f"{SVG}title")) > 10 and len(picture.findtext(f"{SVG}desc")) > 100


def test_each_state_has_a_shape_of_its_own(predicted):
    picture = parsed(animated(predicted))
    drawn = [picture.find(f".//*[@id='{state.value[0]}']") for state in State]
    assert len({(one.tag, re.sub("[0-9.]+", "", one.get("d", ""))) for one in drawn}) == 5


def test_the_same_day_gives_the_same_bytes(predicted, spelt):
    again = predicted_day(spelt, Sky(spelt.site), DAY)
    assert animated(again) == animated(predicted)


HOSTILE = "</title><script>alert(1)</script>\x1b[2J\ud800&amp;\"'" + "x" * 300


def test_names_are_only_names(predicted, spelt):
    steps = tuple(replace(step, spells=f"<b>{step.spells}\x00") for step in spelt.plan.steps)
    bad = replace(
        spelt,
        name=HOSTILE,
        site=replace(spelt.site, name="]]>" + HOSTILE),
        plan=replace(spelt.plan, steps=steps),
    )
    text = animated(replace(predicted, dial=bad))
    picture = parsed(text)
    assert not list(picture.iter(f"{SVG}script", f"{SVG}b"))
    assert "\x1b" not in text and "<script" not in text and "<b>" not in text
    heading = picture.findtext(f"{SVG}title")
    assert heading.startswith("</title><script>alert(1)</script>\\x1b[2J") and len(heading) < 160


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_a_log_that_flickers_all_day_makes_no_endless_picture(spelt, sky):
    """The most that a picture can hold: 128 channels that change with every frame."""
    many = replace(spelt, channels=spelt.channels[:1] * 128)
    span_us = 43_200_000_000
    start_us = sky.noon_us(DAY) - span_us // 2
    frame, channel = np.nonzero(np.random.default_rng(2).random((FRAMES, 128)) < 0.5)
    edges_us = start_us + np.arange(FRAMES + 1) * span_us // FRAMES
    end_us = start_us + span_us
    measured = counted(128, start_us, end_us, channel, edges_us[frame], edges_us[frame + 1])
    flickering = Timeline(many, sky, DAY, "stored", measured)
    assert len(animated(flickering)) < 5_000_000


# -- the command


@pytest.fixture(scope="module")
def files(tmp_path_factory, spelt):
    """A dial's file, and two that are none."""
    folder = tmp_path_factory.mktemp("replay")
    (folder / "dial.toml").write_text(dialfile.dump(spelt))
    (folder / "none.toml").write_text("what?")
    return folder


@pytest.fixture
def store(tmp_path, capsys, log, spelt):
    return traced.imported(typed, capsys, tmp_path, log, spelt)


def test_the_command_tells_a_predicted_day(files, capsys, predicted, spelt):
    ran = typed(capsys, "replay", files / "dial.toml", "--on", DAY)
    assert (ran.returncode, ran.stderr) == (0, "")
    lines = ran.stdout.splitlines()
    assert lines[0] == "spelt, Gannet Holm: 2027-04-16, predicted."
    assert len(lines) == 2 + len(predicted.stretches)
    assert re.search(r"^\d\d:\d\d:\d\d  \d\d:\d\d:\d\d +03:00 *$", ran.stdout, re.MULTILINE)


def test_the_command_tells_a_stored_day_and_draws_it(store, capsys, log, spelt, sky, tmp_path):
    stored = stored_day(replace(log, snapshots=[]), spelt, sky, DAY)  # CSV files hold none
    words = ["--on", DAY, "--json", "--at", "12:30", "--picture", tmp_path / "day.svg"]
    ran = typed(capsys, "replay", store, *words, "--speed", "3600")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert told["schema"] == "dialbench.replay/1"
    assert (told["kind"], told["day"], told["left_out"]) == ("stored", "2027-04-16", [])
    assert len(told["log"]) == 16
    assert told["changes"] == facts.as_dict(stored)["changes"]
    assert told["at"] == json.loads(
        json.dumps(facts.instant_dict(stored.at(stored.instant_us(time(12, 30)))))
    )
    text = (tmp_path / "day.svg").read_text()
    assert f'dur="{stored.states.span_us / 3.6e9:g}s"' in text
    assert f"{len(text) / 1000:.0f} kB" in ran.stderr


def test_one_instant_as_text(files, capsys):
    ran = typed(capsys, "replay", files / "dial.toml", "--on", DAY, "--at", "12:00:30")
    assert (ran.returncode, ran.stderr) == (0, "")
    for said in ("spelt, Gannet Holm", "zone clock     12:00:30  -01:00", "missing 0", "altitude"):
        assert said in ran.stdout


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--on", "2027-02-30"], "--on 2027-02-30: is no day; write one such as 2027-04-16"),
        (["--on", "20270416"], "--on 20270416: is no day"),
        (["--on", "2027-04-16", "--at", "25:00"], "--at 25:00: is no time"),
        (["--on", "2027-04-16", "--at", "03:00"], "2027-04-16 goes from 05:2"),
        (["--on", "2100-01-01"], "the Sun's place is known from"),
        (["--on", "2027-04-16", "--seconds", "5"], "add --picture FILE"),
        (["--on", "2027-04-16", "--board", "00"], "go with a store"),
        (
            ["--on", "2027-04-16", "--picture", "no/such/x.svg"],
            "cannot be written (No such file or directory)",
        ),
        (
            ["--on", "2027-04-16", "--picture", "x.svg", "--speed", "9", "--seconds", "9"],
            "give only one",
        ),
    ],
)
def test_what_cannot_be_is_one_sentence(files, capsys, monkeypatch, words, sentence):
    monkeypatch.chdir(files)
    ran = typed(capsys, "replay", "dial.toml", *words)
    assert (ran.returncode, ran.stdout) == (2, "")
    [line] = ran.stderr.splitlines()
    assert line.startswith("dialbench: ") and sentence in line
    assert {path.name for path in files.iterdir()} == {"dial.toml", "none.toml"}


@pytest.mark.parametrize("name", ["none.toml", "absent.toml", "."])
def test_a_file_that_is_neither_is_told_in_sentences(files, capsys, monkeypatch, name):
    monkeypatch.chdir(files)
    ran = typed(capsys, "replay", name, "--on", DAY)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert all(line.startswith("dialbench: ") for line in ran.stderr.splitlines())


def test_no_file_is_written_over(files, capsys, tmp_path):
    there = tmp_path / "there.svg"
    there.write_text("mine")
    ran = typed(capsys, "replay", files / "dial.toml", "--on", DAY, "--picture", there)
    assert ran.returncode == 2 and "is not written over" in ran.stderr
    assert there.read_text() == "mine"


def test_of_a_store_the_log_must_be_told_apart_and_the_dial_be_its_own(
    store, files, capsys, tmp_path
):
    ran = typed(capsys, "replay", store, "--on", "2027-04-17")
    assert ran.returncode == 2 and "seen on 2027-04-16" in ran.stderr
    ran = typed(capsys, "replay", store, "--on", DAY, "--board", "00")
    assert ran.returncode == 2 and "--board 00" in ran.stderr
    other = tmp_path / "other.toml"
    other.write_text(dialfile.dump(dial(bore())))
    ran = typed(capsys, "replay", store, "--on", DAY, "--dial", other)
    assert ran.returncode == 2 and "has 1 channels" in ran.stderr


# -- the real firmware's log


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_what_the_virtual_dials_board_logged_is_what_its_light_did(tmp_path):
    """Three hours round noon, a body turned by half a degree, through firmware, wire and store."""
    here = small_dial()
    sky = Sky(here.site)
    turned = Truth.draw(here, 4, turned_deg=0.5)
    noon_us = sky.noon_us(DAY)
    start_us, end_us = (noon_us + hours * 5_400_000_000 for hours in (-1, 1))
    with (
        VirtualDial(turned, Clear(), tmp_path / "board", start_us, scan_ms=1000) as virtual,
        Store.open(tmp_path / "store.sqlite") as store,
        Board.open(virtual.port, virtual.clock) as board,
    ):
        store.add_board(board.hello)
        store.add_mark(board.hello.uid, board.mark())
        virtual.run(start_us, end_us)
        board.pull(store)
        day = stored_day(board_log(store, board.hello.uid, here.hash), here, sky, DAY)
    at_us = np.random.default_rng(1).integers(start_us + 60_000_000, end_us - 900_000_000, 1500)
    sun = sky.sun(at_us)
    light = tracer(turned, traced.RAYS).lit_fractions(sun.polar, sun.semidiameter_deg)
    fractions = predict.lit_fractions(here, sun)
    got = named(day, at_us)
    expected = [
        states([3 if level >= 0.5 else 0 for level in row], predicted)
        for row, predicted in zip(light, fractions, strict=True)
    ]
    sure = abs(light - 0.5) > 0.1  # a board has noise, and looks once a second
    wrong = (got != np.array(expected, object)) & sure & (got != State.UNOBSERVED)
    assert not wrong.any(), [(at_us[k], c, got[k, c]) for k, c in np.argwhere(wrong)]
    assert (got == State.UNOBSERVED).mean() < 0.01
    assert {State.LIT, State.DARK, State.MISSING, State.STRAY} <= set(got.ravel())
