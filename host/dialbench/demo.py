"""The whole job on a virtual dial: light, firmware, log, pull, comparison, verdict."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from dialbench import dialfile
from dialbench.analysis import Analysis, analyse
from dialbench.dial import Dial, Site, standard_air
from dialbench.errors import UserError
from dialbench.link.client import Board
from dialbench.sky import Sky
from dialbench.store import Store
from dialbench.virtual import clouds
from dialbench.virtual.process import LogSettings, VirtualDial
from dialbench.virtual.truth import Truth

SCHEMA = "dialbench.demo/1"
DAY = date(2027, 4, 16)  # the equation of time is nearly nothing: the dial can agree with a clock

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Settings:
    """What the demo is asked for. dial_file: a dial in place of the demo's own. first_days: when
    the board is taken out, each time for so many days; between them it is without power.
    sky_file: measured irradiance, else the sky is clear or, with clouds, has invented ones.
    turned_deg turns the true body about the polar axis. storage and lean as in
    virtual.process.LogSettings."""

    folder: Path
    days: int = 1
    seed: int = 1
    turned_deg: float = 0.0
    sky_file: Path | None = None
    clouds: bool = False
    storage: str = "files"
    lean: bool = False
    dial_file: Path | None = None
    first_days: tuple[date, ...] = (DAY,)


@dataclass(frozen=True)
class Result:
    """What the demo did; everything it made lies in folder."""

    folder: Path
    dial: Dial
    runtime: str
    real_micropython: bool
    heap_limit_bytes: int
    days: int
    pages_pulled: int
    analysis: Analysis

    def as_dict(self) -> dict[str, Any]:
        """The object of `dialbench demo --json`."""
        found = self.analysis
        reading = found.reading
        return {
            "schema": SCHEMA,
            "runtime": self.runtime,
            "heap_limit_bytes": self.heap_limit_bytes,
            "days": self.days,
            "observed_hours": found.comparison.observed_hours,
            "crossings": found.comparison.counts,
            "residual_s": found.comparison.residual,
            "reading": {
                "share_right": reading.share_right,
                "layout_duty": found.duty,
                "worst_error_min": reading.zone.worst_min if reading.zone else None,
                "worst_lasting_error_min": (
                    reading.zone.worst_lasting_min if reading.zone else None
                ),
            },
            "pages_pulled": self.pages_pulled,
            "records_lost": found.losses.overflow_records if found.losses else None,
            "verdict": found.sentences,
            "folder": str(self.folder),
        }


def weather(settings: Settings) -> tuple[clouds.SkyLight, Dial, tuple[date, ...]]:
    """The sky, the dial set up under it, and the first days."""
    if settings.sky_file is None:
        sky = clouds.Invented(settings.seed) if settings.clouds else clouds.Clear()
        given = settings.dial_file
        dial = dialfile.demo() if given is None else dialfile.load(given)
        return sky, dial, settings.first_days
    if settings.days != 1 or settings.first_days != (DAY,) or settings.dial_file is not None:
        raise UserError(
            "--sky holds one day of measurements at one place: leave --days, --on and --dial away"
        )
    measured, dial = clouds.measured(settings.sky_file), dialfile.demo()
    pressure_mbar, temperature_C = standard_air(measured.elevation_m)
    site = Site(
        name=measured.name,
        latitude_deg=measured.latitude_deg,
        longitude_deg=measured.longitude_deg,
        elevation_m=measured.elevation_m,
        zone=_zone(round(4 * (measured.longitude_deg - _ahead_deg(dial)))),
        pressure_mbar=pressure_mbar,
        temperature_C=temperature_C,
    )
    if site.hemisphere != dial.site.hemisphere:
        raise UserError(
            f"--sky {settings.sky_file}: was measured beyond the equator, where the demo dial's "
            "bores would point the wrong way; give a file of this side"
        )
    # What whole minutes of a zone leave over, the bores are turned by.
    rest_deg = site.longitude_deg - 15 * site.standard_offset_h(measured.date) - _ahead_deg(dial)
    bores = tuple(
        replace(bore, hour_angle_deg=round(bore.hour_angle_deg + rest_deg, 4))
        for bore in dial.bores
    )
    return measured, replace(dial, site=site, bores=bores), (measured.date,)


# Elsewhere the demo dial's bores meet the Sun at the times of its plan only where the meridian
# of the zone is as far off as at home.


def _ahead_deg(dial: Dial) -> float:
    """How far east of its zone's meridian a dial is laid out to stand."""
    return dial.site.longitude_deg - 15 * dial.site.standard_offset_h(DAY)


def _zone(offset_min: int) -> str:
    """Such as "-07:00"."""
    return f"{'-' if offset_min < 0 else '+'}{abs(offset_min) // 60:02}:{abs(offset_min) % 60:02}"


def in_daylight(utc_us: int) -> Dial:
    """The demo dial, set up where it is about ten in the morning at utc_us."""
    dial = dialfile.demo()
    hours = (round(10 - utc_us / 3.6e9) + 12) % 24 - 12
    longitude_deg = (15 * hours + _ahead_deg(dial) + 180) % 360 - 180
    site = replace(dial.site, longitude_deg=round(longitude_deg, 4), zone=_zone(60 * hours))
    return replace(dial, site=site)


def run(settings: Settings, progress: Progress) -> Result:
    """Do it all. progress is told what is being done and the share of it done.

    Raises UserError (and its kinds) for what the user can mend.
    """
    sky_light, dial, first_days = weather(settings)
    sky = Sky(dial.site)
    truth = Truth.draw(dial, settings.seed, settings.turned_deg)
    outings = [_spans(sky, day, settings.days) for day in sorted(first_days)]
    settings.folder.mkdir(parents=True, exist_ok=True)
    toml = dialfile.dump(dial)
    (settings.folder / "dial.toml").write_text(toml, encoding="utf-8")
    (settings.folder / "settings.json").write_text(
        json.dumps(asdict(settings), default=str, indent=2) + "\n", encoding="utf-8"
    )
    log = LogSettings(settings.storage, settings.lean)
    pages = days = 0
    with Store.open(settings.folder / "store.sqlite") as store:
        for spans in outings:
            with (
                VirtualDial(
                    truth,
                    sky_light,
                    settings.folder / "board",
                    spans[0][0],
                    seed=settings.seed,
                    log=log,
                ) as virtual,
                Board.open(virtual.port, virtual.clock) as board,
            ):
                store.add_board(board.hello, toml)
                store.add_mark(board.hello.uid, board.mark())
                for rise_us, set_us in spans:
                    days += 1
                    label = f"day {days} of {sum(map(len, outings))} on the virtual dial"
                    virtual.run(rise_us, set_us, partial(progress, label))
                pulled = board.pull(
                    store, lambda done, total, _: progress("pulling", done / max(total, 1))
                )
                pages += pulled.pages
                hello, real = board.hello, virtual.real_micropython
        progress("comparing with the ephemeris", 0.0)
        analysis = analyse(store, hello.uid, dial, sky)
        progress("comparing with the ephemeris", 1.0)
    result = Result(
        folder=settings.folder,
        dial=dial,
        runtime=hello.runtime,
        real_micropython=real,
        heap_limit_bytes=hello.heap_bytes,
        days=days,
        pages_pulled=pages,
        analysis=analysis,
    )
    (settings.folder / "result.json").write_text(
        json.dumps(result.as_dict(), indent=2) + "\n", encoding="utf-8"
    )
    return result


def _spans(sky: Sky, first_day: date, days: int) -> list[tuple[int, int]]:
    """From sunrise to sunset on the days of one outing, in microseconds of UTC."""
    spans = []
    for number in range(days):
        span = sky.daylight(first_day + timedelta(days=number))
        if span is not None:
            spans.append(span)
    if not spans:
        raise UserError(f"the Sun does not rise at {sky.site.name} on {first_day}")
    return spans
