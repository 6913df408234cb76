"""Small pieces of HTML that every part of the report is set from: numbers, tables, lists, sections."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from logger.quantity import Quantity
from logger.report.data import Units


def number(quantity: Quantity | None, units: Units, *, sign: bool = False, spread: bool = True) -> str:
    """Set a quantity as `<data>` with its unit and, if `spread`, its ±; "—" where there is none.

    `sign` writes a plus before positive values. A value without a known u says "±?" so that nobody takes it
    for exact.
    """
    if quantity is None:
        return '<span class="none">—</span>'
    q = quantity.shown_beside(units)
    known = q.u is not None and q.u > 0
    text = q.text() if spread else q.value_text()
    if not known and spread:
        text = f"{text} ±?"
    if sign and q.value > 0:
        text = f"+{text}"
    value, _, rest = true_minus(text).partition(" ")
    attributes = f'value="{q.value:.9g}"' + (f' data-u="{q.u:.4g}"' if known else "")
    return f'<data {attributes} data-unit="{escape(q.unit)}">{value} <small>{escape(rest)}</small></data>'


def plain(quantity: Quantity, units: Units) -> str:
    """Write a quantity with ± and unit as text for sentences, never broken at a line's end."""
    return true_minus(quantity.shown_beside(units).text()).replace(" ", "\N{NO-BREAK SPACE}")


def true_minus(text: str) -> str:
    """Put a true minus where a hyphen stands before a figure."""
    return text.replace("-", "−")


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, caption: str = "", kind: str = "") -> str:
    """Set a table of ready HTML cells; the first cell of a row is its header."""
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>{"".join(f"<td>{cell}</td>" for cell in row[1:])}</tr>'
        for row in rows
    )
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    name = f"<caption>{caption}</caption>" if caption else ""
    inside = f"{name}<thead><tr>{top}</tr></thead><tbody>{body}</tbody>"
    return f'<div class="wide"><table class="{kind}">{inside}</table></div>'


def bullets(sentences: Iterable[str], kind: str = "") -> str:
    """Set sentences (plain text) as a list; nothing when there are none."""
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f'<ul class="{kind}">{items}</ul>' if items else ""


def section(title: str, body: str, *, aside: str = "", kind: str = "") -> str:
    """Set a section with its title, a note in the margin (plain text) and its body; "" for an empty body."""
    if not body:
        return ""
    note = f"<aside>{escape(aside)}</aside>" if aside else ""
    return f'<section class="{kind}"><h2>{escape(title)}</h2><div class="body">{note}{body}</div></section>'


def figure(drawing: str, caption: str, kind: str = "") -> str:
    """Set a drawing (SVG) with its caption (HTML); it is never cut by a page's end."""
    below = f"<figcaption>{caption}</figcaption>"
    return f'<figure class="{kind}"><div class="drawing">{drawing}</div>{below}</figure>'
