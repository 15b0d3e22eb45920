"""Words in the headings of text exports: what a column holds and in which unit.

Conventions
-----------
Headings are compared without case and accents. A unit says more than a word: a column in hertz is
the frequency, one in degrees the phase, whatever it is called. Stems cover English, German,
French, Spanish, Italian, Dutch, Swedish, Portuguese and Polish, and some of their neighbours.
A level is in dB SPL where the heading says so, or names the sound pressure level (ISO 80000-8).
"""

from __future__ import annotations

import re
import unicodedata
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


_LETTERS = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i", "µ": "u"})


def folded(text: str) -> str:
    """Return `text` without case and accents, micro signs as ``u``, blanks as single spaces."""
    lowered = text.casefold().translate(_LETTERS).replace("μ", "u")
    if not lowered.isascii():
        lowered = "".join(
            c for c in unicodedata.normalize("NFD", lowered) if not unicodedata.combining(c)
        )
    return " ".join(lowered.replace("_", " ").split())


_STEMS: tuple[tuple[Role, str], ...] = (
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
_WORDS = tuple((role, re.compile(pattern)) for role, pattern in _STEMS)

_SECONDARY = re.compile(
    r"\b(?:noise|rauschen|storpegel|bruit|ruido|rumore|ruis|brus|szum|snr|mean|average|avg|mittel"
    r"|mittelwert|moyenne|media|promedio|gemiddeld\w*|medel\w*|srednia|target|ziel\w*|min|max"
    r"|std|sigma|deviation|streuung|uncertainty|smoothed|reference)\b"
)
_SOUND_PRESSURE_LEVEL = re.compile(
    r"\bspl\b|db ?spl|re:? ?20 ?u|sound pressure level|schalldruckpegel"
    r"|pression (?:acoustique|sonore)"
    r"|presion (?:sonora|acustica)|pressione (?:sonora|acustica)|geluidsdrukniveau|ljudtrycksniva"
    r"|lydtrykk?sniva|pressao (?:sonora|acustica)|cisnienia akustycznego"
)
_UNITS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (unit, re.compile(pattern))
    for unit, pattern in (
        ("rad/s", r"\brad ?/ ?s\b|\brad ?s\^?-1"),
        ("kHz", r"\bkhz\b|kilohertz"),
        ("MHz", r"\bmhz\b|megahertz"),
        ("Hz", r"\bhz\b|\bhertz\b|\bc/s\b|\bcps\b"),
        ("dBFS", r"\bdb ?\(? ?fs\b|full ?scale"),
        ("dB", r"\bdb|\bdezibel|\bdecibel"),
        ("deg", r"°(?! ?[cf]\b)|º|\bdeg\b|\bdegs\b|degree|\bdegres?\b|\bgrad\b|\bgrade?[nr]?\b"
                r"|\bgradi\b|\bgrados?\b|\bgraus?\b|\bstopni"),
        ("rad", r"\brad\b|radian|radialen|bogenmass"),
        ("uPa", r"\bupa\b|mikropascal|micropascal"),
        ("mPa", r"\bmpa\b|millipascal"),
        ("Pa", r"\bpa\b|pascal|paskal"),
        ("ms", r"\bm?s\b|\bms\b|\bsec\b|\bmsec\b|\bus\b"),
        ("%", r"%|percent|prozent"),
        ("ratio", r"\blin\b|\blinear\w*|\bratio\b|\bm?v\b|\bvolts?\b|\bv/v\b|\bpa/v\b|\bfs\b"),
    )
)  # fmt: skip
_WEIGHTING = re.compile(
    r"dB[ _]?[\(\[]?(?:SPL)?[ ,]*\(?([ABCD])\b|\bL_?([ABC])(?:eq|F|S|E|max|min|Fmax|Smax|,)"
    r"|\b([ABCD])-(?:weight|bewert|pond|gewogen|vägd)",
)
_ROLE_OF_UNIT: dict[str, Role] = {
    "Hz": "frequency", "kHz": "frequency", "MHz": "frequency", "rad/s": "frequency",
    "dB": "level", "dBFS": "level", "Pa": "level", "mPa": "level", "uPa": "level",
    "deg": "phase", "rad": "phase", "ms": "other",
}  # fmt: skip
_BRACKETED = re.compile(r"\s*[\(\[\{<]\s*([^\)\]\}>]*)\s*[\)\]\}>]")
_TRAILING = re.compile(r"[\s/,:;\-]+(?:in\s+|en\s+|i\s+|w\s+|em\s+)?$", re.IGNORECASE)


def _unit_of(plain: str) -> str | None:
    if "re 20" in plain or "re: 20" in plain or "re20" in plain:
        return "dB"
    return next((unit for unit, pattern in _UNITS if pattern.search(plain)), None)


_UNIT_WORDS = re.compile(
    r"(?:hz|khz|mhz|hertz|db|dbfs|dbspl|dbr|dbu|dbv|db ?\(?[acz]\)?"
    r"|db ?\(?spl\)?|spl|fs|pa|mpa"
    r"|upa|deg|degrees|°|º|rad|radians|ms|s|%|v|mv|lin|linear|ratio|re:? ?20 ?upa"
    r"|db,? ?re:? ?20 ?upa|grad|grader|graden|gradi"
    r"|grados|graus|degres|stopnie|stopni|1|-|rad/s|pa/v|v/v)"
)  # fmt: skip


def is_unit_only(text: str) -> bool:
    """Return whether a heading is empty or holds a unit and nothing else."""
    plain = folded(text).strip("()[]{}<> /.")
    return not plain or _UNIT_WORDS.fullmatch(plain) is not None


def _without_unit(text: str) -> str:
    kept = _BRACKETED.sub(lambda m: "" if is_unit_only(m[1]) else m[0], text)
    words = kept.split()
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
    unit = _unit_of(plain)
    found = next((role for role, pattern in _WORDS if pattern.search(plain)), None)
    role: Role = found or "unknown"
    by_unit = _ROLE_OF_UNIT.get(unit or "")
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
