"""A document as one HTML file that needs nothing else: no script, no font, no address."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterator

from dialbench.report.document import Block, Document, Picture, Section, Table, Words

# Nothing may be fetched, and nothing run, whatever a name in the data holds.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
_STYLE = """
:root { color-scheme: light dark; --ink: #20262d; --soft: #5d6670; --rule: #d5d9de; --paper: #fff;
  --mark: #9a5b00; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e3e7ec; --soft: #9aa4b0; --rule: #39424d; --paper: #12161b; --mark: #f4c34a; }
  img { background: #fff; }
}
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem 1rem 4rem; max-width: 54rem; background: var(--paper);
  color: var(--ink); font: 1rem/1.55 system-ui, sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0.6rem 0; }
h2 { font-size: 1.2rem; margin: 2.4rem 0 0.6rem; padding-top: 0.8rem;
  border-top: 1px solid var(--rule); }
p { margin: 0.5rem 0; }
p.lead { color: var(--soft); }
nav ol { columns: 16rem; padding-left: 1.4rem; margin: 0.6rem 0; }
a { color: inherit; }
figure { margin: 1rem 0; }
/* On a phone a figure is moved aside rather than made too small to read. */
figure img { display: block; width: 100%; min-width: 36rem; height: auto;
  border: 1px solid var(--rule); }
figcaption, caption { color: var(--soft); font-size: 0.88rem; text-align: left; padding: 0.3rem 0; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: 0.9rem; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: 0.22rem 0.9rem 0.22rem 0;
  border-bottom: 1px solid var(--rule); overflow-wrap: normal; }
thead th { border-bottom: 2px solid var(--soft); }
tbody th { font-weight: 400; color: var(--soft); }
@media print {
  :root { --ink: #000; --soft: #444; --rule: #bbb; --paper: #fff; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  nav { display: none; }
  h2, caption { break-after: avoid; }
  figure, tr { break-inside: avoid; }
  .wide { overflow: visible; }
  figure img { min-width: 0; }
  table { font-size: 8pt; }
  @page { size: A4; margin: 16mm; }
}
"""


def rendered(document: Document) -> bytes:
    """The document as UTF-8; the same bytes for the same document."""
    return "\n".join(_lines(document)).encode()


def _lines(document: Document) -> Iterator[str]:
    title = html.escape(document.title)
    yield "<!doctype html>"
    yield '<html lang="en">'
    yield "<head>"
    yield '<meta charset="utf-8">'
    yield f'<meta http-equiv="Content-Security-Policy" content="{html.escape(_POLICY)}">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{title}</title>"
    yield f"<style>{_STYLE}</style>"
    yield "</head>"
    yield "<body>"
    yield f"<header><h1>{title}</h1>"
    yield f'<p class="lead">{html.escape(document.lead)}</p></header>'
    yield '<nav aria-label="Contents"><ol>'
    for number, section in enumerate(document.sections, 1):
        yield f'<li><a href="#part{number}">{html.escape(section.title)}</a></li>'
    yield "</ol></nav>"
    yield "<main>"
    for number, section in enumerate(document.sections, 1):
        yield from _section(number, section)
    yield "</main>"
    yield "</body>"
    yield "</html>"
    yield ""


def _section(number: int, section: Section) -> Iterator[str]:
    yield f'<section aria-labelledby="part{number}">'
    yield f'<h2 id="part{number}">{number}. {html.escape(section.title)}</h2>'
    for block in section.blocks:
        yield from _block(block)
    yield "</section>"


def _block(block: Block) -> Iterator[str]:
    match block:
        case Words():
            yield f"<p>{html.escape(block.text)}</p>"
        case Table():
            yield from _table(block)
        case Picture():
            data = base64.b64encode(block.svg).decode()
            told = html.escape(block.description)
            picture = f'<img alt="{told}" src="data:image/svg+xml;base64,{data}">'
            yield f'<figure><div class="wide">{picture}</div>'
            yield f"<figcaption>{html.escape(block.caption)}</figcaption></figure>"


def _table(block: Table) -> Iterator[str]:
    yield f'<div class="wide"><table><caption>{html.escape(block.caption)}</caption>'
    if block.head:
        cells = "".join(f'<th scope="col">{html.escape(cell)}</th>' for cell in block.head)
        yield f"<thead><tr>{cells}</tr></thead>"
    yield "<tbody>"
    for first, *rest in block.rows:
        cells = "".join(f"<td>{html.escape(cell)}</td>" for cell in rest)
        yield f'<tr><th scope="row">{html.escape(first)}</th>{cells}</tr>'
    yield "</tbody></table></div>"
