"""A table as notebooks show it."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from roomeq.base.printable import printable


def html_table(caption: str, titles: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table in HTML, whatever its words hold; what is None is left blank."""

    def line(cells: Iterable[object], tag: str) -> str:
        texts = ("" if cell is None else escape(printable(str(cell))) for cell in cells)
        return f"<tr>{''.join(f'<{tag}>{text}</{tag}>' for text in texts)}</tr>"

    return (
        f"<table><caption>{escape(printable(caption))}</caption><thead>{line(titles, 'th')}</thead>"
        f"<tbody>{''.join(line(row, 'td') for row in rows)}</tbody></table>"
    )
