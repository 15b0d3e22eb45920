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

DecimalMark = Literal[".", ","]

ABSENT = frozenset([
    "nan", "+nan", "-nan", "nan(ind)", "-nan(ind)", "n/a", "na", "n.a.", "null", "none", "nil",
    "?", "undef", "inf", "+inf", "-inf", "infinity", "-infinity", "∞", "+∞", "-∞",
    "1.#qnan", "-1.#ind", "1.#ind", "1.#inf", "-1.#inf", "1.#qo",
    "1,#qnan", "-1,#ind", "1,#ind", "1,#inf", "-1,#inf", "1,#qo",
    "#n/a", "#nv", "#num!", "#zahl!", "#value!", "#wert!", "#valeur!", "#valor!", "#div/0!",
])  # fmt: skip
"""Words that stand for a number that is not there, in lower case."""

_RULED = re.compile(r"[-*]+")
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
    mark, tail = re.escape(decimal), rf"{re.escape(decimal)}\d{'*' if decimal == '.' else '+'}"
    grouped = rf"[1-9]\d{{0,2}}(?P<group>[{re.escape(groups)}])\d{{3}}(?:(?P=group)\d{{3}})*"
    exponent = r"(?:[eEdD][+-]?\d{1,3})?"
    return re.compile(rf"[+-]?(?:{grouped}(?:{tail})?|\d+(?:{tail})?|{mark}\d+){exponent}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How the rows of one file are written.

    Attributes
    ----------
    delimiter : str
        What stands between cells; ``" "`` for runs of blanks and tabs.
    decimal : {".", ","}
        Decimal mark.
    """

    delimiter: str
    decimal: DecimalMark

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
        if "'" not in line:
            return cells
        return [
            cell[1:-1].strip() if len(cell) > 1 and cell[0] == cell[-1] == "'" else cell
            for cell in cells
        ]

    @property
    def groups(self) -> str:
        """Marks that may group thousands in this dialect."""
        other = "," if self.decimal == "." else "."
        return other + "'" + ("" if self.delimiter in (" ", ",") else " ")

    def number(self, cell: str) -> float | None:
        """Return the number in a cell, nan where it says there is none, None where it is text."""
        comma = self.decimal == ","
        if not ("_" in cell or (comma and ("." in cell or cell[-1:] == ","))):
            try:
                value = float(cell.replace(",", ".") if comma else cell)
            except ValueError:
                pass
            else:
                return value if math.isfinite(value) else math.nan
        if not cell or cell.lower() in ABSENT or _RULED.fullmatch(cell):
            return math.nan
        pattern = _number_pattern(self.decimal, self.groups)
        found, factor = pattern.fullmatch(cell), 1.0
        if found is None and (behind := _SUFFIX.fullmatch(cell)) is not None:
            found = pattern.fullmatch(behind[1])
            factor = 1000.0 if behind[2].lower() in ("khz", "k") else 1.0
        if found is None:
            return None
        text = found[0].replace(found["group"] or " ", "").replace(",", ".")
        value = float(text.lower().replace("d", "e")) * factor
        return value if math.isfinite(value) else math.nan

    def unit(self, cell: str) -> str:
        """Return the unit written in a cell behind its number, or an empty text."""
        found = _SUFFIX.fullmatch(cell)
        if found is None or found[1] == cell:
            return ""
        return "Hz" if found[2].lower() in ("khz", "k", "hz") else found[2]
