"""Words in the headings of text exports: what a column holds and in which unit.

Conventions
-----------
Headings are compared without case and accents. A unit says more than a word: a column in hertz is
the frequency, one in degrees the phase, whatever it is called. Stems cover English, German,
French, Spanish, Italian, Dutch, Swedish, Portuguese and Polish, and some of their neighbours.
A level is in dB SPL where the heading says so, or names the sound pressure level (ISO 80000-8).

Cells of text tables: how a line splits and what a number looks like.

A `Dialect` is a delimiter and a decimal mark; the delimiter ``" "`` stands for any run of blanks
and tabs. A cell is a number, or says that there is none (empty, ``nan``, ``-``; read as nan), or
is text. Thousands are grouped in threes by the other mark, an apostrophe or a space.
"""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

Role = Literal[
    "frequency", "level", "phase", "real", "imaginary", "coherence", "index", "other", "unknown"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What the heading of one column tells.

    Attributes
    ----------
    text : str
        The heading as it stands in the file, without its unit.
    role : str
        What the column holds; ``unknown`` where no word is recognised.
    unit : str, optional
        Unit as recognised: ``Hz``, ``kHz``, ``dB``, ``dB SPL``, ``dBFS``, ``Pa``, ``mPa``,
        ``uPa``, ``ratio``, ``deg``, ``rad``, ``%``, ``rad/s``, or another of time.
    weighting : str, optional
        Frequency weighting ``A``, ``B``, ``C`` or ``D``, if the heading names one.
    by_word : bool
        Whether a word (and not the unit alone) told the role.
    secondary : bool
        A level that is not a seat's response: noise, target, mean, smallest or largest.
    """

    text: str
    role: Role
    unit: str | None = None
    weighting: str | None = None
    by_word: bool = False
    secondary: bool = False


_LETTERS = str.maketrans(
    {"ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i", "μ": "u", "_": " "}
)


def folded(text: str) -> str:
    """Return `text` without case and accents, micro signs as ``u``, blanks as single spaces."""
    parted = unicodedata.normalize("NFD", text.casefold().translate(_LETTERS))
    return " ".join("".join(c for c in parted if not unicodedata.combining(c)).split())


_WORDS: tuple[tuple[Role, str], ...] = (
    ("index", r"^(?:no|nr|num|numero|nummer|number|index|idx|id|#|n|row|zeile|bin|lfd|line|ligne"
              r"|fila|riga|rij|linha|wiersz|samples?|points?|punkte?|messpunkt|abtastwert)"
              r"\W*(?:nr|no)?\W*$"),
    ("coherence", r"\b(?:coh\b|coher|cohaer|kohar|kohaer|koher|coeren|msc\b)|gamma ?\^?2"
                  r"|γ ?\^?[2²]"),
    ("other", r"\b(?:group|gruppen\w*|delay|laufzeit|retard|ritardo|retardo|retraso|vertraging"
              r"|looptijd|loptid|fordrojning|opoznieni\w*|atraso|time|zeit|temps|tiempo|tempo"
              r"|tijd|tid|czas|date|datum|thd\w*|dist|distortion|distorsion\w*|distorcao"
              r"|klirr\w*|harmonic\w*|impedan\w*|temperatur\w*)\b"),
    ("imaginary", r"\b(?:im\b|imag|immag|urojon)"),
    ("real", r"\b(?:re\b(?! ?\d)|real\b|realteil|realdel|re{2,3}ll?e?[rs]?\b|reale\b|rzeczyw)"),
    ("phase", r"\b(?:phas|pha?\b|fas(?:e|en|es|i|vinkel|lage|gang)?\b|faz[aey]?\b|winkel|phi\b"
              r"|angle|angulo|angolo|argument\b)"),
    ("level", r"level|pegel|nivea|nivel|livell|\bniva|poziom|\bspl\b|\bmag|\bampl|amplitud"
              r"|gain|betrag|\bmodul|respon|druck|pressi|presion|pressure|druk|tryck|pressao"
              r"|cisnien|verstark|guadagn|gananc|ganho|wzmocn|forstark|versterk|risposta"
              r"|\bl_?[acz]?eq\b|gang\b|\blp\b|\bl\b|\buroven|\btaso\b|niveau|уровень|レベル|音圧"),
    ("frequency", r"freq|frec|frek|frq\b|^f\b|czestotliwosc|czest\b"
                  r"|taajuus|kmitoc|hertz|частот|周波数|频率"),
)  # fmt: skip

_SECONDARY = re.compile(
    r"\b(?:noise|rauschen|storpegel|bruit|ruido|rumore|ruis|brus|szum|snr|mean|average|avg|mittel"
    r"|mittelwert|moyenne|media|promedio|gemiddeld\w*|medel\w*|srednia|target|ziel\w*|min|max"
    r"|std|sigma|deviation|streuung|uncertainty|smoothed|reference)\b"
)
_SOUND_PRESSURE_LEVEL = re.compile(
    r"\bspl\b|db ?spl|re:? ?20 ?u|sound pressure level|schalldruckpegel|geluidsdrukniveau"
    r"|pression (?:acoustique|sonore)|presion (?:sonora|acustica)|pressione (?:sonora|acustica)"
    r"|ljudtrycksniva|lydtrykk?sniva|pressao (?:sonora|acustica)|cisnienia akustycznego"
)
_UNITS: tuple[tuple[str, Role | None, str], ...] = (
    ("dB", "level", r"re:? ?20"),
    ("rad/s", "frequency", r"\brad ?/ ?s\b|\brad ?s\^?-1"),
    ("kHz", "frequency", r"\bkhz\b|kilohertz"),
    ("MHz", "frequency", r"\bmhz\b|megahertz"),
    ("Hz", "frequency", r"\bhz\b|\bhertz\b|\bc/s\b|\bcps\b"),
    ("dBFS", "level", r"\bdb ?\(? ?fs\b|full ?scale"),
    ("dB", "level", r"\bdb|\bdezibel|\bdecibel"),
    ("deg", "phase", r"°(?! ?[cf]\b)|º|\bdeg\b|\bdegs\b|degree|\bdegres?\b|\bgrad\b|\bgrade?[nr]?\b"
                     r"|\bgradi\b|\bgrados?\b|\bgraus?\b|\bstopni"),
    ("rad", "phase", r"\brad\b|radian|radialen|bogenmass"),
    ("uPa", "level", r"\bupa\b|mikropascal|micropascal"),
    ("mPa", "level", r"\bmpa\b|millipascal"),
    ("Pa", "level", r"\bpa\b|pascal|paskal"),
    ("ms", "other", r"\bm?s\b|\bsec\b|\bmsec\b|\bus\b"),
    ("%", None, r"%|percent|prozent"),
    ("ratio", None, r"\blin\b|\blinear\w*|\bratio\b|\bm?v\b|\bvolts?\b|\bv/v\b|\bpa/v\b|\bfs\b"),
)  # fmt: skip
_WEIGHTING = re.compile(
    r"dB[ _]?[\(\[]?(?:SPL)?[ ,]*\(?([ABCD])\b|\bL_?([ABC])(?:eq|F|S|E|max|min|Fmax|Smax|,)"
    r"|\b([ABCD])-(?:weight|bewert|pond|gewogen|vägd)",
)
_BRACKETED = re.compile(r"\s*[\(\[\{<]\s*([^\)\]\}>]*)\s*[\)\]\}>]")
_TRAILING = re.compile(r"[\s/,:;\-]+(?:in\s+|en\s+|i\s+|w\s+|em\s+)?$", re.IGNORECASE)


_UNIT_WORDS = re.compile(
    r"(?:hz|khz|mhz|hertz|db|dbfs|dbspl|dbr|dbu|dbv|db ?\(?[acz]\)?|db ?\(?spl\)?|spl|fs|pa|mpa|upa"
    r"|deg|degrees|°|º|rad|radians|ms|s|%|v|mv|lin|linear|ratio|re:? ?20 ?upa|db,? ?re:? ?20 ?upa"
    r"|grad|grader|graden|gradi|grados|graus|degres|stopnie|stopni|1|-|rad/s|pa/v|v/v)"
)


def is_unit_only(text: str) -> bool:
    """Return whether a heading is empty or holds a unit and nothing else."""
    plain = folded(text).strip("()[]{}<> /.")
    return not plain or _UNIT_WORDS.fullmatch(plain) is not None


def _without_unit(text: str) -> str:
    words = _BRACKETED.sub(lambda m: "" if is_unit_only(m[1]) else m[0], text).split()
    while len(words) > 1 and is_unit_only(words[-1]) and words[-1] not in ("1", "-"):
        words.pop()
    name = _TRAILING.sub("", " ".join(words))
    if "/" in name:
        head, _, unit = name.rpartition("/")
        if head.strip() and is_unit_only(unit):
            name = head.strip()
    return name or " ".join(text.split())


@lru_cache(maxsize=256)
def heading_of(text: str) -> Heading:
    """Return what the heading `text` of one column tells.

    Parameters
    ----------
    text : str
        The heading, both lines joined where there are two.
    """
    plain = folded(text)
    told = ((unit, role) for unit, role, pattern in _UNITS if re.search(pattern, plain))
    unit, by_unit = next(told, (None, None))
    found = next((role for role, pattern in _WORDS if re.search(pattern, plain)), None)
    role: Role = found or "unknown"
    if role == "real" and unit in ("dB", "dBFS"):
        role = "level"
    if by_unit and role not in ("coherence", "real", "imaginary", "index"):
        role = "other" if role == "other" and by_unit != "frequency" else by_unit
    if role == "level" and unit in ("dB", None) and _SOUND_PRESSURE_LEVEL.search(plain):
        unit = "dB SPL"
    weighting = _WEIGHTING.search(text) if role == "level" else None
    return Heading(
        text=_without_unit(text),
        role=role,
        unit=unit,
        weighting=next((g for g in weighting.groups() if g), None) if weighting else None,
        by_word=found is not None and not is_unit_only(text),
        secondary=role == "level" and _SECONDARY.search(plain) is not None,
    )


DecimalMark = Literal[".", ","]

_ABSENT = re.compile(
    r"[-*]*|[+-]?(?:nan|inf|infinity|∞)|-?nan\(ind\)|-?1[.,]#(?:qnan|ind|inf|qo)"
    r"|n/?a|n\.a\.|null|none|nil|\?|undef"
    r"|#(?:n/a|nv|num!|zahl!|value!|wert!|valeur!|valor!|div/0!)",
    re.IGNORECASE,
)
"""What stands for a number that is not there."""

_SUFFIX = re.compile(
    r"(.*\d[.,]?)\s*(hz|khz|k|db|dbfs|db ?\(?spl\)?|°|º|deg|rad|pa|mpa)\.?", re.IGNORECASE
)
_FIRST = re.compile(r"[\s\"'|;,]*[+-]?[.,]?\d")
_QUOTED_LINE = re.compile(r"^[ \t]*\"([^\"]*[;\t|][^\"]*)\"[ \t]*$")
_PAIR = re.compile(r"[+-]?\d+,\d+")
_PAIRS = re.compile(rf"\s*{_PAIR.pattern}(?: *, *{_PAIR.pattern})+\s*")
_IN_APOSTROPHES = re.compile(r"^'(.*)'$")
_QUOTED_OR_NOT = re.compile(r'"([^"]*)"|(\S+)')


def starts_with_number(line: str) -> bool:
    """Return whether the first thing in a line, apart from quotes and delimiters, is a number."""
    return _FIRST.match(line) is not None


@lru_cache(maxsize=32)
def _number_pattern(delimiter: str, decimal: str) -> re.Pattern[str]:
    groups = ("." if decimal == "," else ",") + "'" + ("" if delimiter in (" ", ",") else " ")
    mark, tail = re.escape(decimal), rf"{re.escape(decimal)}\d{'*' if decimal == '.' else '+'}"
    grouped = rf"[1-9]\d{{0,2}}(?P<group>[{re.escape(groups)}])\d{{3}}(?:(?P=group)\d{{3}})*"
    exponent = r"(?:[eEdD][+-]?\d{1,3})?"
    return re.compile(rf"[+-]?(?:{grouped}(?:{tail})?|\d+(?:{tail})?|{mark}\d+){exponent}")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else math.nan


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
            return [(a or b).strip() for a, b in _QUOTED_OR_NOT.findall(line)]
        if self.delimiter == "|":
            line = line.strip()
            if len(line) > 1 and line[0] == line[-1] == "|":  # a frame; a single bar is none
                line = line[1:-1]
        if self.delimiter == self.decimal and _PAIRS.fullmatch(line):  # each second one parts cells
            return _PAIR.findall(line)
        if '"' in line:
            line = _QUOTED_LINE.sub(r"\1", line)
        cells = line.split(self.delimiter)
        if '"' in line and len(self.delimiter) == 1:
            with suppress(csv.Error):
                cells = next(csv.reader([line], delimiter=self.delimiter, skipinitialspace=True))
        elif "'" in line:
            cells = [_IN_APOSTROPHES.sub(r"\1", cell.strip()) for cell in cells]
        return [cell.strip() for cell in cells]

    def number(self, cell: str) -> float | None:
        """Return the number in a cell, nan where it says there is none, None where it is text."""
        comma = self.decimal == ","
        if "_" not in cell and not (comma and ("." in cell or cell[-1:] == ",")):
            try:
                return _finite(cell.replace(",", ".") if comma else cell)
            except ValueError:
                pass
        if _ABSENT.fullmatch(cell):
            return math.nan
        pattern = _number_pattern(self.delimiter, self.decimal)
        found, factor = pattern.fullmatch(cell), 1.0
        if found is None and (behind := _SUFFIX.fullmatch(cell)) is not None:
            found = pattern.fullmatch(behind[1])
            factor = 1000.0 if behind[2].lower() in ("khz", "k") else 1.0
        if found is None:
            return None
        text = found[0].replace(found["group"] or " ", "").replace(",", ".")
        return _finite(text.lower().replace("d", "e")) * factor

    def unit(self, cell: str) -> str:
        """Return the unit written in a cell behind its number, or an empty text."""
        found = _SUFFIX.fullmatch(cell)
        if found is None or found[1] == cell:
            return ""
        return "Hz" if found[2].lower() in ("khz", "k", "hz") else found[2]
