"""What stands where on the live screen: each view turns the live state into rows of runs."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from dialbench.dial import Channel
from dialbench.errors import inert
from dialbench.states import State
from dialbench.watch import glyphs, panel
from dialbench.watch.events import Pulling
from dialbench.watch.model import LiveState
from dialbench.watch.painted import BANDED, Painted, Rows, Run, length, spread

_LABEL = 13
_ROOMY = 34  # rows beside the face in which every share of dial - clock has one of its own


class View(Painted):
    """A view of the live state; blank until the first one is shown."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self.live: LiveState | None = None

    def show(self, live: LiveState) -> None:
        """Paint another live state: only rows that differ are drawn."""
        self.live = live
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        return [] if self.live is None else self.live_rows(self.live, width, height)

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        """`rows` of a live state; each view has its own."""
        return []


class Title(View):
    """Name of the dial, its site, and how many channels are as predicted."""

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        dial = live.dial
        left: list[Run] = [
            (f" {inert(dial.name)}", "heading"),
            (f"  {inert(dial.site.name)}", "plain"),
        ]
        if live.why_unobserved == "no direct sun":
            right: Run = ("no direct sun ", "quiet")
        elif live.why_unobserved:
            right = (f"! {live.why_unobserved} ", "alert")
        elif live.wrong:
            right = (f"! {len(live.wrong)} of {len(live.states)} not as predicted ", "alert")
        else:
            right = (f"all {len(live.states)} as predicted ", "plain")
        return [spread(left, [right], width)]


class Face(View):
    """The dial's face, as large as the space allows, in its middle."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._drawn: tuple[object, Rows] = (None, [])

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        # Most looks find every channel as the one before did.
        wanted = (live.dial.channels, live.states, width, height)
        if self._drawn[0] != wanted:
            self._drawn = (wanted, face_rows(*wanted, self.blocks))
        return self._drawn[1]


def face_rows(
    channels: Sequence[Channel], states: Sequence[State], width: int, height: int, blocks: bool
) -> Rows:
    """A face in the middle of width x height characters."""
    size = glyphs.fit(channels, width, height, blocks)
    if size is None:
        columns, rows = glyphs.cells(channels)
        return [[(f"the face needs {columns} x {rows} cells here"[:width], "alert")]]
    left = " " * ((width - size.width) // 2)
    top: Rows = [[] for _ in range((height - size.height) // 2)]
    return top + [
        [(left, "plain"), *((text, state.value if state else "plain") for text, state in row)]
        for row in glyphs.face(channels, states, size)
    ]


class Caption(View):
    """One row under the face: a pull's progress, the comparison to come, or what is wrong."""

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        if live.pulling is not None:
            return [self._progress(live.pulling, width)]
        if live.comparing:
            return [[(" comparing the log with the prediction", "plain")]]
        row: list[Run] = []
        for state in (State.MISSING, State.STRAY):
            channels = live.channels(state)
            if channels:
                row.append((f" {state.value} {panel.numbers(channels)} ", state.value))
        return [row]

    def _progress(self, pulling: Pulling, width: int) -> list[Run]:
        told = f" {pulling.done} of {pulling.total} pages" if pulling.total else " asking"
        head = " pulling the log "
        room = max(0, width - len(head) - len(told) - 1)
        done = room * pulling.done // pulling.total if pulling.total else 0
        full, empty = ("█", "░") if self.blocks else ("#", ".")
        return [
            (head, "plain"),
            (full * done, "heading"),
            (empty * (room - done), "quiet"),
            (told, "plain"),
        ]


class Events(View):
    """The newest events, newest last."""

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        rows: Rows = []
        for utc_us, text in live.happened[-height:]:
            stamp = f" {panel.stamp(live, utc_us)} "
            for line in textwrap.wrap(inert(text), max(10, width - len(stamp) - 1)):
                rows.append([(stamp, "quiet"), (line, "plain")])
                stamp = " " * len(stamp)
        return rows[-height:] if height else []


class Facts(View):
    """The facts beside the face; section titles where there is room for them."""

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        return section_rows(panel.sections(live, roomy=height >= _ROOMY), height)


def section_rows(sections: Sequence[panel.Section], height: int) -> Rows:
    """Labels and values; titles where there is room for them, else grounds in turn."""
    room = height - sum(len(section.rows) for section in sections)
    titled = room >= 2 * len(sections)
    out: Rows = []
    for at, section in enumerate(sections):
        if titled:
            out += [[], [(f" {section.title}", "heading")]]
        ground = [BANDED] if at % 2 and not titled else []
        out += [ground + _labelled(row) for row in section.rows]
    return out


def _labelled(row: panel.Row) -> list[Run]:
    value = "alert" if row.alert else "strong" if row.label == "dial reads" else "plain"
    return [
        (f" {row.label:{_LABEL}}", "label"),
        ("!" if row.alert else " ", "alert"),
        (row.value, value),
    ]


class Legend(View):
    """The five states with their shapes, how many channels are in each, what they mean."""

    def live_rows(self, live: LiveState, width: int, height: int) -> Rows:
        return legend_rows(live.states, live.why_unobserved, width, self.blocks)


def legend_rows(states: Sequence[State], why_unobserved: str, width: int, blocks: bool) -> Rows:
    """The legend in two rows."""
    rows: Rows = [[], []]
    entries = panel.tally(states, why_unobserved)
    texts = [(f"{state.value} {count}", meaning) for state, count, meaning in entries]
    used = sum(4 + max(map(len, pair)) for pair in texts)
    gap = max(1, min(4, (width - used) // (len(texts) + 1)))
    for (state, _, _), (top, bottom) in zip(entries, texts, strict=True):
        shape = glyphs.sample(state, 3, blocks)
        room = max(len(top), len(bottom))
        for y, (drawn, text) in enumerate(zip(shape, (top, bottom), strict=True)):
            rows[y] += [
                (" " * gap, "plain"),
                (drawn, state.value),
                (f" {text:{room}}", "quiet" if y else "plain"),
            ]
    return rows


class KeyRow(Painted):
    """The keys that do something on this page alone; those for which there is no room are left
    to the help sheet."""

    def __init__(self, blocks: bool, keys: Sequence[tuple[str, str]]) -> None:
        super().__init__(blocks)
        self._keys = keys

    def rows(self, width: int, height: int) -> Rows:
        row: list[Run] = []
        for key, does in self._keys:
            more = _key(key, does + " ")
            if length(row + more) > width:
                break
            row += more
        return [row]


class Contents(Painted):
    """The pages with the keys that bring them up, this one marked; then the keys that do the
    same on all of them."""

    def __init__(
        self,
        blocks: bool,
        contents: Sequence[tuple[str, str]],
        here: str,
        common: Sequence[tuple[str, str]],
    ) -> None:
        super().__init__(blocks)
        self._contents = contents
        self._here = here
        self._common = common

    def rows(self, width: int, height: int) -> Rows:
        pages: list[Run] = []
        for key, label in self._contents:
            if key == self._here:
                pages += [(" ", "plain"), (f"{key} {label}", "here")]
            else:
                pages += _key(key, label)
        return [spread(pages, [run for pair in self._common for run in _key(*pair)], width)]


def _key(key: str, does: str) -> list[Run]:
    return [(f" {key}", "heading"), (f" {does}", "plain")]
