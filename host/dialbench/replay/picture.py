"""A day as one animated picture: the face, what it reads, the clock, the Sun."""

from __future__ import annotations

import html

import numpy as np
from numpy.typing import NDArray

from dialbench.colours import DARK
from dialbench.dial import Channel
from dialbench.errors import inert
from dialbench.reading import zone_time
from dialbench.replay.film import Film
from dialbench.replay.timeline import LIT, STATES, Timeline
from dialbench.states import State

Ints = NDArray[np.int64]

SECONDS = 60.0
# So that the picture's size has a bound, however often a log says that its channels change.
FRAMES = 3600  # 24 s of the longest day each

_WIDTH, _HEIGHT, _EDGE = 960, 540, 32
_BOX = f"0 0 {_WIDTH} {_HEIGHT}"
_FACE_TOP, _FACE_WIDTH, _FACE_HEIGHT = 72, 592, 316
_SIDE, _SIDE_WIDTH = 664, 264
_READS_TOP, _CLOCK_TOP, _SUN_TOP, _SUN_HEIGHT = 72, 184, 290, 90
_STRIP_TOP, _STRIP_HEIGHT, _STRIP_WIDTH = 424, 16, _WIDTH - 2 * _EDGE
_LEGEND_TOP, _SAMPLE = 490, 22
_DIGIT, _COLON, _DIGITS = 34, 1.8, (0.0, 1.0, 2.6, 3.6)  # of the clock: width, and places in it
_LONGEST = 48  # characters of a name
_SUN_PLACES = 97

_IDS = {state: state.value[0] for state in State}


def animated(timeline: Timeline, seconds: float = SECONDS) -> str:
    """The day as an SVG document that plays over and over, once in so many seconds.

    Frame k of FRAMES shows the face at its share k / FRAMES of the day. Where motion is not
    wanted (prefers-reduced-motion) the middle of the day stands still, and where nothing plays.
    """
    frame_us = timeline.start_us + np.arange(FRAMES) * timeline.states.span_us // FRAMES
    middle = FRAMES // 2
    side = _cell(timeline.dial.channels)
    title, told = _words(timeline)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{_BOX}" role="img"',
            f'width="{_WIDTH}" height="{_HEIGHT}" aria-labelledby="title told">',
            f'<title id="title">{_safe(title)}</title>',
            f'<desc id="told">{_safe(told)}</desc>',
            f"<style>{_STYLE}</style>",
            "<defs>",
            *(_shape(state, _IDS[state], side) for state in State),
            *(_shape(state, f"{_IDS[state]}0", _SAMPLE) for state in State),
            *(f'<text id="c{digit}" class="clock">{digit}</text>' for digit in range(10)),
            *(
                f'<text id="r{k}" class="reads">{_safe(text)}</text>'
                for text, k in _texts(timeline).items()
            ),
            '<text id="none" class="quiet">no face of the plan</text>',
            '<text id="blind" class="quiet">not observed</text>',
            '<circle id="up" r="8" class="primary"/>',
            '<circle id="down" r="7" class="hollow"/>',
            "</defs>",
            f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{DARK["background"]}"/>',
            f'<text x="{_EDGE}" y="42" class="heading">{_safe(title)}</text>',
            *_side(timeline),
            *_strip(timeline),
            *_legend(),
            '<g class="moving">',
            *_scene(timeline, Film(seconds, FRAMES, middle), frame_us),
            "</g>",
            '<g class="still" aria-hidden="true">',
            *_scene(timeline, Film(seconds, 1, 0), frame_us[middle : middle + 1]),
            "</g>",
            "</svg>",
            "",
        ]
    )


def _scene(timeline: Timeline, film: Film, frame_us: Ints) -> list[str]:
    """All that changes; frame_us: the instant of every frame."""
    shown = timeline.states.at(frame_us)
    ids = np.array([_IDS[state] for state in STATES])[shown]
    scene = [
        film.shapes(*place, of.tolist())
        for place, of in zip(_places(timeline.dial.channels), ids.T, strict=True)
    ]
    scene.append(film.shapes(_SIDE, _READS_TOP + 76, _readings(timeline, shown, frame_us)))

    clocks = [zone_time(timeline.dial, at_us) for at_us in frame_us.tolist()]
    digits = zip(*(f"{clock:%H%M}" for clock in clocks), strict=True)
    for place, digit in zip(_DIGITS, digits, strict=True):
        names = [f"c{value}" for value in digit]
        scene.append(film.shapes(_SIDE + _DIGIT * place, _CLOCK_TOP + 60, names))

    at_us = frame_us if film.frames == 1 else _evenly(timeline)
    up = timeline.sky.sun(frame_us).up
    sun = film.shapes(0, 0, ["up" if there else "down" for there in up])
    scene.append(film.moved(sun, _sun_way(timeline, at_us)))
    cursor = f'<path d="M0-8V{_STRIP_HEIGHT + 8}" class="cursor"/>'
    scene.append(
        film.moved(cursor, [(_strip_x(timeline, at), _STRIP_TOP) for at in at_us.tolist()])
    )
    return scene


def _readings(timeline: Timeline, shown: Ints, frame_us: Ints) -> list[str]:
    """The id of what the dial reads at every frame."""
    texts = _texts(timeline)
    faces = {step.channels for step in timeline.dial.plan.steps}
    lit = np.isin(shown, [STATES.index(state) for state in LIT])
    blind = (shown == STATES.index(State.UNOBSERVED)).any(axis=1)
    names = []
    for k, at_us in enumerate(frame_us.tolist()):
        face = frozenset(np.flatnonzero(lit[k]).tolist())
        step = timeline.reads(face, at_us) if face in faces else None
        names.append(f"r{texts[step.spells]}" if step else "blind" if blind[k] else "none")
    return names


def _texts(timeline: Timeline) -> dict[str, int]:
    """What the plan's faces spell, each once, and its number."""
    spelt = dict.fromkeys(step.spells for step in timeline.dial.plan.steps)
    return {text: k for k, text in enumerate(spelt)}


def _side(timeline: Timeline) -> list[str]:
    """What stands still beside the face: labels, and the Sun's way over the skyline."""
    at_us = _evenly(timeline)
    sun = timeline.sky.sun(at_us)
    way = "L".join(f"{x:.1f} {y:.1f}" for x, y in _sun_way(timeline, at_us))
    scale = _sun_scale(timeline)
    hills = "".join(
        f"L{x:.1f} {_SUN_TOP + _SUN_HEIGHT - max(0.0, altitude_deg) * scale:.1f}"
        for x, altitude_deg in zip(
            np.linspace(_SIDE, _SIDE + _SIDE_WIDTH, _SUN_PLACES), sun.horizon_deg, strict=True
        )
    )
    base = _SUN_TOP + _SUN_HEIGHT + 8
    return [
        f'<text x="{_SIDE}" y="{_READS_TOP + 12}" class="quiet">the dial reads</text>',
        f'<text x="{_SIDE}" y="{_CLOCK_TOP + 4}" class="quiet">clock, UTC{_ahead(timeline)}</text>',
        f'<text x="{_SIDE + _COLON * _DIGIT:g}" y="{_CLOCK_TOP + 58}" class="clock">:</text>',
        f'<path d="M{way}" class="way"/>',
        f'<path d="M{_SIDE} {base}{hills}V{base}z" class="hills"/>',
    ]


def _evenly(timeline: Timeline) -> Ints:
    return np.linspace(timeline.start_us, timeline.end_us, _SUN_PLACES).astype(np.int64)


def _sun_scale(timeline: Timeline) -> float:
    """Pixels a degree of altitude."""
    highest_deg = timeline.sky.sun(_evenly(timeline)).altitude_deg.max()
    return float(_SUN_HEIGHT / max(10.0, highest_deg))


def _sun_way(timeline: Timeline, at_us: Ints) -> list[tuple[float, float]]:
    """Where the Sun is drawn: time to the right, altitude upwards."""
    share = (at_us - timeline.start_us) / timeline.states.span_us
    altitude_deg = timeline.sky.sun(at_us).altitude_deg
    y = _SUN_TOP + _SUN_HEIGHT - altitude_deg * _sun_scale(timeline)
    return list(zip((_SIDE + share * _SIDE_WIDTH).tolist(), y.tolist(), strict=True))


def _strip_x(timeline: Timeline, at_us: int) -> float:
    return _EDGE + (at_us - timeline.start_us) / timeline.states.span_us * _STRIP_WIDTH


def _strip(timeline: Timeline) -> list[str]:
    """The whole day as a bar: observed time, faces one after the other, what was wrong."""
    seen, missing, stray, edges = (np.zeros(_STRIP_WIDTH + 1, np.bool_) for _ in range(4))
    for one in timeline.stretches:
        first, last = (int(_strip_x(timeline, at)) - _EDGE for at in (one.start_us, one.end_us))
        for column, true in ((seen, one.observed), (missing, one.missing), (stray, one.stray)):
            column[first : max(last, first + 1)] |= bool(true)
        edges[first] |= one.reads is not None
    bottom = _STRIP_TOP + _STRIP_HEIGHT
    ticks = "".join(f"M{_EDGE + x} {_STRIP_TOP}v{_STRIP_HEIGHT}" for x in np.flatnonzero(edges))
    parts = [
        _runs(np.ones_like(seen), _STRIP_TOP, _STRIP_HEIGHT, "frame"),
        _runs(seen, _STRIP_TOP, _STRIP_HEIGHT, "seen"),
        f'<path d="{ticks}" class="edge"/>',
        _runs(missing, _STRIP_TOP - 7, 5, "m"),
        _runs(stray, bottom + 2, 5, "s"),
    ]
    hour_us = 3_600_000_000
    clock = zone_time(timeline.dial, timeline.start_us)
    offset = clock.utcoffset()
    ahead_us = 0 if offset is None else int(offset.total_seconds() * 1e6)
    first_hour = -(-(timeline.start_us + ahead_us) // hour_us)
    for hour in range(first_hour, (timeline.end_us + ahead_us) // hour_us + 1):
        x = _strip_x(timeline, hour * hour_us - ahead_us)
        parts.append(f'<text x="{x:.1f}" y="{bottom + 24}" class="hour">{hour % 24}</text>')
    return parts


def _runs(columns: NDArray[np.bool_], top: int, height: int, name: str) -> str:
    """A bar where columns hold."""
    edges = np.flatnonzero(np.diff(columns, prepend=False, append=False)).tolist()
    boxes = "".join(
        f"M{_EDGE + first} {top}h{last - first}v{height}h{first - last}z"
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    )
    return f'<path d="{boxes}" class="{name}"/>'


def _legend() -> list[str]:
    step = _STRIP_WIDTH / len(State)
    return [
        f'<use href="#{_IDS[state]}0" x="{_EDGE + k * step:g}" y="{_LEGEND_TOP}"/>'
        f'<text x="{_EDGE + k * step + _SAMPLE + 8:g}" y="{_LEGEND_TOP + 16}">{state.value}</text>'
        for k, state in enumerate(State)
    ]


def _grid(channels: tuple[Channel, ...]) -> tuple[int, int]:
    """Columns and rows of the face."""
    return (
        1 + max((channel.column for channel in channels), default=0),
        1 + max((channel.row for channel in channels), default=0),
    )


def _cell(channels: tuple[Channel, ...]) -> float:
    """The side of a channel's cell: the largest square of which all fit."""
    columns, rows = _grid(channels)
    return min(_FACE_WIDTH / columns, _FACE_HEIGHT / rows)


def _places(channels: tuple[Channel, ...]) -> list[tuple[float, float]]:
    """The left upper corners of their cells, the face in the middle of its room."""
    side = _cell(channels)
    columns, rows = _grid(channels)
    left = _EDGE + (_FACE_WIDTH - columns * side) / 2
    top = _FACE_TOP + (_FACE_HEIGHT - rows * side) / 2
    return [(left + one.column * side, top + one.row * side) for one in channels]


def _shape(state: State, name: str, side: float) -> str:
    """A state's shape, as on the screen: full, a dot, an outline, a cross, a bar."""
    near, far, line = 0.06 * side, 0.94 * side, 0.15 * side
    full = f"M{near:.2f} {near:.2f}H{far:.2f}V{far:.2f}H{near:.2f}z"
    match state:
        case State.LIT:
            body = f'<path d="{full}"'
        case State.DARK:
            body = f'<circle cx="{side / 2:.2f}" cy="{side / 2:.2f}" r="{line / 2:.2f}"'
        case State.MISSING:
            a, b = near + line, far - line
            body = f'<path d="{full}M{a:.2f} {a:.2f}V{b:.2f}H{b:.2f}V{a:.2f}z"'
        case State.STRAY:
            a, b = near + line / 2, far - line / 2
            cross = f"M{a:.2f} {a:.2f}L{b:.2f} {b:.2f}M{b:.2f} {a:.2f}L{a:.2f} {b:.2f}"
            body = f'<path d="{cross}" stroke-width="{line:.2f}"'
        case State.UNOBSERVED:
            top = (side - line) / 2
            body = f'<path d="M{near:.2f} {top:.2f}H{far:.2f}v{line:.2f}H{near:.2f}z"'
    return f'{body} id="{name}" class="{_IDS[state]}"/>'


def _words(timeline: Timeline) -> tuple[str, str]:
    """A heading, and the picture told to those who do not see it."""
    dial = timeline.dial
    names = ", ".join(_short(inert(name)) for name in (dial.name, dial.site.name))
    how = (
        "as predicted for a day without a cloud"
        if timeline.kind == "predicted"
        else "as logged, held against what was predicted"
    )
    start, end = (zone_time(dial, at) for at in (timeline.start_us, timeline.end_us))
    wrong_us = sum(s.end_us - s.start_us for s in timeline.stretches if s.wrong)
    read = [s.reads.spells for s in timeline.stretches if s.reads is not None]
    reads = f"It reads {read[0]} first and {read[-1]} last" if read else "It reads nothing"
    return f"{names}: {timeline.day}, {timeline.kind}", (
        f"The face of the dial {names} on {timeline.day}, {how}, from {start:%H:%M} to {end:%H:%M}"
        f" (UTC{_ahead(timeline)}), played over and over beside a clock. {reads}; for"
        f" {wrong_us / 60e6:.1f} minutes some channel is not as predicted. A lit channel is a full"
        " square, a dark one a dot, a missing one an outline, a stray one a cross, an unobserved"
        " one a bar."
    )


def _ahead(timeline: Timeline) -> str:
    """Such as "-01:00"."""
    text = f"{zone_time(timeline.dial, timeline.start_us):%z}"
    return f"{text[:3]}:{text[3:5]}"


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _safe(text: str) -> str:
    return html.escape(inert(text))


_STYLE = (
    "text{font-family:sans-serif;font-size:15px;fill:FOREGROUND}"
    ".heading{font-size:20px;fill:PRIMARY}.quiet{fill:QUIET}"
    ".reads{font-size:72px;font-weight:bold}.clock{font-family:monospace;font-size:54px}"
    ".hour{font-size:13px;text-anchor:middle;fill:QUIET}"
    ".l{fill:LIT}.d{fill:DARK}.m{fill:MISSING}.s{fill:STRAY;stroke:STRAY}.u{fill:UNOBSERVED}"
    ".primary{fill:PRIMARY}.hollow{fill:BACKGROUND;stroke:PRIMARY;stroke-width:2}"
    ".way{fill:none;stroke:QUIET;stroke-dasharray:2 4}.hills{fill:PANEL;stroke:QUIET}"
    ".frame{fill:SURFACE;stroke:QUIET}.seen{fill:PANEL}.edge{stroke:QUIET}"
    ".cursor{stroke:PRIMARY;stroke-width:3}.still{display:none}"
    "@media (prefers-reduced-motion:reduce){.moving{display:none}.still{display:inline}}"
)
for _name, _colour in DARK.items():
    _STYLE = _STYLE.replace(_name.upper(), _colour)
