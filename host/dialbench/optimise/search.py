"""The search for a design: wide at first, then downhill, the same for the same seed.

Every look is a whole trial with trimmed edges. Looks of one batch are made side by side
on all cores; which are made never depends on how long they take, so a search broken off and
taken up again from its file goes the way it would have gone.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import signal
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from dialbench import ideal, whole
from dialbench.errors import UserError
from dialbench.optimise.design import Design, Infeasible, drawn, drill_depth_mm
from dialbench.optimise.outcome import Outcome, merit, shortfalls, tried
from dialbench.rays import stray
from dialbench.wish import Envelope, Wish

FORMAT = f"2-{ideal.FORMAT}-{stray.FORMAT}"

Progress = Callable[[str, float, str], None]

_DEPTHS = 8  # of the wide look
_LOOKS = 96  # downhill, at most
_LOOKS_AT_SCALE = 8  # the same in another envelope
_FINALISTS, _FINALISTS_AT_SCALE = 4, 2
_ROUGH_GHOST, _CLOSE_GHOST = 0.5, 0.75  # of the limit: what looks may show
_BATCH = 8
_STEP, _LEAST_STEP = 0.12, 0.01  # of each number, as a share of it
_MERGED = (1, 2, 4)
_MAX_BYTES = 100_000_000  # of a search's file
# Declinations of a look, rounds of trimming, declinations of the proof at the end.
_ROUGHLY, _CLOSELY = (4, 1, 0), (13, 3, 64)


def declinations_deg(wish: Wish, count: int) -> tuple[float, ...]:
    """`count` declinations evenly over the season, its two ends among them."""
    return tuple(float(d) for d in np.linspace(*wish.season_deg, count))


class Looks(Protocol):
    """Makes the looks of a batch, in order; closely: see _CLOSELY."""

    def __call__(self, wish: Wish, designs: Sequence[Design], closely: bool) -> list[Outcome]: ...


@dataclass
class Search:
    """One search, and all that it has seen. known: looks by what was looked at."""

    wish: Wish
    looks: Looks
    progress: Progress
    stop_s: float
    file: Path | None = None
    known: dict[str, Outcome] = field(default_factory=dict)
    cut_short: bool = False

    def batch(self, wish: Wish, designs: Sequence[Design], closely: bool = False) -> list[Outcome]:
        """Looks at designs, those known already not again."""
        keys = [_key(wish, design, closely) for design in designs]
        new = {key: d for key, d in zip(keys, designs, strict=True) if key not in self.known}
        if new:
            for key, found in zip(new, self.looks(wish, list(new.values()), closely), strict=True):
                self.known[key] = found
            self._keep()
        return [self.known[key] for key in keys]

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
        whole.write(self.file, text + "\n")


def load(file: Path) -> dict[str, Outcome]:
    """The looks in a search's file; none where there is no file, or one of other rules."""
    try:
        with file.open("rb") as stream:
            plain: Any = json.loads(stream.read(_MAX_BYTES))
        if plain["format"] != FORMAT:
            return {}
        return {str(key): Outcome.from_dict(o) for key, o in plain["looks"].items()}
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise UserError(
            f"{file}: is no file of a search; remove it, or search anew with --fresh"
        ) from error


def best_of(search: Search) -> Outcome:
    """The best design of the search's wish, its edges closely set."""
    return _best_within(search, search.wish, (_LOOKS, _FINALISTS), (), "layout", (0.0, 0.7))


def _best_within(
    search: Search,
    wish: Wish,
    most: tuple[int, int],
    more: Sequence[Design],
    label: str,
    share: tuple[float, float],
) -> Outcome:
    """A wide look over depths (and at `more`), looks downhill from the best of it, and close
    looks at the best of all. most: how many of these, and of those."""
    downhill, finalists = most
    wide = [d for depth in _depths(wish) if (d := widest(wish, _start(wish, depth))) is not None]
    wide += more
    if not wide:
        return Outcome(_start(wish, _depths(wish)[0]), reason=_why_none(wish))
    rough = _held(wish, _ROUGH_GHOST, 0.001)

    def worth(found: Outcome) -> float:
        return merit(rough, found)

    def told(done: int) -> None:
        part = done / (downhill + len(wide) + _BATCH)
        search.progress(
            "layout",
            share[0] + part * (share[1] - share[0]),
            f"{label}, {done} looks, best so far {_told(best)}",
        )

    seen = search.batch(wish, wide)
    best = max(seen, key=worth)
    told(len(seen))
    rng = np.random.default_rng(wish.seed)
    step, looked = _STEP, 0
    while step >= _LEAST_STEP and looked < downhill and not search.late:
        found = search.batch(wish, [_beside(rng, wish, best.design, step) for _ in range(_BATCH)])
        seen += found
        looked += len(found)
        better = max(found, key=worth)
        if worth(better) > worth(best) + 1e-4:
            best = better
        else:
            step /= 2
        told(len(seen))
    designs = list(dict.fromkeys(o.design for o in sorted(seen, key=worth, reverse=True)))
    # Where time is over the best must do.
    close = search.batch(wish, designs[: 1 if search.late else finalists], closely=True)
    return max(close, key=lambda outcome: merit(_held(wish, _CLOSE_GHOST, 0.0), outcome))


def _held(wish: Wish, ghost: float, wrong: float) -> Wish:
    """The wish as looks are held to it, which are good to some hundredths.

    They see some declinations only, and the Sun's disc as a line, so the worst ghost escapes
    them: they must keep below a share of its limit. And of wrong light rough ones leave what
    closely set edges take away.
    """
    limits = wish.limits
    return replace(
        wish,
        limits=replace(
            limits,
            ghost=None if limits.ghost is None else ghost * limits.ghost,
            wrong=None if limits.wrong is None else max(limits.wrong, wrong),
        ),
    )


@dataclass(frozen=True)
class Size:
    """The best design found within an envelope a `scale` times the wish's."""

    scale: float
    outcome: Outcome


def curve(search: Search, best: Outcome, scales: Sequence[float]) -> list[Size]:
    """What other envelopes can do: the best found at each scale."""
    sizes = []
    for number, scale in enumerate(scales):
        begin = 0.7 + 0.3 * number / len(scales)
        share = begin, begin + 0.3 / len(scales)
        found = best if scale == 1 else _at_scale(search, best, scale, share)
        sizes.append(Size(scale, found))
        if search.late:
            break
    return sizes


def _at_scale(search: Search, best: Outcome, scale: float, share: tuple[float, float]) -> Outcome:
    wish, of = scaled(search.wish, scale), best.design
    alike = replace(
        of,
        column_pitch_mm=_whole(wish, of.column_pitch_mm * scale),
        row_pitch_mm=_whole(wish, of.row_pitch_mm * scale),
        depth_mm=_whole(wish, of.depth_mm * scale),
        slant_mm=_whole(wish, of.slant_mm * scale),
        stagger_mm=_whole(wish, of.stagger_mm * scale),
    )
    more = [] if best.reason or wish.process.kind == "drill" else [alike]
    most = _LOOKS_AT_SCALE, _FINALISTS_AT_SCALE
    return _best_within(search, wish, most, more, f"size {scale:.0%}", share)


def least_scale(search: Search, best: Outcome, most: float = 8.0) -> Size | None:
    """The smallest envelope, in scales of the wish's, that meets its limits, within 5%; None
    if none up to `most` does."""

    def at(scale: float) -> Size:
        return Size(scale, _at_scale(search, best, scale, (0.99, 1.0)))

    low, high, found = 1.0, 1.25, None
    while low < most and found is None and not search.late:
        size = at(high)
        if shortfalls(search.wish, size.outcome):
            low, high = high, min(high * 1.25, most)
        else:
            found = size
    while found is not None and found.scale / low > 1.05 and not search.late:
        middle = at((low * found.scale) ** 0.5)
        if shortfalls(search.wish, middle.outcome):
            low = middle.scale
        else:
            found = middle
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
    feature_mm = wish.process.feature_mm
    column_mm, row_mm = (
        round(math.floor(size / feature_mm + 1e-9) * feature_mm, 6) for size in (column_mm, low_mm)
    )
    if not fits(column_mm, row_mm):
        return None
    return replace(design, column_pitch_mm=column_mm, row_pitch_mm=row_mm)


def _spans(wish: Wish) -> tuple[float, float]:
    """Pitches from the first column to the last, and from the first row to the last."""
    cells = wish.face.cells
    of_columns, of_rows = [c.column for c in cells], [c.row for c in cells]
    return max(of_columns) - min(of_columns), max(of_rows) - min(of_rows)


def _depths(wish: Wish) -> list[float]:
    """Depths to begin with: from a thin plate to all that there is room for."""
    most = min(wish.envelope.height_mm, wish.envelope.width_mm / 2)
    if wish.process.kind == "drill":
        due = [drill_depth_mm(wish, drill) for drill in _drills_mm(wish)]
        return [depth for depth in due if depth <= most] or [most]
    if wish.shape == "half-cylinder":
        return [most * share for share in (0.6, 0.8, 1.0)]
    least = max(8 * wish.process.exit_mm, 0.04 * most)
    return [float(d) for d in np.geomspace(min(least, most), most, _DEPTHS)]


def _drills_mm(wish: Wish) -> list[float]:
    """The drills that make no exit smaller than is wished."""
    return [drill for drill in wish.process.drills_mm if drill >= wish.process.exit_mm]


def _start(wish: Wish, depth_mm: float) -> Design:
    exit_mm = wish.process.exit_mm
    if wish.process.kind == "drill":
        exit_mm = min(
            _drills_mm(wish), key=lambda drill: abs(drill_depth_mm(wish, drill) - depth_mm)
        )
    return Design(1.0, 1.0, max(_whole(wish, depth_mm), wish.process.feature_mm), exit_mm)


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


def _key(wish: Wish, design: Design, closely: bool) -> str:
    facts = (FORMAT, replace(wish, minutes=0.0, seed=0, name=""), design, closely)
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:24]


def _told(found: Outcome) -> str:
    if found.reason:
        return "none that fits"
    return (
        f"duty {found.duty:.3f}, wrong {found.wrong:.4f}, ghost {found.ghost:.3f}, "
        f"clear {found.clear:.3f}"
    )


def look(wish: Wish, design: Design, closely: bool) -> Outcome:
    """One look."""
    count, rounds, proof = _CLOSELY if closely else _ROUGHLY
    return tried(
        wish,
        design,
        declinations_deg(wish, count),
        rounds,
        declinations_deg(wish, proof) if proof else (),
    )


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

        def looks(wish: Wish, designs: Sequence[Design], closely: bool) -> list[Outcome]:
            tasks = [pool.submit(look, wish, design, closely) for design in designs]
            return [task.result() for task in tasks]

        yield looks
    except BaseException:
        # An interrupt does not wait for looks that nobody will see.
        for process in active_children():
            process.terminate()
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        if before is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = before
