"""Two sets of colours of our own, light and dark, and the names the views paint with.

Colour never carries a meaning alone: every state has its shape, every alert its mark.
The four strong colours stay apart for the common kinds of colour blindness: amber,
blue, vermilion, grey.
"""

from __future__ import annotations

import re

from textual.theme import Theme

DARK = Theme(
    name="dialbench-dark",
    dark=True,
    primary="#f4c34a",
    foreground="#d7dce2",
    background="#0a0d12",
    surface="#11161d",
    panel="#1a222c",
    variables={
        "lit": "#ffd35a",
        "dark": "#566270",
        "missing": "#58b4ff",
        "stray": "#ff7d4d",
        "unobserved": "#8d97a3",
        "quiet": "#8590a0",
    },
)
LIGHT = Theme(
    name="dialbench-light",
    dark=False,
    primary="#9a5b00",
    foreground="#20262d",
    background="#f8f5ee",
    surface="#f1ece1",
    panel="#e4dccb",
    variables={
        "lit": "#c07400",
        "dark": "#a59d8f",
        "missing": "#0b62b8",
        "stray": "#c2360c",
        "unobserved": "#7b776f",
        "quiet": "#6a665e",
    },
)

CSS = """
.lit { color: $lit; }
.dark { color: $dark; }
.missing { color: $missing; text-style: bold; }
.stray { color: $stray; text-style: bold; }
.unobserved { color: $unobserved; }
.plain { color: $foreground; }
.strong { color: $foreground; text-style: bold; }
.quiet { color: $quiet; }
.label { color: $quiet; }
.heading { color: $primary; text-style: bold; }
.alert { color: $stray; text-style: bold; }
.here { color: $primary; text-style: bold reverse; }
.band { background: $panel; }
"""
NAMES = frozenset(re.findall(r"^\.([a-z]+)", CSS, re.MULTILINE))
