"""Cells of text tables: how a line splits and what a number looks like.

Conventions
-----------
A `Dialect` is a delimiter and a decimal mark; the delimiter ``" "`` stands for any run of blanks
and tabs. A cell is a number, or says that there is none (empty, ``nan``, ``-``; read as nan), or
is text. Thousands are grouped in threes by the other mark, an apostrophe or a space.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

__all__ = ["ABSENT", "DecimalMark", "Dialect", "starts_with_number"]

DecimalMark = Literal[".", ","]

ABSENT = frozenset(
    [
        *(
            "nan",
            "+nan",
            "-nan",
            "nan(ind)",
            "-nan(ind)",
            "n/a",
            "na",
            "n.a.",
            "null",
            "none",
            "nil",
        ),
        *("inf", "+inf", "-inf", "infinity", "-infinity", "∞", "+∞", "-∞", "?", "undef"),
        *("1.#qnan", "-1.#ind", "1.#ind", "1.#inf", "-1.#inf", "1.#qo"),
        *("1,#qnan", "-1,#ind", "1,#ind", "1,#inf", "-1,#inf", "1,#qo"),
        *("#n/a", "#nv", "#num!", "#zahl!", "#value!", "#wert!", "#valeur!", "#valor!", "#div/0!"),
    ]
)
"""Words that stand for a number that is not there, in lower case."""

_RULED = re.compile(r"[-*]+")
_EXPONENT = r"(?:[eEdD][+-]?\d{1,3})?"
_SUFFIX = re.compile(
    r"(.*\d[.,]?)\s*(hz|khz|k|db|dbfs|db ?\(?spl\)?|°|º|deg|rad|pa|mpa)\.?", re.IGNORECASE
)
_FIRST = re.compile(r"[\s\"'|;,]*[+-]?[.,]?\d")
_QUOTED_OR_NOT = re.compile(r'"([^"]*)"|(\S+)')


def starts_with_number(line: str) -> bool:
    """Return whether the first thing in a line, apart from quotes and delimiters, is a number."""
    return _FIRST.match(line) is not None


@lru_cache(maxsize=32)
def _number_pattern(decimal: str, groups: str) -> re.Pattern[str]:
    mark, grouping = re.escape(decimal), f"[{re.escape(groups)}]" if groups else "(?!)"
    tail = rf"{mark}\d*" if decimal == "." else rf"{mark}\d+"
    grouped = rf"[1-9]\d{{0,2}}(?P<group>{grouping})\d{{3}}(?:(?P=group)\d{{3}})*"
    return re.compile(rf"[+-]?(?:{grouped}(?:{tail})?|\d+(?:{tail})?|{mark}\d+){_EXPONENT}")


@lru_cache(maxsize=64)
def _plain_row(delimiter: str, decimal: str, grouping: str, count: int) -> re.Pattern[str]:
    """Return a pattern for a row of `count` numbers and nothing odd about it."""
    mark = re.escape(decimal)
    tail = rf"{mark}\d*" if decimal == "." else rf"{mark}\d+"
    number = rf"[+-]?(?:\d+(?:{tail})?|{mark}\d+)(?:[eE][+-]?\d+)?"
    if grouping:
        sign = re.escape(grouping)
        number = rf"(?:[+-]?[1-9]\d{{0,2}}(?:{sign}\d{{3}})+(?:{tail})?|{number})"
    quoted = number if delimiter == decimal else rf'(?:{number}|"{number}")'
    between = r"[ \t]+" if delimiter == " " else rf" *{re.escape(delimiter)} *"
    edge = r"[ \t]*" if delimiter == " " else " *"
    row = rf"{quoted}(?:{between}{quoted}){{{count - 1}}}{edge}"
    return re.compile(rf"{edge}(\|)?{edge}{row}(?(1)\|{edge})" if delimiter == "|" else edge + row)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How the rows of one file are written.

    Attributes
    ----------
    delimiter : str
        What stands between cells; ``" "`` for runs of blanks and tabs.
    decimal : {".", ","}
        Decimal mark.
    grouping : str
        Mark that groups thousands, or empty.
    """

    delimiter: str
    decimal: DecimalMark
    grouping: str = ""

    def split(self, line: str) -> list[str]:
        """Return the cells of a line, stripped of quotes and of blanks around them."""
        if self.delimiter == " ":
            if '"' in line:
                return [(a or b).strip() for a, b in _QUOTED_OR_NOT.findall(line)]
            return line.split()
        if self.delimiter == "|":
            line = line.strip()
            if len(line) > 1 and line[0] == line[-1] == "|":  # a frame; a single bar is none
                line = line[1:-1]
        if '"' in line and len(self.delimiter) == 1:
            reader = csv.reader([line], delimiter=self.delimiter, skipinitialspace=True)
            try:
                return [cell.strip() for cell in next(reader, [])]
            except csv.Error:
                pass
        cells = [cell.strip() for cell in line.split(self.delimiter)]
        if "'" in line:
            cells = [
                cell[1:-1].strip() if len(cell) > 1 and cell[0] == cell[-1] == "'" else cell
                for cell in cells
            ]
        return cells

    @property
    def groups(self) -> str:
        """Marks that may group thousands in this dialect."""
        other = "," if self.decimal == "." else "."
        blank = "" if self.delimiter in (" ", ",") else " "
        return other + "'" + blank

    def number(self, cell: str) -> float | None:
        """Return the number in a cell, nan where it says there is none, None where it is text."""
        quick = self._quick_number(cell)
        if quick is not None:
            return quick
        found = _number_pattern(self.decimal, self.groups).fullmatch(cell)
        if found is None:
            if not cell or cell.lower() in ABSENT or _RULED.fullmatch(cell):
                return math.nan
            return self._number_with_unit(cell)
        text = cell
        if found["group"]:
            text = text.replace(found["group"], "")
        if self.decimal == ",":
            text = text.replace(",", ".")
        try:
            return float(text)
        except ValueError:
            return float(text.lower().replace("d", "e"))

    def _quick_number(self, cell: str) -> float | None:
        """Return what Python reads at once; None where the rules of `number` must look."""
        if self.decimal == ",":
            if "." in cell or cell[-1:] == ",":
                return None
            cell = cell.replace(",", ".")
        try:
            value = float(cell)
        except ValueError:
            return None
        return None if "_" in cell else value if math.isfinite(value) else math.nan

    def _number_with_unit(self, cell: str) -> float | None:
        found = _SUFFIX.fullmatch(cell)
        if found is None or _number_pattern(self.decimal, self.groups).fullmatch(found[1]) is None:
            return None
        value = self.number(found[1])
        if value is None:
            return None
        return value * 1000.0 if found[2].lower() in ("khz", "k") else value

    def unit(self, cell: str) -> str:
        """Return the unit written in a cell behind its number, or an empty text."""
        found = _SUFFIX.fullmatch(cell)
        if found is None or found[1] == cell:
            return ""
        return "Hz" if found[2].lower() in ("khz", "k", "hz") else found[2]

    def grouping_in(self, cell: str) -> str:
        """Return the mark that groups thousands in a cell, or an empty text."""
        found = _number_pattern(self.decimal, self.groups).fullmatch(cell)
        return (found["group"] or "") if found else ""

    def bad_grouping(self, text: str) -> bool:
        """Return whether the grouping mark stands elsewhere than before three whole digits."""
        mark, point = re.escape(self.grouping), re.escape(self.decimal)
        bad = rf"{mark}(?!\d{{3}}(?!\d))|(?<!\d){mark}|{point}\d+{mark}"
        return re.search(bad, text) is not None

    def plain_row(self, count: int) -> re.Pattern[str]:
        """Return a pattern for a row of `count` numbers that `canonical` can translate."""
        return _plain_row(self.delimiter, self.decimal, self.grouping, count)

    def canonical(self, text: str) -> tuple[str, str]:
        """Return plain rows as a C reader takes them, and their delimiter.

        Parameters
        ----------
        text : str
            Rows that match `plain_row`, one a line.

        Returns
        -------
        tuple of str
            The same rows with decimal points, without quotes and groups; and the delimiter, a
            single character, ``" "`` for runs of blanks.
        """
        delimiter = self.delimiter
        if '"' in text:
            text = text.replace('"', "")
        if self.grouping:
            text = text.replace(self.grouping, "")
        if len(delimiter) > 1:
            text, delimiter = text.replace(delimiter, "\t"), "\t"
        if self.decimal == ",":
            text = text.replace(",", ".")
        if delimiter == "|":
            text, delimiter = text.replace("|", " "), " "
        return text, delimiter
