"""Legal layouts that are refused with a word, and files that are no measurement or broken ones."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from text_corpus import (
    EVERY,
    FREQUENCIES,
    L_COMMA,
    MIDDLE,
    PLAIN,
    SEATS,
    Export,
    F,
    L,
    P,
    encoded,
    one,
    phased,
    rows,
    several,
    shown,
)
from text_corpus_columns import complex_cells


def _seats_one_below_the_other() -> Export:
    lines = [
        f"{seat};{row}"
        for seat, levels in zip(SEATS, EVERY, strict=True)
        for row in rows(F, levels)
    ]
    return several(["Seat;Hz;dB", *lines], unread=True)


def _frequencies_across() -> Export:
    lines = ["Hz;" + ";".join(F), "Bench (dB);" + ";".join(L)]
    return one(lines, unread=True)


def _three_pairs_in_a_line() -> Export:
    cells = zip(F[::3], L[::3], F[1::3], L[1::3], F[2::3], L[2::3], strict=True)
    return one(["Hz;dB;Hz;dB;Hz;dB", *(";".join(row) for row in cells)], unread=True)


def _levels_by_first_frequency_and_step() -> Export:
    axis = tuple(20.0 + 2.0 * i for i in range(36))
    return one(["First: 20 Hz", "Step: 2 Hz", "dB", *L], frequencies=axis, unread=True)


def _complex_numbers_in_one_cell() -> Export:
    cells = [
        f"{re}{'' if im.startswith('-') else '+'}{im}j"
        for re, im in zip(*complex_cells(0, 1.0, "{:.4f}"), strict=True)
    ]
    return phased(["Hz;Response", *rows(F, cells)], unread=True)


def _a_remark_at_the_end_of_a_row() -> Export:
    lines = [*PLAIN[:MIDDLE], PLAIN[MIDDLE] + "  # window rattles", *PLAIN[MIDDLE + 1 :]]
    return one(["Hz;dB", *lines])


def _heading_below_the_table() -> Export:
    cells = shown([f / 1000.0 for f in FREQUENCIES], "{:.5f}")
    return one([*rows(cells, L), "kHz;dB"], told={"frequency_unit": "kHz"})


def _units_before_the_numbers() -> Export:
    lines = [f"Hz {f} dB {level}" for f, level in zip(F, L, strict=True)]
    told = {"frequency_column": 2, "level_column": 4}
    return one(lines, told=told, asked=True)


def _angles_behind_the_levels() -> Export:
    cells = [f"{level}∠{p}" for level, p in zip(L, P, strict=True)]
    return phased(["Hz;dB", *rows(F, cells)], unread=True)


def _powers_of_ten_written_out() -> Export:
    cells = [f"{float(level) / 10:.3f}x10^1" for level in L]
    return one(["Hz;dB", *rows(F, cells)])


def _negative_frequencies_too() -> Export:
    lines = [f"-{row}" for row in reversed(PLAIN)]
    return one(["Hz;dB", *lines, *PLAIN], unread=True)


def _a_remark_that_starts_with_a_number() -> Export:
    lines = [*PLAIN[:MIDDLE], "3 lorries passed", *PLAIN[MIDDLE:]]
    return one(["Hz;dB", *lines], unread=True)


def _a_column_of_remarks_mostly_empty() -> Export:
    lines = [f"{row};{'loud' if i == 3 else ''}" for i, row in enumerate(PLAIN)]
    return one(["Hz;dB;Remark", *lines], unread=True)


def _seats_in_blocks_with_headings() -> Export:
    blocks = [
        line
        for seat, levels in zip(SEATS, EVERY, strict=True)
        for line in (seat, "Hz;dB", *rows(F, levels), "")
    ]
    return several(blocks, unread=True)


REFUSED: dict[str, Export] = {
    # legal, and refused today with a word
    "seats one below the other": _seats_one_below_the_other(),
    "frequencies across": _frequencies_across(),
    "three pairs in a line": _three_pairs_in_a_line(),
    "names in every cell": one(
        [f"f={f} L={level}" for f, level in zip(F, L, strict=True)], unread=True
    ),
    "levels by first frequency and step": _levels_by_first_frequency_and_step(),
    "complex numbers in one cell": _complex_numbers_in_one_cell(),
    "colons between cells": one(
        ["Hz:dB", *rows(F, L, mark=": ")], told={"delimiter": ":"}, asked=True
    ),
    "a remark at the end of a row": _a_remark_at_the_end_of_a_row(),
    "heading below the table": _heading_below_the_table(),
    "slashes between cells": one(rows(F, L, mark="/"), told={"delimiter": "/"}, asked=True),
    "tildes between cells": one(
        ["Hz~dB", *rows(F, L, mark="~")], told={"delimiter": "~"}, asked=True
    ),
    "units before the numbers": _units_before_the_numbers(),
    "angles behind the levels": _angles_behind_the_levels(),
    "powers of ten written out": _powers_of_ten_written_out(),
    "rows in brackets": one([f"({row})," for row in rows(F, L, mark=", ")], unread=True),
    "negative frequencies too": _negative_frequencies_too(),
    "a remark that starts with a number": _a_remark_that_starts_with_a_number(),
    "a column of remarks mostly empty": _a_column_of_remarks_mostly_empty(),
    "seats in blocks with headings": _seats_in_blocks_with_headings(),
    "decimal commas in one column only": one(["Hz;dB", *rows(F, L_COMMA)], unread=True),
}


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A file that is no measurement or a broken one, and the line at fault where there is one."""

    content: bytes
    line: int | None = None
    told: Mapping[str, object] = field(default_factory=dict)


def _faulty(*lines: str, line: int | None = None, **told: object) -> Fault:
    return Fault(content=encoded(lines), line=line, told=told)


def _changed(row: int, text: str) -> Fault:
    """Return the plain table with one row put in place of another; the heading is line 1."""
    lines = list(PLAIN)
    lines[row] = text
    return _faulty("Hz;dB", *lines, line=row + 2)


_LONG = [f"{20 + i / 8:.3f};{70 + i % 9}" for i in range(6000)]


FAULTS: dict[str, Fault] = {
    "a letter for a digit": _changed(7, f"{F[7]};7O.5"),
    "a word for a level": _changed(7, f"{F[7]};OVER"),
    "two decimal points": _changed(7, f"{F[7]};70.1.2"),
    "another decimal mark": _changed(7, f"{F[7]};70,12"),
    "another delimiter": _changed(7, f"{F[7]},{L[7]}"),
    "a cell too few": _changed(7, F[7]),
    "a cell too many": _changed(7, f"{F[7]};{L[7]};3.0"),
    "a row in an open quote": _changed(7, f'"{F[7]};{L[7]}'),
    "a frequency out of order": _changed(20, f"{F[3]};70.0"),
    "a frequency twice": _changed(20, f"{F[19]};12.0"),
    "a negative frequency": _changed(0, "-15.80;70.0"),
    "the last row cut off": _changed(35, F[35]),
    "a fault deep in a long table": _faulty(
        "Hz;dB", *_LONG[:4000], "520.000;7O", *_LONG[4001:], line=4002
    ),
    "a short row deep in a long table": _faulty(
        "Hz;dB", *_LONG[:4000], "520.000", *_LONG[4001:], line=4002
    ),
    "marks that group nothing": _faulty(
        "Hz;dB", "900.5;70", "1,000.5;71", "1,10,0.5;72", "1,200.5;70", line=4
    ),
    "marks that group nothing in most rows": _faulty(
        "Hz;dB", *PLAIN[:6], *(f"1_{i}00.5;70.1" for i in range(1, 9)), line=8
    ),
    "two tables": _faulty("Hz;dB", *PLAIN, "", "Hz;dB", *PLAIN, line=40),
    "one row": _faulty("Hz;dB", PLAIN[0]),
    "one column": _faulty("dB", *L, line=2),
    "headings alone": _faulty("Hz;dB"),
    "prose": _faulty("The bench is loud,", "and the hammock is not."),
    "nothing": Fault(content=b""),
    "blank lines": Fault(content=b" \r\n\r\n"),
    "bytes": Fault(content=bytes(range(256)) * 20),
    "a picture": Fault(content=b"\x89PNG\r\n\x1a\n" + bytes(40)),
    "bytes that are not the encoding told": Fault(
        content="Hz;dB\n20;70\n25;71\nQualité;3\n".encode("latin-1"), line=4,
        told={"encoding": "utf-8"},
    ),
    "A-weighted levels": _faulty("Hz;dB(A)", *PLAIN),
    "no level at all": _faulty("Hz;deg", *rows(F, P)),
    "no level in any row": _faulty("Hz;dB", *(f"{f};nan" for f in F)),
    "a negative pressure": _faulty("Hz;Pa", "20;0.1", "25;-0.1", "31.5;0.1"),
    "a magnitude of zero": _faulty("Hz;Pa", "20;0.1", "25;0", "31.5;0.1", line=3),
    "a real and imaginary part of zero": _faulty(
        "Hz;Re (Pa);Im (Pa)", "20;0.1;0.1", "25;0;0", "31.5;0.1;0", line=3
    ),
    "a real part beyond reason": _faulty(
        "Hz;Re (Pa);Im (Pa)", *(f"{f};0.1;0.1" for f in range(20, 40)), "40;1e12;0", line=22
    ),
    "radians a second": _faulty("rad/s;dB", *PLAIN),
    "a real part without its imaginary one": _faulty("Hz;Re", *PLAIN),
    "kilohertz in words and hertz in figures": _faulty("kHz;dB", "20;70", "2000;71"),
    "values that are no levels": _faulty("Hz;x", *(f"{f};{f}e6" for f in F)),
    "commas of both kinds": _faulty("20,5,70,3", "21,5,71,3", "25,0,70,9", line=1),
    "points that group or part": _faulty("1,200;70", "1,500;71", "1,900;70"),
}  # fmt: skip
