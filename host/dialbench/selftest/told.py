"""A test of a board as plain values, and as lines of a table."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from dialbench.selftest.diagnose import drift_ppm, faults, noise_counts, offset_counts
from dialbench.selftest.figures import Figures
from dialcore import examining, wiring

_CHIPS = {
    examining.NO_CHIP: "none",
    examining.CHIP_WELL: "well",
    examining.CHIP_MISSING: "missing",
    examining.CHIP_STOOD: "has stood still",
    examining.CHIP_NO_DATE: "shows no date",
}


def told(figures: Figures) -> dict[str, Any]:
    """The facts of a "dialbench.selftest/1" object; numbers that there are not are None."""
    check, status = figures.after
    earlier = figures.before[1]
    span_s = (status.device_ms - earlier.device_ms) / 1000
    drift = drift_ppm(figures)
    found = faults(figures)
    return {
        "board": figures.hello.uid,
        "firmware": figures.hello.firmware,
        "passed": not found,
        "faults": [asdict(fault) for fault in found],
        "channels": [
            {
                "channel": channel,
                **asdict(figures.places[wiring.leaf_of(channel), wiring.input_of(channel)]),
            }
            for channel in range(figures.hello.channels)
        ],
        "offset_counts": offset_counts(figures),
        "noise_counts": noise_counts(figures),
        "sky_counts": check.sky,
        "shade_counts": check.shade,
        "settle_us": check.settle_us,
        "supply_mv": check.supply_mv or None,
        "clock_chip": _CHIPS.get(check.chip, "unknown"),
        "drift_ppm": drift and drift[0],
        "drift_sigma_ppm": drift and drift[1],
        "scans_per_s": (status.scans - earlier.scans) / span_s if span_s > 0 else None,
        "blind_ms": status.blind_ms - earlier.blind_ms,
        "pages": status.next_page - status.first_page,
        "retired_pages": status.retired_pages,
        "torn_pages": status.torn_pages,
        "failed_writes": check.bad_writes,
        "erases": check.erases,
        "storage_bytes": check.storage_bytes,
        "page_read_ms": check.read_ms,
        "probe_ms": figures.probe_ms,
        "trip_ms": figures.trip_ms,
        "link_bytes_per_s": figures.bytes_per_s or None,
    }


def rows(facts: dict[str, Any]) -> list[tuple[str, str]]:
    """Label and value, for a table."""

    def number(key: str, unit: str, digits: int = 1) -> str:
        value = facts[key]
        return "cannot be told" if value is None else f"{value:.{digits}f} {unit}"

    drift = number("drift_ppm", "ppm", 0)
    if facts["drift_sigma_ppm"] is not None:
        drift += f" (give or take {facts['drift_sigma_ppm']:.0f})"
    return [
        ("firmware", facts["firmware"]),
        ("converter's offset", number("offset_counts", "counts", 0)),
        ("noise of a reading", number("noise_counts", "counts")),
        ("open sky, shaded", f"{facts['sky_counts']}, {facts['shade_counts']} counts"),
        ("settling", number("settle_us", "us", 0)),
        ("supply", number("supply_mv", "mV", 0)),
        ("clock chip", facts["clock_chip"]),
        ("chip against board", drift),
        ("scan rate", number("scans_per_s", "per second")),
        ("blind during the test", number("blind_ms", "ms", 0)),
        (
            "storage",
            (
                f"{facts['pages']} pages in {facts['storage_bytes']} bytes,"
                f" {facts['retired_pages']} retired, {facts['torn_pages']} torn,"
                f" {facts['failed_writes']} failed writes"
            ),
        ),
        ("reading a page", number("page_read_ms", "ms", 0)),
        ("round trip", number("trip_ms", "ms")),
        ("link", number("link_bytes_per_s", "bytes per second", 0)),
    ]
