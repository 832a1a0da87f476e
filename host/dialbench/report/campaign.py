"""What stands in a report: a campaign, from the question to the inputs."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from dialbench import __version__, dialfile, ephemeris
from dialbench.analysis import Analysis, analysed
from dialbench.diagnosis import Diagnosis, diagnose
from dialbench.dial import Dial
from dialbench.drift import Drift
from dialbench.errors import UserError
from dialbench.health.health import judged
from dialbench.holdings import Holdings
from dialbench.logged import Logged
from dialbench.plots import campaign as figures
from dialbench.plots import figure
from dialbench.reading import pattern
from dialbench.readings import readings
from dialbench.report.document import Block, Document, Picture, Section, table, words
from dialbench.residuals import residuals
from dialbench.sky import Sky

Progress = Callable[[str, float], None]
_PACKAGES = ("numpy", "scipy", "matplotlib", "tzdata")  # and what the ephemeris' facts name
_SOURCES = {
    "sha256": "its table of the Sun, SHA-256",
    "first_day": "it begins",
    "last_day": "it ends",
    "skyfield_data": "skyfield-data",
}
_DPI = 160.0
_LISTED = 40  # bores and days in a table


@dataclass(frozen=True)
class Campaign:
    """What a report is made of. holdings and drift: None for another make's log. named: how
    the log is told from others. digest: of everything that the log holds."""

    named: dict[str, str]
    logged: Logged
    dial: Dial
    holdings: Holdings | None
    drift: Drift | None
    digest: str
    command: str


def report(campaign: Campaign, progress: Progress) -> Document:
    """The document; figures are drawn as it is made. Raises UserError's kinds for a log that
    nothing can be told of."""
    dial, logged = campaign.dial, campaign.logged
    sky = Sky(dial.site)
    progress("comparing", 0.0)
    found = analysed(logged, dial, sky)
    progress("comparing", 1.0)
    solved: Diagnosis | None = None
    refusal = ""
    try:
        solved = diagnose(logged, dial, sky, progress)
    except UserError as error:
        refusal = str(error)
    with figure.styled():
        sections = (
            Section("The question, and the answer", tuple(_answer(found))),
            Section("The dial and its site", tuple(_dial(dial))),
            Section("What was observed, and what was not", tuple(_observed(campaign, found))),
            Section("How late each crossing came", tuple(_late(found, dial, sky))),
            Section("How it stands, and how its bores came out", tuple(_causes(solved, refusal))),
            Section("What it read", tuple(_readings(logged, dial, sky, solved))),
            Section("What changed", tuple(_changed(solved, sky))),
            Section("How well the times are known", tuple(_times(campaign.drift, logged))),
            Section("Inputs, and how to do it again", tuple(_inputs(campaign))),
        )
    name = "log " + " ".join(campaign.named.values())
    return Document(
        f"{dial.name}: a campaign",
        f"{dial.site.name}, {name}. Made by Dialbench {__version__} from the inputs named at the"
        " end; intervals are of 95% unless they say otherwise.",
        sections,
    )


def _answer(found: Analysis) -> Iterator[Block]:
    yield from words(
        [
            (
                "Did this dial show what the Sun's ephemeris says that it must have shown, and if not,"
                " why?"
            ),
            *found.sentences,
        ]
    )
    yield table("The figures", found.rows, head=())


def _dial(dial: Dial) -> Iterator[Block]:
    site, plan, body = dial.site, dial.plan, dial.body
    lengths = [bore.length_mm for bore in dial.bores] or [0.0]
    yield table(
        "As drawn",
        [
            ("name", dial.name),
            ("geometry", dial.hash),
            ("channels, bores", f"{len(dial.channels)}, {len(dial.bores)}"),
            ("bores", f"{min(lengths):.1f} to {max(lengths):.1f} mm long"),
            ("body", f"radius {body.radius_mm:g} mm, length {body.length_mm:g} mm"),
            ("plan", f"{len(plan.steps)} steps of {plan.step_min:g} min, {plan.kind} time"),
            ("design date", plan.design_date.isoformat() if plan.design_date else "none"),
            ("site", site.name),
            ("latitude, longitude", f"{site.latitude_deg:+.5f}, {site.longitude_deg:+.5f} deg"),
            ("height", f"{site.elevation_m:g} m above the sea"),
            ("zone", site.zone),
            ("air", f"{site.pressure_mbar:.0f} mbar, {site.temperature_C:.1f} deg C"),
            ("skyline", f"{len(site.horizon)} points" if site.horizon else "free"),
        ],
        head=(),
    )


def _observed(campaign: Campaign, found: Analysis) -> Iterator[Block]:
    holds = campaign.holdings
    if holds is not None:
        yield from words([holds.sentence])
        rows = [("day", "direct sun, h", "crossings")]
        rows += [(day.day, f"{day.sun_s / 3600:.2f}", str(day.crossings)) for day in holds.days]
        shown = rows[: _LISTED + 1]
        left = len(rows) - len(shown)
        yield table(f"Days ({holds.zone})" + (f", {left} more" if left else ""), shown)
    counts = found.comparison.counts
    yield table(
        "Crossings", [(name.replace("_", " "), str(count)) for name, count in counts.items()], ()
    )
    if found.losses is None:
        yield from words(["The log does not say what it lost."])
    else:
        lost = vars(found.losses)
        yield table(
            "What the board counted as lost",
            [(name.replace("_", " "), str(value)) for name, value in lost.items()],
            (),
        )


def _late(found: Analysis, dial: Dial, sky: Sky) -> Iterator[Block]:
    late = residuals(found.comparison, dial, sky)
    if not len(late):
        yield from words(["No crossing could be matched with a predicted one."])
        return
    for groups, label in (
        (late.by_channel(), "channel"),
        (late.by_hour(), "hour of apparent solar time"),
        (late.by_day(), "day"),
    ):
        worst = max(groups, key=lambda group: abs(group.median_s))
        yield _picture(
            figures.lateness(groups, late.late_s, label),
            f"Measured less predicted time of crossings, by {label}: dots are medians, bars the"
            " middle half, thin lines nine tenths.",
            f"Medians of {len(groups)} groups by {label} lie between"
            f" {min(group.median_s for group in groups):+.1f} and"
            f" {max(group.median_s for group in groups):+.1f} s; the one farthest off is"
            f" {worst.name}, with {worst.median_s:+.1f} s.",
        )


def _causes(solved: Diagnosis | None, refusal: str) -> Iterator[Block]:
    if solved is None:
        yield from words([f"Not solved: {refusal}"])
        return
    yield table("Pose and making", solved.solved.rows(), ())
    yield from words(solved.sentences())
    told = solved.solved.as_dict()
    for key, unit, label in (
        ("width_share", 100.0, "wider than drawn, %"),
        ("axis_deg", 1.0, "axis off in hour angle, deg"),
    ):
        known = [one[key] for one in told["bores"] if one[key] is not None]
        if known:
            values = [unit * one["value"] for one in known]
            yield _picture(
                figures.bores(told["bores"], key, unit, label),
                f"Each bore, beside what all have in common: {label}; bars are 95% intervals.",
                f"{len(known)} of {len(told['bores'])} bores are told: from {min(values):+.3f} to"
                f" {max(values):+.3f}, {label}.",
            )
    if told["doubted"]:
        head = ("utc", "channel", "threshold", "way", "late, s", "weight")
        rows = [
            (
                one["utc"],
                str(one["channel"]),
                f"{(one['threshold'] + 1) / 4:.2f}",
                "rise" if one["rise"] else "fall",
                f"{one['late_s']:+.1f}",
                f"{one['weight']:.3f}",
            )
            for one in told["doubted"][:_LISTED]
        ]
        yield table("Crossings that count little, the worst first; none was left out", rows, head)


def _readings(logged: Logged, dial: Dial, sky: Sky, solved: Diagnosis | None) -> Iterator[Block]:
    angles = solved.solved.pose.angles if solved else ()
    known = [one.value_deg for one in angles if one.value_deg is not None]
    pose = (known[0], known[1], known[2]) if len(known) == 3 else None
    sigma_s = logged.measured.sigma_s
    finite = sigma_s[np.isfinite(sigma_s)]
    clock_s = float(np.sqrt((finite**2).mean())) if len(finite) else 0.0
    lit = pattern(logged.measured, logged.observed, logged.snapshots)
    found = readings(dial, sky, lit, pose, clock_s)
    yield table("Right, wrong, blank: shares of the plan's time that was observed", found.table())
    yield table("Errors in minutes, then each cause's part in them", found.error_table())
    yield from words(found.sentences())


def _changed(solved: Diagnosis | None, sky: Sky) -> Iterator[Block]:
    if solved is None:
        yield from words(["Change is looked for in a solution, and there is none."])
        return
    found = judged(solved.solved, sky)
    yield table("Looked at", found.rows(), ())
    yield from words(found.sentences())


def _times(drift: Drift | None, logged: Logged) -> Iterator[Block]:
    if drift is None:
        yield from words(["The log came with UTC; it says itself how well that was known."])
        return
    rows = [("boot", "marks", "readings", "drift, ppm", "+-")]
    for boot in drift.boots[:_LISTED]:
        told = boot.drift_ppm is not None and boot.drift_sigma_ppm is not None
        rows.append(
            (
                str(boot.boot),
                str(boot.marks),
                str(boot.readings),
                f"{boot.drift_ppm:+.2f}" if told else "-",
                f"{1.96 * (boot.drift_sigma_ppm or 0):.2f}" if told else "-",
            )
        )
    yield table("Boots of the board", rows)
    finite = logged.measured.sigma_s[np.isfinite(logged.measured.sigma_s)]
    if len(finite):
        yield from words(
            [
                (
                    f"Half of all crossings are known to {np.median(finite):.3f} s in UTC (1 sigma),"
                    f" nineteen of twenty to {np.quantile(finite, 0.95):.3f} s."
                )
            ]
        )
    yield from words(drift.sentences)


def _inputs(campaign: Campaign) -> Iterator[Block]:
    sources = ephemeris.facts()
    dial_toml = dialfile.dump(campaign.dial)
    rows = [
        *campaign.named.items(),
        ("the log, SHA-256", campaign.digest),
        ("dial.toml, SHA-256", hashlib.sha256(dial_toml.encode()).hexdigest()),
        ("geometry", campaign.dial.hash),
        *((_SOURCES.get(name, name.replace("_", " ")), value) for name, value in sources.items()),
        ("dialbench", __version__),
        *((name, importlib.metadata.version(name)) for name in _PACKAGES),
        ("Python", platform.python_version()),
    ]
    yield table("Inputs", rows, ())
    yield from words([f"To make this document again: {campaign.command}"])


def _picture(drawn: figure.Figure, caption: str, description: str) -> Picture:
    width, height = (float(side) * 25.4 for side in drawn.get_size_inches())
    return Picture(
        caption,
        description,
        figure.svg(drawn, caption, description),
        partial(_png, drawn),
        width,
        height,
    )


def _png(drawn: figure.Figure) -> bytes:
    with figure.styled():
        return figure.png(drawn, _DPI)
