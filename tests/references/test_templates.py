"""Templates measured: PDF by the strokes in its own content, DXF by another library's reader.

PDF 32000-1:2008, 8 (from memory): lengths in 1/72 inch; m, l, h, re make a path, S and its
like draw it, cm, q and Q change the axes, Tm and Tj place words. ezdxf reads and audits the DXF files.
"""

import math
import re
from dataclasses import replace
from itertools import pairwise

import ezdxf
import numpy as np
import pytest
from tests.references.test_drill_table import (
    BODIES,
    SITES,
    axis_of,
    dial_of,
    true_room,
    way_out_mm,
)

from dialbench.dial import Body, Channel
from dialbench.fabricate import drill, pages, templates
from dialbench.fabricate.drawing import Drawing, dxf
from dialbench.fabricate.workshop import Workshop

TRUE_MM = 0.1
MM = 25.4 / 72
A4_MM, LETTER_MM = (210.0, 297.0), (215.9, 279.4)


def strokes_of(pdf):
    """For every page: (start, end) of every straight stroke in mm, and the page's size in mm."""
    return [(strokes, size_mm) for strokes, _, size_mm in read_pages(pdf)]


def read_pages(pdf):
    """For every page: its strokes, its words (text, place), its size; all in mm."""
    boxes = re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)
    contents = re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL)
    assert len(boxes) == len(contents) > 0
    return [
        (*_content(content.decode("latin-1")), tuple(float(n) * MM for n in box.split())[2:])
        for box, content in zip(boxes, contents, strict=True)
    ]


def _content(content):
    stack, now, operands, strokes, words, path = [], np.eye(3), [], [], [], []
    at, text = np.eye(3), ""
    for token in re.findall(r"\((?:[^()\\]|\\.)*\)|[^\s()]+", content):
        if re.fullmatch(r"[+-]?[\d.]+", token):
            operands.append(float(token))
            continue
        if token.startswith("("):
            text = token[1:-1]
        elif token == "q":
            stack.append(now)
        elif token == "Q":
            now = stack.pop()
        elif token in ("cm", "Tm"):
            a, b, c, d, e, f = operands
            moved = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ now
            now, at = (moved, at) if token == "cm" else (now, moved)
        elif token == "Tj":
            words.append((text, at[2, :2] * MM))
        elif token in ("m", "l"):
            path.append((token, (np.array([*operands[-2:], 1.0]) @ now)[:2] * MM))
        elif token == "S":
            strokes += [(one[1], other[1]) for one, other in pairwise(path) if other[0] == "l"]
            path = []
        elif token in ("n", "f", "B", "re"):
            path = []
        operands = []
    return strokes, words


def crosses(strokes, size_mm):
    """Middles of upright crosses of a size: a level and an upright stroke that halve each other."""
    middles = {True: [], False: []}
    for start, end in strokes:
        way = np.abs(end - start)
        if abs(way.max() - size_mm) < 0.01 and way.min() < 0.01:
            middles[bool(way[0] > way[1])].append((start + end) / 2)
    return [
        level
        for level in middles[True]
        if any(np.abs(level - upright).max() < 0.01 for upright in middles[False])
    ]


def bars(strokes):
    """Lengths of the longest stroke among those that ticks of 3 mm stand on, level and upright."""
    found = {}
    for start, end in strokes:
        way = np.abs(end - start)
        if 50 < way.max() and way.min() < 0.01:
            level = bool(way[0] > way[1])
            ends = (start, end)
            ticks = [
                1
                for one, other in strokes
                if abs(np.abs(other - one).max() - 3.0) < 0.01
                and any(np.abs(one - each).max() < 0.01 for each in ends)
            ]
            if len(ticks) == 2:
                found[level] = way.max()
    return found


@pytest.fixture(params=[(site, body) for site in SITES for body in BODIES], ids="-".join)
def dial(request):
    return dial_of(SITES[request.param[0]], BODIES[request.param[1]])


@pytest.fixture
def rows(dial):
    return drill.rows(dial, Workshop())


def read_dxf(tmp_path, drawing):
    path = tmp_path / "read.dxf"
    path.write_bytes(dxf(drawing, "dial 0"))
    return ezdxf.readfile(path)


def lines_of(document, layer):
    """Closed lines of a layer, each (points, 2)."""
    found = document.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
    return [np.array([(x, y) for x, y, *_ in line.get_points()]) for line in found]


def dxf_crosses(document, layer):
    """Middles of a layer's crosses, in the order drawn."""
    found = document.modelspace().query(f'LINE[layer=="{layer}"]')
    middles = [tuple((line.dxf.start + line.dxf.end) / 2)[:2] for line in found]
    assert all(math.dist(a, b) < 1e-6 for a, b in zip(middles[::2], middles[1::2], strict=True))
    return np.array(middles[::2])


def glued(pdf):
    """Crosses of 4 mm of all pages in the first page's frame, joined by the marks' names."""
    found = read_pages(pdf)
    marks = []
    for strokes, words, _ in found:
        named = [(text, place) for text, place in words if re.fullmatch(r"m\d+", text)]
        middles = np.array(crosses(strokes, 5.0))
        near = [np.linalg.norm(middles - place, axis=1).argmin() for _, place in named]
        marks.append({text: middles[k] for (text, _), k in zip(named, near, strict=True)})
    placed = {0: np.zeros(2)}
    for _ in found:
        for k, mine in enumerate(marks):
            for other in [other for other in placed if k not in placed]:
                shifts = [marks[other][name] - mine[name] for name in mine if name in marks[other]]
                if shifts and k not in placed:
                    assert np.ptp(shifts, axis=0).max() < 0.01
                    placed[k] = placed[other] + shifts[0]
    assert len(placed) == len(found)
    return [
        place + placed[k]
        for k, (strokes, _, _) in enumerate(found)
        for place in crosses(strokes, 4.0)
    ]


def same_places(found, due, within_mm):
    """Whether two sets of places are one, up to where the sheet lies on the paper."""
    found, due = np.array(found), np.array(due)
    found, due = found - found.mean(axis=0), due - due.mean(axis=0)
    apart = np.linalg.norm(found[:, None] - due[None], axis=2)
    return apart.min(axis=0).max() < within_mm and apart.min(axis=1).max() < within_mm


def distinct(places):
    kept = []
    for place in places:
        if not kept or min(math.dist(place, other) for other in kept) > 0.05:
            kept.append(place)
    return kept


def test_bars_measure_100_mm(dial, rows):
    for drawing in (templates.face(dial), templates.surface(dial, rows)):
        for strokes, _ in strokes_of(pages.pdf(drawing, "dial 0")):
            found = bars(strokes)
            assert sorted(found) == [False, True]
            assert all(abs(length - 100.0) < TRUE_MM for length in found.values())


def test_exits_on_paper_are_as_far_apart_as_on_the_face(dial):
    found = strokes_of(pages.pdf(templates.face(dial), "dial 0"))
    assert len(found) == 1
    exits = distinct(crosses(found[0][0], 4.0))
    # Seen from behind the face, +y is on the left.
    due = [(-channel.y_mm, channel.z_mm) for channel in dial.channels]
    assert same_places(exits, due, TRUE_MM)
    mirrored = [(channel.y_mm, channel.z_mm) for channel in dial.channels]
    assert not same_places(exits, mirrored, TRUE_MM)


def test_pages_fit_a4_and_letter_and_join_true_to_size():
    dial = dial_of(SITES["north"], Body(160.0, 520.0, 25.0))
    far = ((140.0, -230.0), (-150.0, 240.0), (5.0, 11.0))
    dial = replace(dial, channels=tuple(Channel(y, z, k, 0) for k, (y, z) in enumerate(far)))
    pdf = pages.pdf(templates.face(dial), "dial 0")
    found = strokes_of(pdf)
    assert len(found) == 6
    for strokes, size_mm in found:
        assert size_mm[0] <= min(A4_MM[0], LETTER_MM[0]) + 0.01
        assert size_mm[1] <= min(A4_MM[1], LETTER_MM[1]) + 0.01
        points = np.array([point for stroke in strokes for point in stroke])
        # Printers leave some millimetres white all round (common practice, no source).
        assert points.min() > 5 and (np.array(size_mm) - points > 5).all()
        assert sorted(bars(strokes)) == [False, True]
    due = [(-channel.y_mm, channel.z_mm) for channel in dial.channels]
    assert same_places(distinct(glued(pdf)), due, TRUE_MM)


def test_dxf_is_sound_in_mm_with_layers_in_plain_words(dial, rows, tmp_path):
    for drawing in (templates.face(dial), templates.surface(dial, rows)):
        document = read_dxf(tmp_path, templates.with_bar(drawing))
        audit = document.audit()
        assert (audit.errors, audit.fixes) == ([], [])
        assert document.header["$INSUNITS"] == 4
        names = {layer.dxf.name for layer in document.layers} - {"0", "Defpoints"}
        assert all(re.fullmatch(r"[a-z]+( [a-z]+)*", name) for name in names)
        longest = max(
            math.dist(line.dxf.start, line.dxf.end)
            for line in document.modelspace().query('LINE[layer=="scale bar"]')
        )
        assert longest == pytest.approx(100.0, abs=1e-6)


def test_dxf_and_pdf_show_the_same_face(dial, tmp_path):
    drawing = templates.face(dial)
    on_paper = distinct(crosses(strokes_of(pages.pdf(drawing, "dial 0"))[0][0], 4.0))
    assert same_places(on_paper, dxf_crosses(read_dxf(tmp_path, drawing), "exits"), 0.01)


def rolled_out(body, point):
    """(s, z) of a point of the outer surface; s by stepping along the rim from its middle."""
    x, y, z = point
    steps = np.linspace(0, math.pi / 2, 200_001)
    rim = np.array([np.minimum(body.radius_mm * np.cos(steps), body.front_mm), None], object)[0]
    side = body.radius_mm * np.sin(steps)
    # The rim: flat as far as it is cut, then round.
    flat = math.sqrt(max(body.radius_mm**2 - body.front_mm**2, 0.0))
    if abs(y) <= flat and abs(x - body.front_mm) < 1e-3:
        return y, z
    ahead = np.hypot(np.diff(rim), np.diff(side))
    way = np.concatenate(([0.0], np.cumsum(ahead)))
    return math.copysign(float(np.interp(abs(y), side, way)), y), z


def test_entries_lie_where_the_axes_come_out(dial, rows, tmp_path):
    found = dxf_crosses(read_dxf(tmp_path, templates.surface(dial, rows)), "entries")
    due = []
    for bore in dial.bores:
        start = np.array([0.0, dial.channels[bore.channel].y_mm, dial.channels[bore.channel].z_mm])
        axis = axis_of(bore, dial.site)
        due.append(rolled_out(dial.body, start + way_out_mm(dial.body, start, axis) * axis))
    assert np.abs(found - np.array(due)).max() < 0.01


def rolled_up(body, s, z):
    """Points of the outer surface at (s, z), shape (n, 3)."""
    flat = math.sqrt(max(body.radius_mm**2 - body.front_mm**2, 0.0))
    turn = math.asin(flat / body.radius_mm) + (np.abs(s) - flat) / body.radius_mm
    on_flat = np.abs(s) <= flat
    x = np.where(on_flat, body.front_mm, body.radius_mm * np.cos(turn))
    y = np.where(on_flat, s, np.sign(s) * body.radius_mm * np.sin(turn))
    return np.column_stack((x, y, z))


def within(line, points):
    """Which points, shape (n, 2), lie within a closed line: by crossings of a level ray."""
    inside = np.zeros(len(points), bool)
    for (x1, y1), (x2, y2) in zip(line, np.roll(line, -1, axis=0), strict=True):
        spans = (y1 > points[:, 1]) != (y2 > points[:, 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            at = x1 + (points[:, 1] - y1) / (y2 - y1) * (x2 - x1)
        inside ^= spans & (points[:, 0] < at)
    return inside


def agree(lines, bores, dial, flat_points, points):
    """Points are within a bore's line if and only if they are within its void."""
    seen = 0
    for line, bore in zip(lines, bores, strict=True):
        room = true_room(bore, dial, points, False)
        clear = np.abs(room) > 0.05
        assert (within(line, flat_points)[clear] == (room > 0)[clear]).all()
        seen += int((room > 0).sum())
    assert seen > 100


def test_openings_on_the_surface_are_where_bores_cut_it(dial, rows, tmp_path):
    lines = lines_of(read_dxf(tmp_path, templates.surface(dial, rows)), "openings")
    rng = np.random.default_rng(3)
    edge = np.abs(lines_of(read_dxf(tmp_path, templates.surface(dial, rows)), "outline")[0])
    reach, half_z = edge.max(axis=0)
    flat = rng.uniform((-reach, -half_z), (reach, half_z), (60_000, 2))
    points = rolled_up(dial.body, flat[:, 0], flat[:, 1])
    agree(lines, dial.bores, dial, flat, points)
    # The sheet reaches from one edge of the face to the other.
    assert np.abs(rolled_up(dial.body, np.array([reach]), np.zeros(1))[0, 0]) < 1e-6


def test_openings_in_the_face_are_where_bores_cut_it(dial, tmp_path):
    lines = lines_of(read_dxf(tmp_path, templates.face(dial)), "openings")
    rng = np.random.default_rng(4)
    at = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels])
    points = at[rng.integers(0, len(at), 30_000)] + rng.uniform(-3, 3, (30_000, 3)) * (0, 1, 1)
    agree(lines, dial.bores, dial, points[:, 1:] * (-1, 1), points)


def test_a_stretched_template_is_found_out(dial):
    """One percent more or less, as a printer that fits to the page does it."""
    drawing = templates.face(dial)
    stretched = Drawing(drawing.title)
    for stroke in drawing.strokes:
        stretched.line(
            stroke.layer, [(1.01 * x, 1.01 * y) for x, y in stroke.points], stroke.closed
        )
    found = [
        (start + end) / 2
        for start, end in strokes_of(pages.pdf(stretched, "dial 0"))[0][0]
        if abs(np.abs(end - start).max() - 4.04) < 0.01
    ]
    due = [(-channel.y_mm, channel.z_mm) for channel in dial.channels]
    assert not same_places(distinct(found), due, TRUE_MM)
