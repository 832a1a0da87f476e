"""The board's configuration, from the dial, from what it was told before, and from wishes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from dialbench.dial import Dial
from dialbench.provision.errors import ProvisionError
from dialbench.virtual.truth import COUNTS_PER_WM2, GATE_RELEASE, GATE_WM2, Q10
from dialcore import wiring

_LEAST_LOG = 65536
_MOST_LOG = 1 << 24
_FLASH_LOG = 8 << 20
# What a board was told before and keeps, as nothing of the dial says it.
_KEPT = (
    "scan_ms", "commit_s", "log_bytes", "storage", "lean", "rtc", "rtc_s", "nmea", "tick",
    "sweep", "sky_dark", "shade_dark", "shade_q10", "gate_on", "gate_off",
)  # fmt: skip
_BY_CHANNEL = ("dark", "scale")


@dataclass(frozen=True)
class Wishes:
    """What is asked of a board beside its dial; None: as it was told before, or the usual."""

    scan_ms: int | None = None
    commit_s: int | None = None
    log_bytes: int | None = None
    storage: str | None = None
    lean: bool | None = None
    rtc: str | None = None


def wanted(dial: Dial, wishes: Wishes, before: dict[str, Any], size_bytes: int) -> bytes:
    """config.json, as bytes. before: what the board has; its calibration stays, where it is of so
    many channels. size_bytes: of the board's file system, half of which the log may take.

    The usual: sensors as drawn, not calibrated; the same gate as the virtual dial's.
    Raises ProvisionError for a dial with more channels than a board has.
    """
    channels = len(dial.channels)
    if channels > wiring.CHANNELS:
        raise ProvisionError(
            f"the dial {dial.name} has {channels} channels, and a board reads at most"
            f" {wiring.CHANNELS}"
        )
    asked = {key: value for key, value in vars(wishes).items() if value is not None}
    storage = asked.get("storage", before.get("storage", "files"))
    half = size_bytes // 2 // _LEAST_LOG * _LEAST_LOG
    usual: dict[str, Any] = {
        "scan_ms": 500,
        "commit_s": 600,
        "log_bytes": _FLASH_LOG if storage == "flash" else min(max(half, _LEAST_LOG), _MOST_LOG),
        "storage": "files",
        "lean": False,
        "dark": [0] * channels,
        "scale": [Q10] * channels,
        "sky_dark": 0,
        "shade_dark": 0,
        "shade_q10": Q10,
        "gate_on": round(COUNTS_PER_WM2 * GATE_WM2),
        "gate_off": round(COUNTS_PER_WM2 * GATE_WM2 * GATE_RELEASE),
    }
    kept = {key: before[key] for key in _KEPT if key in before}
    if storage != before.get("storage", storage):
        kept.pop("log_bytes", None)
    for key in _BY_CHANNEL:
        if isinstance(before.get(key), list) and len(before[key]) == channels:
            kept[key] = before[key]
    site = {
        "latitude_e4": round(dial.site.latitude_deg * 1e4),
        "longitude_e4": round(dial.site.longitude_deg * 1e4),
    }
    facts = usual | kept | asked | {"dial_hash": dial.hash, "site": site}
    return json.dumps(facts, sort_keys=True).encode()
