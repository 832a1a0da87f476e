"""The colours of our own, in which screens and pictures are painted.

Colour never carries a meaning alone: every state has its shape, every alert its mark.
The four strong colours stay apart for the common kinds of colour blindness: amber,
blue, vermilion, grey.
"""

from __future__ import annotations

from types import MappingProxyType

DARK = MappingProxyType(
    {
        "primary": "#f4c34a",
        "foreground": "#d7dce2",
        "background": "#0a0d12",
        "surface": "#11161d",
        "panel": "#1a222c",
        "lit": "#ffd35a",
        "dark": "#566270",
        "missing": "#58b4ff",
        "stray": "#ff7d4d",
        "unobserved": "#8d97a3",
        "quiet": "#8590a0",
    }
)
LIGHT = MappingProxyType(
    {
        "primary": "#9a5b00",
        "foreground": "#20262d",
        "background": "#f8f5ee",
        "surface": "#f1ece1",
        "panel": "#e4dccb",
        "lit": "#c07400",
        "dark": "#8c8475",
        "missing": "#0b62b8",
        "stray": "#c2360c",
        "unobserved": "#7b776f",
        "quiet": "#6a665e",
    }
)
