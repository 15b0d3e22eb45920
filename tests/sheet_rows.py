"""Rows of the settings sheet's tables of figures, as their readers see them."""

import html
import re


def rows(text, head):
    """Return the cells of every row with this head: of each plan, then of them side by side."""
    found = re.findall(rf'<tr><th scope="row"[^>]*>{re.escape(head)}</th>(.*)</tr>', text)
    return [[_plain(cell) for cell in re.findall(r"<td[^>]*>(.*?)</td>", row)] for row in found]


def _plain(cell):
    return html.unescape(re.sub(r"<[^>]*>", "", cell)).replace("\N{NO-BREAK SPACE}", " ")
