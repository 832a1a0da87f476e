"""Paper templates, true to size: exits on the face, entries on the outer surface.

Both are drawn as seen by who sticks them on: the face's from behind the face, so +y is on
the left; the surface's from outside, unrolled (see `outlines`), so +y is on the right.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dialbench.dial import Dial
from dialbench.fabricate.drawing import Drawing
from dialbench.fabricate.drill import Row
from dialbench.fabricate.outlines import Wrap, on_face, on_surface
from dialbench.fabricate.pages import BAR_MM
from dialbench.rays.voids import Voids

_CROSS_MM = 4.0
_STAGGER_MM = 3.6


def face(dial: Dial) -> Drawing:
    """The face: its edge, every channel's exit with its number, where bores open in it."""
    drawing = Drawing(f"{dial.name}: exits on the face")
    half_y, half_z = dial.body.radius_mm, dial.body.length_mm / 2
    drawing.box("outline", (-half_y, -half_z), (half_y, half_z))
    drawing.line("axes", [(0.0, -half_z), (0.0, half_z)])
    drawing.line("axes", [(-half_y, 0.0), (half_y, 0.0)])
    voids = Voids.of(dial, 0.0, 1.0)
    seen = set()
    for k, bore in enumerate(dial.bores):
        line = on_face(dial, voids, k) * (-1, 1)
        # Bores of one exit at one angle across it open alike.
        key = (bore.channel, np.round(line, 4).tobytes())
        if key not in seen:
            seen.add(key)
            drawing.line("openings", line.tolist(), closed=True)
    for number, channel in enumerate(dial.channels):
        at = (-channel.y_mm, channel.z_mm)
        drawing.cross("exits", at, _CROSS_MM)
        drawing.say("numbers", (at[0] + 1.2, at[1] + 1.2), str(number), 2.2)
    drawing.say("notes", (1.5, half_z - 4.5), "+z, to the pole", 2.2)
    drawing.say("notes", (-half_y + 2, 1.2), "+y", 2.2)
    drawing.say(
        "notes",
        (-half_y + 2, -half_z + 2),
        "Seen from behind the face. Print side towards you; numbers are channels.",
        2.0,
    )
    return drawing


def surface(dial: Dial, listed: Sequence[Row]) -> Drawing:
    """The outer surface unrolled: every bore's entry with its number, fold lines, edges."""
    drawing = Drawing(f"{dial.name}: entries on the outer surface")
    wrap, half_z = Wrap(dial.body), dial.body.length_mm / 2
    drawing.box("outline", (-wrap.reach_mm, -half_z), (wrap.reach_mm, half_z))
    drawing.line("axes", [(0.0, -half_z), (0.0, half_z)])
    drawing.line("axes", [(-wrap.reach_mm, 0.0), (wrap.reach_mm, 0.0)])
    if 0 < wrap.flat_mm < wrap.reach_mm:
        for s in (-wrap.flat_mm, wrap.flat_mm):
            drawing.line("fold lines", [(s, -half_z), (s, half_z)])
    voids = Voids.of(dial, 0.0, 1.0)
    for row in listed:
        line = on_surface(dial, voids, row.number)
        layer = "pockets" if row.kind == "pocket" else "openings"
        drawing.line(layer, line.tolist(), closed=True)
        if row.kind == "pocket":
            continue
        x, y, z = row.entry_point
        s = float(wrap.unrolled(np.array(x), np.array(y)))
        drawing.cross("entries", (s, z), min(_CROSS_MM, 2 * row.surface_mm))
        top = float(line[:, 1].max()) if len(line) else z
        # Neighbours' numbers stand at different heights, where entries are narrower than digits.
        low = min(top, half_z) - 4.0 - _STAGGER_MM * (row.number % 3)
        drawing.say("numbers", (s + 0.7, low), str(row.number), 1.4, 90.0)
    drawing.say("notes", (1.5, half_z - 4.5), "+z, to the pole", 2.2)
    drawing.say("notes", (wrap.reach_mm - 6, 1.2), "+y", 2.2)
    drawing.say(
        "notes",
        (-wrap.reach_mm + 2, -half_z + 2),
        "Seen from outside. Lay round the body, fold at the grey lines; numbers are bores.",
        2.0,
    )
    return drawing


def with_bar(template: Drawing) -> Drawing:
    """A template with a bar of 100 mm under it, for programs that import it."""
    made = Drawing(template.title, [*template.strokes], [*template.circles], [*template.words])
    (left, low), _ = template.bounds()
    y = low - 15
    made.line("scale bar", [(left, y), (left + BAR_MM, y)])
    for k in range(11):
        x = left + BAR_MM / 10 * k
        made.line("scale bar", [(x, y), (x, y + (3.0 if k % 5 == 0 else 1.8))])
    made.say("scale bar", (left + BAR_MM + 3, y), "100 mm", 2.5)
    return made
