"""What the server hands out: our page, and the terminal that textual-serve brings along.

Everything a browser gets stands in this list, read at the start; a request names one of
them or gets nothing. What is here asks for nothing from elsewhere, and HEADERS forbid it.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

from dialbench.watch.web.address import WebError

HEADERS = {
    # Styles inline: the terminal makes its own. Everything else comes from this server.
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline';"
        " font-src 'self'; img-src 'self' data:; connect-src 'self';"
        " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}

_OURS = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
}
_TERMINAL = {
    "/terminal.css": ("css/xterm.css", "text/css"),
    "/terminal.js": ("js/textual.js", "text/javascript"),
    "/terminal.ttf": ("fonts/RobotoMono-VariableFont_wght.ttf", "font/ttf"),
}


@dataclass(frozen=True)
class Served:
    """One thing a browser may ask for."""

    content: bytes
    kind: str


def served() -> dict[str, Served]:
    """By path: all that is handed out. Raises WebError where the extra is not installed."""
    try:
        terminal = files("textual_serve") / "static"
    except ModuleNotFoundError:
        raise WebError(
            "--web needs textual-serve, which is not here: pip install 'dialbench[web]'"
        ) from None
    ours = files("dialbench.watch.web") / "page"
    return {
        path: Served((folder / name).read_bytes(), kind)
        for folder, listed in ((ours, _OURS), (terminal, _TERMINAL))
        for path, (name, kind) in listed.items()
    }
