"""Two sets of colours, light and dark, as themes, and the names the views paint with."""

from __future__ import annotations

import re
from collections.abc import Mapping

from textual.theme import Theme

from dialbench import colours


def _theme(name: str, dark: bool, colours: Mapping[str, str]) -> Theme:
    return Theme(
        name=name,
        dark=dark,
        primary=colours["primary"],
        foreground=colours["foreground"],
        background=colours["background"],
        surface=colours["surface"],
        panel=colours["panel"],
        variables=dict(colours),
    )


DARK = _theme("dialbench-dark", True, colours.DARK)
LIGHT = _theme("dialbench-light", False, colours.LIGHT)

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
