"""The correction card: applied to readings of a Sun that Skyfield places, it gives the time."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from lxml import etree

from dialbench import dialfile
from dialbench.card import CardError, card, minutes, time_of
from dialbench.de421 import source
from dialbench.dial import Plan, Site, Step
from dialbench.layout import plan_edges_deg
from dialbench.plots import card as sheet
from dialbench.plots import figure

SITES = [
    Site("Gannet Holm", 41.2, -16.4, 24.0, "Atlantic/Azores", 1010.0, 12.0),
    Site("South Holm", -33.9, 151.2, 40.0, "Australia/Sydney", 1013.0, 18.0),
    Site("High Holm", 27.7, 85.3, 1400.0, "Asia/Kathmandu", 860.0, 15.0),
    Site("Far Holm", 1.9, -157.4, 3.0, "Pacific/Kiritimati", 1012.0, 27.0),
]


def plan_of(kind, design=None):
    steps = tuple(
        Step(k, 540.0 + 20 * k, f"{9 + k // 3:02}:{20 * (k % 3):02}", frozenset({k}))
        for k in range(18)
    )
    return Plan(kind, 20.0, steps, design)


@pytest.fixture(scope="module")
def demo():
    return dialfile.demo()


def readings(dial, year, rng, count=900):
    """(instant, minutes after midnight that the dial spells) at random times of a year: the
    Sun's apparent hour angle by Skyfield itself, the step by the plan's edges."""
    sky = source()
    start = datetime(year, 1, 1, tzinfo=UTC)
    moments = [start + timedelta(minutes=float(m)) for m in rng.uniform(0, 525_000, count)]
    from skyfield.api import wgs84

    site = dial.site
    spot = wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
    at = (sky.earth + spot).at(sky.timescale.from_datetimes(moments)).observe(sky.sun).apparent()
    hours, _, _ = at.hadec()
    altitude, _, _ = at.altaz()
    edges = plan_edges_deg(site, dial.plan)
    hour_deg = (hours.hours * 15 + 180) % 360 - 180
    step = np.searchsorted(edges, hour_deg, side="right") - 1
    for moment, k, high in zip(moments, step.tolist(), altitude.degrees.tolist(), strict=True):
        if 0 <= k < len(dial.plan.steps) and high > 8:
            yield moment, dial.plan.steps[k].start_min


@pytest.mark.parametrize("kind", ["zone", "mean", "apparent"])
@pytest.mark.parametrize("site", SITES, ids=lambda site: site.name)
def test_applied_to_readings_it_leaves_half_a_step(demo, site, kind):
    design = date(2027, 4, 16) if kind == "zone" else None
    dial = replace(demo, site=site, plan=plan_of(kind, design))
    found = card(dial, 2027)
    swing_min = max(day.swing_s for day in found.days if day.swing_s is not None) / 60
    assert swing_min < 0.75
    zone = ZoneInfo(site.zone)
    off = []
    months = set()
    for moment, spelled_min in readings(dial, 2027, np.random.default_rng(3)):
        local = moment.astimezone(zone)
        if local.year != 2027:
            continue
        clock_min = 60 * local.hour + local.minute + local.second / 60 + local.microsecond / 6e7
        told = time_of(dial, found, spelled_min, moment)
        off.append((told - clock_min + 720) % 1440 - 720)
        months.add(local.month)
    assert len(off) > 150
    assert months == set(range(1, 13))
    assert max(map(abs, off)) <= dial.plan.step_min / 2 + swing_min + 0.1
    # Half a step is really needed: nothing but the step's own width is left.
    assert np.ptp(off) > 0.95 * dial.plan.step_min


def test_summer_time_comes_and_goes_on_the_right_days(demo):
    """The European Union's directive 2000/84/EC and New South Wales' Standard Time Act, from
    memory: last Sundays of March and October; first ones of October and April."""
    north = card(replace(demo, site=SITES[0]), 2027)
    assert north.changes == (
        (date(2027, 1, 1), 0),
        (date(2027, 3, 28), 60),
        (date(2027, 10, 31), 0),
    )
    south = card(replace(demo, site=SITES[1]), 2027)
    assert south.changes == (
        (date(2027, 1, 1), 60),
        (date(2027, 4, 4), 0),
        (date(2027, 10, 3), 60),
    )
    assert any(
        "ahead of the zone's standard time: from 1 January +60" in x for x in south.sentences()
    )
    assert any("all the year" in line for line in card(demo, 2027).sentences())


@pytest.mark.parametrize("site", SITES[:2], ids=lambda site: site.name)
def test_a_dial_turned_east_reads_later(demo, site):
    """In either hemisphere a body turned to the east meets the Sun earlier in the day."""
    dial = replace(demo, site=site, plan=plan_of("zone"))
    east = -site.hemisphere * -1.0  # P's y lies to the east in the north, to the west in the south
    straight, turned = card(dial, 2027), card(dial, 2027, (0.0, 0.0, east))
    for before, after in zip(straight.days, turned.days, strict=True):
        assert after.add_min == pytest.approx(before.add_min - 4, abs=0.01)
        assert after.east_deg == pytest.approx(before.east_deg - 1, abs=0.0025)


def test_the_years_around_differ_by_what_a_leap_day_does(demo):
    """The equation of time changes by 30 s a day at most (late December), and a date slips
    by up to three quarters of a day between two leap days."""
    found = card(demo, 2027)
    assert 15 < found.jitter_s < 27
    assert found.as_dict()["leap_year_jitter_s"] == found.jitter_s


def test_forgotten_grows_with_time_and_is_measured_over_the_year_s_end(demo):
    found = card(demo, 2027)
    assert 0 < found.forgotten_min(1) < found.forgotten_min(7) < found.forgotten_min(30)
    assert found.forgotten_min(1) == pytest.approx(0.5, abs=0.02)


def test_polar_night_is_told(demo):
    site = replace(SITES[0], latitude_deg=78.2, longitude_deg=15.6, zone="+01:00")
    found = card(replace(demo, site=site), 2027)
    dark = [day for day in found.days if day.swing_s is None]
    assert 100 < len(dark) < 130
    assert any("stays down" in line for line in found.sentences())
    assert "no Sun" in str(found.table())


@pytest.mark.parametrize("year", [1600, 0, 1899, 2053, 9999])
def test_a_year_out_of_reach_is_refused(demo, year):
    with pytest.raises(CardError, match=f"--year {year}: a card can be made for 1900 to 2052"):
        card(demo, year)


def test_minutes_carry_their_sign():
    assert minutes(-0.001) == "+0 min 00 s"
    assert minutes(-0.5) == "-0 min 30 s"
    assert minutes(14.25) == "+14 min 15 s"


HOSTILE = "<script>$x^2$\x1b[2J & \u202e"


def test_the_sheet_is_the_same_twice_true_to_scale_and_inert(demo):
    dial = replace(demo, name=HOSTILE, site=replace(SITES[1], name=HOSTILE))
    found = card(dial, 2027, (0.5, -0.25, 1.0))
    with figure.styled():
        once, again = (figure.svg(sheet.drawn(found), HOSTILE, HOSTILE) for _ in range(2))
    assert once == again
    tree = etree.fromstring(once)
    assert (tree.get("width"), tree.get("height")) == ("595.275591pt", "841.889764pt")  # A4
    names = {etree.QName(element).localname for element in tree.iter(tag=etree.Element)}
    assert "script" not in names
    assert tree.find("{*}title").text == "<script>$x^2$\\x1b[2J & \\u202e"
    # Nothing is fetched: every reference is to the document itself.
    for element in tree.iter(tag=etree.Element):
        for name, value in element.items():
            if etree.QName(name).localname in ("href", "src"):
                assert value.startswith("#")


def test_the_picture_shows_the_curve_and_the_scale(demo):
    """On paper of 200 dots an inch: blue ink where the curve is, and a bar of 50 mm."""
    from io import BytesIO

    from PIL import Image

    found = card(demo, 2027)
    with figure.styled():
        drawn = sheet.drawn(found)
        coloured = np.asarray(Image.open(BytesIO(figure.png(drawn, 200.0))).convert("RGB"))
        curve = drawn.axes[0].transData
    for at in range(5, 365, 20):
        x, y = curve.transform((at, found.days[at].add_min)) * 200 / drawn.dpi
        row, column = round(2338 - y), round(x)
        near = coloured[row - 2 : row + 3, column - 2 : column + 3].astype(int)
        assert (near[..., 2] - near[..., 0]).max() > 60, at
    dots = np.asarray(Image.fromarray(coloured).convert("L"))
    per_mm = 200 / 25.4
    assert dots.shape == (2338, 1653)
    row = round((297 - 26) * per_mm)
    dark = np.flatnonzero(dots[row - 4 : row + 5].min(axis=0) < 90)
    bar = dark[dark < 70 * per_mm]
    assert (bar.max() - bar.min()) / per_mm == pytest.approx(50, abs=0.6)


def test_a_sun_low_over_the_plans_first_hours_does_not_spoil_the_day(demo):
    """In the west of its zone the plan begins about sunrise in winter: each day's value goes on
    evenly from the day before's, as the equation of time does."""
    site = replace(demo.site, latitude_deg=33.6, longitude_deg=-7.6, zone="Africa/Casablanca")
    days = card(replace(demo, site=site), 2027).days
    steps = np.diff([day.add_min + day.equation_of_time_min for day in days])
    assert abs(steps).max() < 0.15
