"""Layouts that differ in delimiters, numbers, order, and in what stands around the table."""

import math
from collections.abc import Sequence
from dataclasses import replace

from text_corpus import (
    EVERY,
    F_COMMA,
    FREQUENCIES,
    L_COMMA,
    LEVELS_DB,
    MIDDLE,
    P_COMMA,
    PHASES_DEG,
    PLAIN,
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
    wrapped,
)


def _tabs_with_carriage_returns() -> Export:
    lines = ["Freq (Hz)\tLevel (dB SPL)\tPhase (deg)", *rows(F, L, P, mark="\t")]
    return phased(lines, content=encoded(lines, newline="\r\n"), spl=True)


def _carriage_returns_alone() -> Export:
    lines = ["Hz;dB", *PLAIN]
    return one(lines, content=encoded(lines, newline="\r"))


def _commas_of_both_kinds() -> Export:
    lines = rows(F_COMMA, L_COMMA, mark=",")
    return one(lines, told={"decimal": ",", "level_unit": "dB"}, asked=True)


def _framed_by_bars() -> Export:
    lines = ["| Hz | dB | deg |", "|---:|---:|:---:|"]
    return phased([*lines, *(f"| {row} |" for row in rows(F, L, P, mark=" | "))])


def _box_of_line_characters() -> Export:
    lines = ["┌────┬────┐", "│ Hz │ dB │", "├────┼────┤"]
    return one([*lines, *(f"│ {row} │" for row in rows(F, L, mark=" │ ")), "└────┴────┘"])


def _fixed_width_to_the_right() -> Export:
    lines = [f"{f:>9}{level:>9}{p:>10}" for f, level, p in zip(F, L, P, strict=True)]
    return phased([f"{'Hz':>9}{'dB':>9}{'deg':>10}", *lines])


def _fixed_width_to_the_left() -> Export:
    lines = [f"{f:<12}{level:<12}{p:<9}" for f, level, p in zip(F, L, P, strict=True)]
    return phased([f"{'Hz':<12}{'dB':<12}{'deg':<9}", *lines])


def _fixed_width_with_touching_numbers() -> Export:
    lines = [f"{f:>7}{level:>6}{p:>7}" for f, level, p in zip(F, L, P, strict=True)]
    return phased(["Frequency/Hz  Level/dB  Phase/deg", *lines])


def _quoted_decimal_commas_between_commas() -> Export:
    lines = [f'"{row}"' for row in rows(F_COMMA, L_COMMA, mark='","')]
    return one(['"Frequenza, Hz","Livello, dB"', *lines])


THOUSANDS = tuple(round(f * 40.0, 1) for f in FREQUENCIES)


def grouped(values: Sequence[float], group: str, decimal: str) -> list[str]:
    shown_ = [f"{value:,.1f}" for value in values]
    return [cell.replace(",", "\0").replace(".", decimal).replace("\0", group) for cell in shown_]


def _thousands_by_points() -> Export:
    lines = rows(grouped(THOUSANDS, ".", ","), L_COMMA)
    return one(["Hz;dB", *lines], frequencies=THOUSANDS)


def _thousands_by_quoted_commas() -> Export:
    cells = [f'"{cell}"' for cell in grouped(THOUSANDS, ",", ".")]
    return one(["Hz,dB", *rows(cells, L, mark=",")], frequencies=THOUSANDS)


def _thousands_by_blanks() -> Export:
    lines = rows(grouped(THOUSANDS, " ", ","), L_COMMA)
    return one(["Hz;dB", *lines], frequencies=THOUSANDS)


def _thousands_by_narrow_blanks() -> Export:
    lines = rows(grouped(THOUSANDS, "\u202f", ","), L_COMMA, mark="  ")
    return one(["Hz  dB", *lines], frequencies=THOUSANDS)


def _scientific_notation() -> Export:
    columns = (shown(FREQUENCIES, "{:.5e}"), shown(LEVELS_DB[0], "{:+.5E}"))
    return one(["Hz dB", *rows(*columns, mark=" ")], level_step_db=1e-4)


def _exponents_of_the_letter_d() -> Export:
    cells = [shown(v, "{:.6E}") for v in (FREQUENCIES, LEVELS_DB[0], PHASES_DEG[0])]
    lines = [row.replace("E", "D") for row in rows(*cells, mark="  ")]
    return phased(["! Hz  dB  deg", *lines], level_step_db=1e-5, phase_step_deg=1e-3)


def _no_zero_before_the_point() -> Export:
    levels = tuple(level / 100.0 - 0.7 for level in LEVELS_DB[0])
    cells = [cell.replace("0.", ".") for cell in shown(levels, "{:.3f}")]
    return one(["Hz;dB", *rows(F, cells)], level_db=(levels,), level_step_db=1e-3)


def _whole_numbers() -> Export:
    axis = tuple(float(20 + 3 * i) for i in range(36))
    lines = rows(shown(axis, "{:.0f}"), shown(LEVELS_DB[0], "{:.0f}"), mark="\t")
    return one(["Hz\tdB", *lines], frequencies=axis, level_step_db=1.0)


def _true_minus_and_plus_signs() -> Export:
    levels = tuple(level - 72.0 for level in LEVELS_DB[0])
    cells = [cell.replace("-", "\u2212") for cell in shown(levels, "{:+.2f}")]
    return one(["Hz\tdB", *rows(F, cells, mark="\t")], level_db=(levels,))


def _hertz_and_kilohertz_in_one_column() -> Export:
    axis = tuple(20.0 * 1.25**i for i in range(36))
    cells = [f"{f / 1000:.4f} kHz" if f > 1000 else f"{f:.4f} Hz" for f in axis]
    return one(rows(cells, [f"{v} dB" for v in L]), frequencies=axis, frequency_step=0.1)


def _kilohertz() -> Export:
    cells = shown([f / 1000.0 for f in FREQUENCIES], "{:.5f}")
    return one(["f (kHz)\tL (dB)", *rows(cells, L, mark="\t")])


def _kilohertz_in_a_row_of_units() -> Export:
    cells = shown([f / 1000.0 for f in FREQUENCIES], "{:.5f}", ",")
    return one(["Częstotliwość;Poziom", "kHz;dB", *rows(cells, L_COMMA)])


def _kilohertz_nobody_names() -> Export:
    cells = shown([f / 1000.0 for f in FREQUENCIES], "{:.5f}")
    return one(["x y", *rows(cells, L, mark=" ")], told={"frequency_unit": "kHz"}, asked=True)


def with_gap(column: Sequence[str], word: str) -> list[str]:
    return [word if row in (4, 20) else cell for row, cell in enumerate(column)]


def without_gap(values: Sequence[float]) -> tuple[float, ...]:
    return tuple(value for row, value in enumerate(values) if row not in (4, 20))


def gapped(lines: Sequence[str]) -> Export:
    levels = (without_gap(LEVELS_DB[0]),)
    return one(lines, frequencies=without_gap(FREQUENCIES), level_db=levels)


def _missing_as_blanks_of_fixed_width() -> Export:
    cells = zip(F, with_gap(L, ""), P, strict=True)
    lines = [f"{f:>9}{level:>9}{p:>10}" for f, level, p in cells]
    found = gapped([f"{'Hz':>9}{'dB':>9}{'deg':>10}", *lines])
    return replace(found, phase_deg=(without_gap(PHASES_DEG[0]),))


def _keys_and_values_above() -> Export:
    above = ["Place: attic", "Averages = 4", "Rate: 48000 Hz", "Window;0.25 s", ""]
    return one([*above, "Hz;dB", *PLAIN])


def _dates_and_settings_above() -> Export:
    above = ["2019-11-02 23:15:07", "Sweep, 10 s, 20 Hz, 300 Hz", "48000 24 1", "[table]"]
    return one([*above, "Freq,Level (dB)", *rows(F, L, mark=","), "[end]"])


def _remarks_below() -> Export:
    below = ["", "Mean;71.6", "Max;88.3 dB at 41 Hz", "3 sweeps; 36 points", "-- end --"]
    return one(["Hz;dB", *PLAIN, *below])


def _remarks_inside() -> Export:
    lines = [*PLAIN[:MIDDLE], "# a lorry passed", "* and came back", *PLAIN[MIDDLE:]]
    return one(["Hz;dB", *lines])


def _headings_on_every_page() -> Export:
    head = ["Attic, page 1", "Hz\tdB"]
    cells = rows(F, L, mark="\t")
    return one([*head, *cells[:MIDDLE], "", "\fAttic, page 2", "Hz\tdB", *cells[MIDDLE:]])


def _a_rule_below_the_heading() -> Export:
    lines = ["=" * 30, "Frequency (Hz)   Level (dB)", "-" * 30, *rows(F, L, mark="   ")]
    return one([*lines, "=" * 30])


def _a_long_table() -> Export:
    axis = tuple(5.0 + i / 8.0 for i in range(3000))
    levels = tuple(70.0 + 9.0 * math.sin(f / 7.0) for f in axis)
    lines = rows(shown(axis, "{:.3f}"), shown(levels, "{:.4f}"))
    return one(["Hz;dB", *lines], frequencies=axis, level_db=(levels,), level_step_db=1e-4)


def _a_long_table_with_remarks_inside() -> Export:
    axis = tuple(5.0 + i / 8.0 for i in range(3000))
    levels = tuple(70.0 + 9.0 * math.sin(f / 7.0) for f in axis)
    lines = rows(shown(axis, "{:.3f}", ","), shown(levels, "{:.4f}", ","))
    for place in range(2800, 100, -300):
        lines.insert(place, "# still going")
    return one(["Hz;dB", *lines], frequencies=axis, level_db=(levels,), level_step_db=1e-4)


def _decimal_commas_with_exponents() -> Export:
    cells = shown(LEVELS_DB[0], "{:.4E}", ",")
    return one(["Hz;dB", *rows(F_COMMA, cells)], level_step_db=1e-3)


_WIDE = {ord(digit): 0xFF10 + int(digit) for digit in "0123456789"}
CELLS: dict[str, Export] = {
    # delimiters, marks
    "comma without units": one(["frequency,level", *rows(F, L, mark=",")]),
    "semicolons and decimal commas": one(["Frequenz [Hz];Pegel [dB]", *rows(F_COMMA, L_COMMA)]),
    "tabs with carriage returns": _tabs_with_carriage_returns(),
    "single blanks below comments": one(["# night shift", "# Hz dB", *rows(F, L, mark=" ")]),
    "carriage returns alone": _carriage_returns_alone(),
    "blanks and decimal commas": one(
        ["Fréquence(Hz) Niveau(dB)", *rows(F_COMMA, L_COMMA, mark="   ")]
    ),
    "tabs and decimal commas": phased(["Hz\tdB\tdeg", *rows(F_COMMA, L_COMMA, P_COMMA, mark="\t")]),
    "bars and decimal commas": one(["Hz|dB", *rows(F_COMMA, L_COMMA, mark="|")]),
    "commas of both kinds parted by a blank": one(["Hz, dB", *rows(F_COMMA, L_COMMA, mark=", ")]),
    "commas of both kinds": _commas_of_both_kinds(),
    "semicolons between blanks": one(["Hz ; dB", *rows(F, L, mark=" ; ")]),
    "several tabs for alignment": one(["Hz\t\tdB", *rows(F, L, mark="\t\t")]),
    "framed by bars": _framed_by_bars(),
    "bars between blanks": one(["Hz | dB", "---+---", *rows(F, L, mark=" | ")]),
    "box of line characters": _box_of_line_characters(),
    "fixed width to the right": _fixed_width_to_the_right(),
    "fixed width to the left": _fixed_width_to_the_left(),
    "fixed width with touching numbers": _fixed_width_with_touching_numbers(),
    "every cell quoted": phased(
        ['"Hz","dB","deg"', *(f'"{row}"' for row in rows(F, L, P, mark='","'))],
    ),
    "quoted decimal commas between commas": _quoted_decimal_commas_between_commas(),
    "apostrophes as quotes": one(["'Hz';'dB'", *(f"'{row}'" for row in rows(F, L, mark="';'"))]),
    "whole lines quoted": one(['"Hz;dB"', *(f'"{row}"' for row in PLAIN)]),
    "trailing semicolons everywhere": one(["Hz;dB;", *(f"{row};" for row in PLAIN)]),
    "trailing semicolons below the heading": one(["Hz;dB", *(f"{row};" for row in PLAIN)]),
    "leading semicolons": one([";Hz;dB", *(f";{row}" for row in PLAIN)]),
    "an empty column between": one(["Hz;;dB", *rows(F, L, mark=";;")]),
    # the numbers
    "thousands by points": _thousands_by_points(),
    "thousands by apostrophes": one(
        ["Hz;dB", *rows(grouped(THOUSANDS, "'", "."), L)], frequencies=THOUSANDS
    ),
    "thousands by quoted commas": _thousands_by_quoted_commas(),
    "thousands by blanks": _thousands_by_blanks(),
    "thousands by narrow blanks": _thousands_by_narrow_blanks(),
    "scientific notation": _scientific_notation(),
    "exponents of the letter d": _exponents_of_the_letter_d(),
    "seventeen digits": one(
        ["Hz,dB", *rows(F, shown(LEVELS_DB[0], "{!r}"), mark=",")], level_step_db=0.0
    ),
    "no zero before the point": _no_zero_before_the_point(),
    "whole numbers": _whole_numbers(),
    "true minus and plus signs": _true_minus_and_plus_signs(),
    "wide digits": one(["Hz;dB", *(row.translate(_WIDE) for row in PLAIN)]),
    "wide punctuation": one(["Hz\uff1bdB", *rows(F, L, mark="\uff1b")]),
    "units in every cell": phased(
        [f"{f} Hz; {v} dB; {p}°" for f, v, p in zip(F, L, P, strict=True)]
    ),
    "hertz and kilohertz in one column": _hertz_and_kilohertz_in_one_column(),
    "kilohertz": _kilohertz(),
    "kilohertz in a row of units": _kilohertz_in_a_row_of_units(),
    "kilohertz nobody names": _kilohertz_nobody_names(),
    # missing, order
    "missing as nan": gapped(["Hz;dB", *rows(F, with_gap(L, "NaN"))]),
    "missing as nothing": gapped(["Hz,dB", *rows(F, with_gap(L, ""), mark=",")]),
    "missing as dashes": gapped(["Hz\tdB", *rows(F, with_gap(L, "---"), mark="\t")]),
    "missing as blanks of fixed width": _missing_as_blanks_of_fixed_width(),
    "infinite below the first bin": one(["Hz;dB", "0.00;-inf", *PLAIN]),
    "falling frequencies": phased(["Hz;dB;deg", *reversed(rows(F, L, P))]),
    "a row twice": one(["Hz;dB", *PLAIN[:9], PLAIN[8], *PLAIN[9:]]),
    "blank lines between rows": one(["Hz;dB", *(line for row in PLAIN for line in (row, ""))]),
    "two rows alone": one(
        ["Hz;dB", *PLAIN[:2]], frequencies=FREQUENCIES[:2], level_db=(LEVELS_DB[0][:2],)
    ),
    "no heading and no line end": one([], content="\n".join(PLAIN).encode()),
    # what goes around
    "keys and values above": _keys_and_values_above(),
    "dates and settings above": _dates_and_settings_above(),
    "remarks below": _remarks_below(),
    "remarks inside": _remarks_inside(),
    "headings on every page": _headings_on_every_page(),
    "percent comments with the heading last": phased(
        ["% attic", "%", "% Hz dB deg", *rows(F, L, P, mark=" ")]
    ),
    "semicolon comments": one(["; attic", "; freq[Hz] mag[dB]", *rows(F, L, mark=" ")]),
    "slash comments": one(["// attic", "// Hz, dB", *rows(F, L, mark=", ")]),
    "remark words": one(["REM attic", "REM Hz\tdB", *rows(F, L, mark="\t")]),
    "a title cut into as many cells": phased(
        ["Attic, by night, windows shut", "Hz,dB,deg", *rows(F, L, P, mark=",")]
    ),
    "a rule below the heading": _a_rule_below_the_heading(),
    "units above the names": phased(["Hz;dB;deg", "Freq;Level;Phase", *rows(F, L, P)]),
    "heading of three lines": one(["Bench;Bench", "Frequency;Level", "Hz;dB", *PLAIN]),
    "line end of an old system": one(
        [], content=encoded(["Hz;dB", *PLAIN], newline="\r\n") + b"\x1a"
    ),
    "a long table": _a_long_table(),
    "a long table with remarks inside": _a_long_table_with_remarks_inside(),
    "words between the cells": one(
        [f"at {f} Hz: {level} dB" for f, level in zip(F, L, strict=True)]
    ),
    "arrows between the cells": one(rows(F, L, mark=" -> ")),
    "trailing commas and blanks": one(["Hz, dB, ", *(f"{row}, " for row in rows(F, L, mark=", "))]),
    "two trailing tabs": one(["Hz\tdB", *(f"{row}\t\t" for row in rows(F, L, mark="\t"))]),
    "a bracket before every row": one(["Hz dB", *(f"> {row}" for row in rows(F, L, mark=" "))]),
    "rows numbered as in a list": one(
        [f"{i + 1}) {row}" for i, row in enumerate(rows(F, L, mark=" "))]
    ),
    "a clock in every row": one(
        ["Time;Hz;dB", *(f"23:15:{i:02d};{row}" for i, row in enumerate(PLAIN))]
    ),
    "units in columns of their own": one(
        [f"{f};Hz;{level};dB" for f, level in zip(F, L, strict=True)]
    ),
    "units before the names": one(["[Hz] f;[dB] L", *PLAIN], names=("L",)),
    "a heading with line ends in its quotes": one(['"Freq', '(Hz)";"Level', '(dB)"', *PLAIN]),
    "decimal commas with exponents": _decimal_commas_with_exponents(),
    "invisible characters": one(["Hz;dB", *(f"\u200b{row}" for row in PLAIN)]),
    "greek": one(["Συχνότητα (Hz);Στάθμη (dB)", *PLAIN], names=("Στάθμη",)),
    "a fraction of an octave above": one(["1/24 octave", "Hz;dB", *PLAIN]),
    "the heading below once more": one(["Hz;dB", *PLAIN, "Hz;dB", "All;88.1"]),
    "seats named by numbers": several(["Hz;1;2;3", *rows(F, *EVERY)], names=("1", "2", "3")),
    "smoothed levels beside": one(["Hz;Level (dB);Level smoothed (dB)", *rows(F, *EVERY[:2])]),
    "magnitude and phase by short names": phased(
        ["Hz;Mag;Ph", *rows(F, L, shown(wrapped(PHASES_DEG[0]), "{:.1f}"))]
    ),
}
