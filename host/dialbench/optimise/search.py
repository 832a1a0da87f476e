"""The search for a design: wide at first, then downhill, the same for the same seed.

Every look is a whole trial with trimmed edges. Looks of one batch are made side by side
on all cores; which are made never depends on how long they take, so a search broken off and
taken up again from its file goes the way it would have gone.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from dialbench import ideal
from dialbench.errors import UserError
from dialbench.optimise.design import Design, Infeasible, drawn, drill_depth_mm
from dialbench.optimise.outcome import Outcome, merit, shortfalls, tried
from dialbench.rays import stray
from dialbench.wish import Envelope, Wish

FORMAT = f"1-{ideal.FORMAT}-{stray.FORMAT}"

Progress = Callable[[str, float, str], None]

_DEPTHS = 8  # of the wide look
_LOOKS = 96  # in the downhill part, at most
_BATCH = 8
_STEP, _LEAST_STEP = 0.12, 0.01  # of each number, as a share of it
_MERGED = (1, 2, 4)
_ROUNDS = 1  # of trimming, in a look


def declinations_deg(wish: Wish, count: int) -> tuple[float, ...]:
    """`count` declinations evenly over the season, its two ends among them."""
    return tuple(float(d) for d in np.linspace(*wish.season_deg, count))


class Looks(Protocol):
    """Makes the looks of a batch, in order."""

    def __call__(self, wish: Wish, designs: Sequence[Design]) -> list[Outcome]: ...


@dataclass
class Search:
    """One search, and all that it has seen. known: looks by what was looked at."""

    wish: Wish
    looks: Looks
    progress: Progress
    stop_s: float
    file: Path | None = None
    known: dict[str, Outcome] = field(default_factory=dict)
    seen: list[Outcome] = field(default_factory=list)
    cut_short: bool = False

    def batch(
        self, wish: Wish, designs: Sequence[Design], label: str, share: float
    ) -> list[Outcome]:
        """Looks at designs, those known already not again."""
        keys = [_key(wish, design) for design in designs]
        new = {key: d for key, d in zip(keys, designs, strict=True) if key not in self.known}
        if new:
            for key, found in zip(new, self.looks(wish, list(new.values())), strict=True):
                self.known[key] = found
            self._keep()
        outcomes = [self.known[key] for key in keys]
        self.seen += outcomes
        best = max(self.seen, key=lambda found: merit(self.wish, found))
        self.progress("layout", share, f"{label}; best so far {_told(best)}")
        return outcomes

    @property
    def late(self) -> bool:
        """Whether the time is over."""
        if time.monotonic() > self.stop_s:
            self.cut_short = True
        return self.cut_short

    def _keep(self) -> None:
        if self.file is None:
            return
        text = json.dumps(
            {"format": FORMAT, "looks": {k: o.as_dict() for k, o in self.known.items()}}
        )
        part = self.file.with_name(self.file.name + ".part")
        part.write_text(text + "\n", encoding="utf-8")
        os.replace(part, self.file)


def load(file: Path) -> dict[str, Outcome]:
    """The looks in a search's file; none where there is no file, or one of other rules."""
    try:
        plain: Any = json.loads(file.read_text(encoding="utf-8"))
        if plain["format"] != FORMAT:
            return {}
        return {str(key): Outcome.from_dict(o) for key, o in plain["looks"].items()}
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise UserError(
            f"{file}: is no file of a search; remove it, or name another with --resume"
        ) from error


def best_of(search: Search) -> Outcome:
    """The best design of a wish: a wide look over depths, then downhill from the best."""
    wish = search.wish
    wide = [d for depth in _depths(wish) if (d := widest(wish, _start(wish, depth))) is not None]
    if not wide:
        return Outcome(_start(wish, _depths(wish)[0]), reason=_why_none(wish))
    found = search.batch(wish, wide, "first looks", 0.1)
    best = max(found, key=lambda outcome: merit(wish, outcome))
    rng = np.random.default_rng(wish.seed)
    step, looked = _STEP, 0
    while step >= _LEAST_STEP and looked < _LOOKS and not search.late:
        near = [_beside(rng, wish, best.design, step) for _ in range(_BATCH)]
        share = 0.1 + 0.6 * looked / _LOOKS
        found = search.batch(wish, near, f"{looked + len(near)} of {_LOOKS} looks", share)
        looked += len(near)
        better = max(found, key=lambda outcome: merit(wish, outcome))
        if merit(wish, better) > merit(wish, best) + 1e-4:
            best = better
        else:
            step /= 2
    return best


@dataclass(frozen=True)
class Size:
    """The best design found within an envelope a `scale` times the wish's."""

    scale: float
    outcome: Outcome


def curve(search: Search, best: Outcome, scales: Sequence[float]) -> list[Size]:
    """What smaller and larger envelopes can do: the best over depths at each scale."""
    sizes = []
    for number, scale in enumerate(scales):
        wish = scaled(search.wish, scale)
        starts = [d for depth in _depths(wish) if (d := widest(wish, _start(wish, depth)))]
        if scale == 1 and not best.reason:
            starts.append(best.design)
        if not starts:
            sizes.append(Size(scale, Outcome(best.design, reason=_why_none(wish))))
            continue
        share = 0.7 + 0.3 * number / len(scales)
        found = search.batch(wish, starts, f"size {scale:.0%}", share)
        sizes.append(Size(scale, max(found, key=lambda outcome: merit(wish, outcome))))
    return sizes


def least_scale(search: Search, most: float = 8.0) -> Size | None:
    """The smallest envelope, in scales of the wish's, that meets its limits, within 5%; None
    if none up to `most` does."""
    low, high, found = 1.0, 1.25, None
    while high <= most:
        size = curve(search, Outcome(_start(search.wish, 1.0), reason="-"), [high])[0]
        if not shortfalls(scaled(search.wish, high), size.outcome):
            found = size
            break
        low, high = high, high * 1.25
    while found is not None and found.scale / low > 1.05:
        middle = (low * found.scale) ** 0.5
        size = curve(search, found.outcome, [middle])[0]
        if shortfalls(scaled(search.wish, middle), size.outcome):
            low = middle
        else:
            found = size
    return found


def scaled(wish: Wish, scale: float) -> Wish:
    """The wish in an envelope `scale` times as large."""
    e = wish.envelope
    return replace(
        wish, envelope=Envelope(e.width_mm * scale, e.length_mm * scale, e.height_mm * scale)
    )


def widest(wish: Wish, design: Design) -> Design | None:
    """The design with its pitches as wide as the envelope lets them; None where none fits.

    Columns no wider than that the light of noon comes in by the front.
    """

    def fits(column_mm: float, row_mm: float) -> bool:
        try:
            drawn(wish, replace(design, column_pitch_mm=column_mm, row_pitch_mm=row_mm), {})
        except Infeasible:
            return False
        return True

    columns, rows = _spans(wish)
    half_mm = wish.envelope.width_mm / 2
    room_mm = (max(half_mm**2 - min(design.depth_mm, half_mm) ** 2, 0.0)) ** 0.5
    if wish.shape == "half-cylinder":
        room_mm = 0.8 * min(design.depth_mm, half_mm)
    column_mm = 2 * max(room_mm - design.exit_mm - 1, 0.0) / max(columns, 1)
    while column_mm > 2 * design.exit_mm and not fits(column_mm, 2 * design.exit_mm):
        column_mm *= 0.9
    low_mm, high_mm = 2 * design.exit_mm, wish.envelope.length_mm / max(rows, 1)
    if not fits(column_mm, low_mm):
        return None
    for _ in range(12):
        middle_mm = (low_mm + high_mm) / 2
        low_mm, high_mm = (
            (middle_mm, high_mm) if fits(column_mm, middle_mm) else (low_mm, middle_mm)
        )
    return replace(
        design, column_pitch_mm=_whole(wish, column_mm), row_pitch_mm=_whole(wish, low_mm)
    )


def _spans(wish: Wish) -> tuple[float, float]:
    """Pitches from the first column to the last, and from the first row to the last."""
    cells = wish.face.cells
    of_columns, of_rows = [c.column for c in cells], [c.row for c in cells]
    return max(of_columns) - min(of_columns), max(of_rows) - min(of_rows)


def _depths(wish: Wish) -> list[float]:
    """Depths to begin with: from a thin plate to all that there is room for."""
    most = min(wish.envelope.height_mm, wish.envelope.width_mm / 2)
    if wish.process.kind == "drill":
        drills = [drill for drill in wish.process.drills_mm if drill >= wish.process.exit_mm]
        due = [drill_depth_mm(wish, drill) for drill in drills]
        return [depth for depth in due if depth <= most] or [most]
    if wish.shape == "half-cylinder":
        return [most * share for share in (0.6, 0.8, 1.0)]
    least = max(8 * wish.process.exit_mm, 0.04 * most)
    return [float(d) for d in np.geomspace(min(least, most), most, _DEPTHS)]


def _start(wish: Wish, depth_mm: float) -> Design:
    exit_mm = wish.process.exit_mm
    if wish.process.kind == "drill":
        drills = [drill for drill in wish.process.drills_mm if drill >= exit_mm]
        exit_mm = min(drills, key=lambda drill: abs(drill_depth_mm(wish, drill) - depth_mm))
    return Design(1.0, 1.0, _whole(wish, depth_mm), exit_mm)


def _beside(rng: np.random.Generator, wish: Wish, of: Design, step: float) -> Design:
    """A design beside another: two of its numbers changed, and now and then what is merged."""
    scale = {
        "column_pitch_mm": of.column_pitch_mm,
        "row_pitch_mm": of.row_pitch_mm,
        "depth_mm": of.depth_mm,
        "exit_mm": of.exit_mm,
        "slant_mm": of.column_pitch_mm,
        "stagger_mm": of.row_pitch_mm,
    }
    changed: dict[str, Any] = {}
    for name in rng.choice(list(scale), 2, replace=False).tolist():
        by = float(rng.normal(0, step)) * scale[name]
        changed[name] = _whole(wish, getattr(of, name) + by)
    drilled = wish.process.kind == "drill"
    exit_mm = of.exit_mm if drilled else changed.get("exit_mm", of.exit_mm)
    changed["exit_mm"] = max(exit_mm, wish.process.exit_mm)
    for name in ("column_pitch_mm", "row_pitch_mm", "depth_mm"):
        changed[name] = max(changed.get(name, getattr(of, name)), 2 * wish.process.exit_mm)
    if rng.random() < 0.25:
        changed["merged"] = int(rng.choice(_MERGED))
    return replace(of, **changed)


def _whole(wish: Wish, size_mm: float) -> float:
    """A size in whole features."""
    feature = wish.process.feature_mm
    return round(round(size_mm / feature) * feature, 6)


def _why_none(wish: Wish) -> str:
    """What keeps every body out of the envelope."""
    reasons = []
    for depth_mm in _depths(wish):
        try:
            drawn(wish, replace(_start(wish, depth_mm), column_pitch_mm=1, row_pitch_mm=1), {})
        except Infeasible as reason:
            reasons.append(str(reason))
    return reasons[0] if reasons else "exits overlap however the pitches are chosen"


def _key(wish: Wish, design: Design) -> str:
    facts = (FORMAT, replace(wish, minutes=0.0, name=""), design)
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:24]


def _told(found: Outcome) -> str:
    if found.reason:
        return "none that fits"
    return (
        f"duty {found.duty:.3f}, wrong {found.wrong:.4f}, ghost {found.ghost:.3f}, "
        f"clear {found.clear:.3f}"
    )


def _look(task: tuple[Wish, Design]) -> Outcome:
    wish, design = task
    return tried(wish, design, declinations_deg(wish, 4), _ROUNDS)


def _left_alone() -> None:
    """An interrupt is for the process that hands out the work: it ends the others."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def on_all_cores(workers: int) -> Any:
    """Looks made by processes of their own."""
    # A worker is one core's work; numpy's own threads would only be in each other's way.
    before = os.environ.get("OPENBLAS_NUM_THREADS")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _left_alone)
    try:

        def looks(wish: Wish, designs: Sequence[Design]) -> list[Outcome]:
            return list(pool.map(_look, [(wish, design) for design in designs]))

        yield looks
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        if before is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = before
