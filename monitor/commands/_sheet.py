"""A sheet of headed lines and tables, as plain text for 80 columns or as a page of HTML that prints on one side."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH = 80
GAP = "  "
_STYLE = """
body { font: 11pt/1.35 system-ui, sans-serif; color: #111; background: #fff; max-width: 46rem; margin: 1.5rem auto;
       padding: 0 1rem; }
h1 { font-size: 1.35rem; margin: 0 0 .3rem; }
h2 { font-size: 1rem; margin: .9rem 0 .2rem; border-bottom: 1px solid #999; }
p { margin: .15rem 0; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: right; padding: .08rem .5rem .08rem 0; white-space: nowrap; }
th:first-child, td:first-child { text-align: left; }
thead th { border-bottom: 1px solid #999; font-weight: 600; }
tbody tr:nth-child(even) td { background: #f3f3f3; }
@page { margin: 14mm; }
@media print { body { margin: 0; max-width: none; font-size: 9.5pt; }
               tbody tr:nth-child(even) td { background: none; } }
"""


@dataclass(frozen=True)
class Table:
    """A table; the first column is text, the others are set to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Section:
    """A heading with an optional table and lines below it."""

    title: str
    lines: tuple[str, ...] = ()
    table: Table | None = None


def text(title: str, sections: Sequence[Section], width: int = WIDTH) -> str:
    """Return the sheet as plain text, no line longer than `width`."""
    out = [*textwrap.wrap(title, width), "=" * min(len(title), width)]
    for section in sections:
        out += ["", section.title.upper()]
        if section.table is not None:
            out += _rows(section.table, width)
        for line in section.lines:
            out += textwrap.wrap(line, width, subsequent_indent="  ", break_on_hyphens=False)
    return "\n".join(out) + "\n"


def _rows(table: Table, width: int) -> list[str]:
    every = [table.head, *table.rows]
    columns = [max(len(row[k]) for row in every) for k in range(len(table.head))]
    lines = []
    for row in every:
        cells = [
            cell.ljust(w) if k == 0 else cell.rjust(w) for k, (cell, w) in enumerate(zip(row, columns, strict=True))
        ]
        line = GAP.join(cells).rstrip()
        lines += [line] if len(line) <= width else textwrap.wrap(line, width, subsequent_indent="  ")
    return lines


def html(title: str, sections: Sequence[Section]) -> str:
    """Return the sheet as one HTML page that needs nothing else: no script, no picture, no other file."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
        f"<main><h1>{escape(title)}</h1>",
    ]
    for section in sections:
        parts.append(f"<section><h2>{escape(section.title)}</h2>")
        if section.table is not None:
            parts.append(_html_table(section.table))
        parts += [f"<p>{escape(line)}</p>" for line in section.lines]
        parts.append("</section>")
    return "\n".join([*parts, "</main></body></html>"]) + "\n"


def _html_table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in table.head)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>\n" for row in table.rows)
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>"
