"""Unlike layouts of text exports, each with the truth it was printed from: what all of them share.

Written with the standard library alone: nothing here is shared with the code that reads. Every
layout was made up for the purpose; none is the format of a program or an instrument. Truth is kept
unrounded, so that what is read may differ from it by half the last printed digit and no more. The
layouts are in `text_corpus_cells`, `text_corpus_columns` and `text_corpus_refusals`.
"""

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

_DRAW = random.Random(1903)


FREQUENCIES = tuple(round(15.8 * (260.0 / 15.8) ** (i / 35), 2) for i in range(36))


SEATS = ("Bench", "Hammock", "Window sill")


LEVELS_DB = tuple(tuple(72.0 + _DRAW.gauss(0.0, 6.0) for _ in FREQUENCIES) for _ in SEATS)


PHASES_DEG = tuple(
    tuple(150.0 - 4.1 * f - 30.0 * seat + 20.0 * math.sin(f / 9.0) for f in FREQUENCIES)
    for seat in range(3)
)  # unwrapped


THIRD_OCTAVES = ("16", "20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200")


@dataclass(frozen=True, kw_only=True)
class Export:
    """A file and what it holds; a seat for each tuple of levels and phases.

    `told` is what the reader is given; `asked` says that without it the file can be read in more
    than one way. `unread` says that the layout is legal and yet refused today, with a word.
    """

    content: bytes
    level_db: tuple[tuple[float, ...], ...]
    frequencies: tuple[float, ...] = FREQUENCIES
    phase_deg: tuple[tuple[float, ...], ...] | None = None
    names: tuple[str, ...] | None = None
    spl: bool = False
    frequency_step: float = 0.0
    level_step_db: float = 0.01
    phase_step_deg: float = 0.1
    told: Mapping[str, object] = field(default_factory=dict)
    asked: bool = False
    unread: bool = False


def shown(values: Sequence[float], form: str = "{:.2f}", decimal: str = ".") -> list[str]:
    return [form.format(value).replace(".", decimal) for value in values]


def rows(*columns: Sequence[str], mark: str = ";") -> list[str]:
    return [mark.join(cells) for cells in zip(*columns, strict=True)]


def encoded(lines: Sequence[str], *, newline: str = "\n", encoding: str = "utf-8") -> bytes:
    return (newline.join(lines) + newline).encode(encoding)


def one(lines: Sequence[str], **others: object) -> Export:
    """Return an export of the first seat's levels."""
    return replace(Export(content=encoded(lines), level_db=LEVELS_DB[:1]), **others)


def phased(lines: Sequence[str], **others: object) -> Export:
    """Return an export of the first seat's levels and phases."""
    return one(lines, **{"phase_deg": PHASES_DEG[:1], **others})


def several(lines: Sequence[str], **others: object) -> Export:
    """Return an export of three seats."""
    return one(lines, **{"level_db": LEVELS_DB, **others})


def wrapped(phases: Sequence[float], lowest: float = -180.0) -> list[float]:
    return [(phase - lowest) % 360.0 + lowest for phase in phases]


def linear(levels_db: Sequence[float], unit: float = 1.0) -> list[float]:
    return [unit * 10.0 ** (level / 20.0) for level in levels_db]


F = shown(FREQUENCIES)


L = shown(LEVELS_DB[0])


P = shown(PHASES_DEG[0], "{:.1f}")


EVERY = [shown(levels) for levels in LEVELS_DB]


F_COMMA, L_COMMA, P_COMMA = ([cell.replace(".", ",") for cell in column] for column in (F, L, P))


PLAIN = rows(F, L)


MIDDLE = len(F) // 2
