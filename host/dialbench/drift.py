"""How well a board's time is known: its crystal's and its clock chip's drift, boot by boot."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from dialbench.clock import Jump, Mark, Reading, Rejected
from dialbench.store import Store
from dialcore import records

SCHEMA = "dialbench.clock/1"
_Z95 = 1.96
_POINTS = 25  # of the uncertainty over a boot's time

_FAULTS = {
    records.CHIP_ABSENT: "the clock chip does not answer",
    records.CHIP_STOPPED: "the clock chip had stood still",
    records.CHIP_NONSENSE: "the clock chip shows no date",
}


@dataclass(frozen=True)
class Instant:
    """Within half_width_s of utc_us it was, with 95%, when the board's clock read device_ms."""

    device_ms: int
    utc_us: int
    half_width_s: float


@dataclass(frozen=True)
class BootTime:
    """What is known of one boot's time, from its first record to its last.

    why_not is "" where its time can be told, else half a sentence, and `over` is empty.
    drift_ppm: how fast the crystal ran, with its standard uncertainty; None where not told.
    """

    boot: int
    first_ms: int
    last_ms: int
    marks: int
    readings: int
    why_not: str
    drift_ppm: float | None
    drift_sigma_ppm: float | None
    over: tuple[Instant, ...]


@dataclass(frozen=True)
class Fault:
    """A clock beside the board's own failed, as the board noted at device_ms."""

    boot: int
    device_ms: int
    reason: str


@dataclass(frozen=True)
class Drift:
    """All that a store knows of a board's clocks. chip_drift_ppm, with its standard
    uncertainty: how fast the clock chip runs; None where it has none that can be used."""

    boots: tuple[BootTime, ...]
    chip_drift_ppm: float | None
    chip_sigma_ppm: float | None
    jumps: tuple[Jump, ...]
    faults: tuple[Fault, ...]
    rejected: tuple[Rejected, ...]

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        return {
            "schema": SCHEMA,
            "boots": [asdict(boot) for boot in self.boots],
            "chip_drift_ppm": self.chip_drift_ppm,
            "chip_sigma_ppm": self.chip_sigma_ppm,
            "jumps": [
                {
                    "boot": jump.reading.boot,
                    "before_device_ms": jump.reading.device_ms,
                    "size_s": jump.size_s,
                    "probability": jump.probability,
                }
                for jump in self.jumps
            ],
            "faults": [asdict(fault) for fault in self.faults],
            "rejected": [
                {
                    "kind": "mark" if isinstance(one.mark, Mark) else "reading",
                    "boot": one.mark.boot,
                    "device_ms": one.mark.device_ms,
                    "reason": one.reason,
                }
                for one in self.rejected
            ],
        }

    @property
    def sentences(self) -> list[str]:
        """What stands out, a sentence each."""
        told = []
        if self.chip_drift_ppm is not None:
            fast = "fast" if self.chip_drift_ppm >= 0 else "slow"
            told.append(
                f"The clock chip runs {abs(self.chip_drift_ppm):.2f} ppm {fast}"
                f" (+-{_Z95 * (self.chip_sigma_ppm or 0):.2f})."
            )
        for jump in self.jumps:
            told.append(
                f"The clock chip jumped by {jump.size_s:+.2f} s before {jump.reading.device_ms} ms"
                f" of boot {jump.reading.boot} (probability {jump.probability:.2f})."
            )
        told += [
            f"At {fault.device_ms} ms of boot {fault.boot} {fault.reason}." for fault in self.faults
        ]
        told += [f"Not used: {one.reason}." for one in self.rejected]
        told += [
            f"Boot {boot.boot} cannot be told: {boot.why_not}."
            for boot in self.boots
            if boot.why_not
        ]
        return told


def drift(store: Store, uid: str) -> Drift:
    """What is known of board uid's clocks. Raises StoreError as the store does."""
    with store.reading():  # a pull may be writing
        return _drift(store, uid)


def _drift(store: Store, uid: str) -> Drift:
    clock = store.clock(uid)
    marks, readings = store.marks(uid), store.readings(uid)
    reach = store.extents(uid)
    everything: list[Mark | Reading] = [*marks, *readings]
    for one in everything:
        first, last = reach.get(one.boot, (one.device_ms, one.device_ms))
        reach[one.boot] = (min(first, one.device_ms), max(last, one.device_ms))
    boots = []
    for boot, (first_ms, last_ms) in sorted(reach.items()):
        rate: tuple[float, float] | None = None
        over: tuple[Instant, ...] = ()
        if clock.covers(boot):
            rate = clock.boots[boot].drift_ppm()
            at = np.unique(np.linspace(first_ms, last_ms, _POINTS).astype(np.int64))
            half_s = _Z95 * clock.sigma_s(boot, at)
            rows = zip(at.tolist(), clock.utc_us(boot, at).tolist(), half_s.tolist(), strict=True)
            over = tuple(Instant(*row) for row in rows)
        boots.append(
            BootTime(
                boot=boot,
                first_ms=first_ms,
                last_ms=last_ms,
                marks=sum(mark.boot == boot for mark in marks),
                readings=sum(reading.boot == boot for reading in readings),
                why_not=clock.why_not(boot),
                drift_ppm=rate[0] if rate else None,
                drift_sigma_ppm=rate[1] if rate else None,
                over=over,
            )
        )
    chip = clock.chip_drift_ppm
    return Drift(
        boots=tuple(boots),
        chip_drift_ppm=chip[0] if chip else None,
        chip_sigma_ppm=chip[1] if chip else None,
        jumps=tuple(clock.jumps),
        faults=_faults(store, uid),
        rejected=tuple(clock.rejected),
    )


def _faults(store: Store, uid: str) -> tuple[Fault, ...]:
    found = []
    for event in store.events(uid, records.RTC_FAULT):
        number = event.payload[0] if event.payload else 0
        reason = _FAULTS.get(number, f"a clock failed for a reason not known here ({number})")
        found.append(Fault(event.boot, event.device_ms, reason))
    return tuple(found)
