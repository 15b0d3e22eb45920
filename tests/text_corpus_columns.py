"""Layouts that differ in encodings, and in what their columns hold."""

import math

from text_corpus import (
    EVERY,
    F_COMMA,
    FREQUENCIES,
    L_COMMA,
    LEVELS_DB,
    PHASES_DEG,
    PLAIN,
    SEATS,
    THIRD_OCTAVES,
    Export,
    F,
    L,
    P,
    encoded,
    linear,
    one,
    phased,
    rows,
    several,
    shown,
    wrapped,
)


def in_encoding(head: str, encoding: str, **others: object) -> Export:
    lines = [head, *rows(F_COMMA, L_COMMA)]
    return one(lines, **{"content": encoded(lines, encoding=encoding), **others})


def _phase_wrapped_in_degrees() -> Export:
    cells = shown(wrapped(PHASES_DEG[0]), "{:.2f}")
    return phased(["f (Hz)\tL (dB)\tφ (°)", *rows(F, L, cells, mark="\t")], phase_step_deg=0.01)


def _phase_from_0_to_360() -> Export:
    cells = shown(wrapped(PHASES_DEG[0], 0.0), "{:.1f}")
    return phased(["Freq;Level (dB);Winkel (Grad)", *rows(F, L, cells)])


def _phase_in_radians() -> Export:
    cells = shown([math.radians(p) for p in wrapped(PHASES_DEG[0])], "{:.5f}")
    return phased(["Hz,dB,rad", *rows(F, L, cells, mark=",")], phase_step_deg=1e-3)


def _phase_unwrapped_in_radians() -> Export:
    cells = shown([math.radians(p) for p in PHASES_DEG[0]], "{:.5f}", ",")
    lines = ["Frecuencia (Hz);Nivel (dB);Fase (rad)", *rows(F_COMMA, L_COMMA, cells)]
    return phased(lines, phase_step_deg=1e-3)


def _phase_that_only_jumps_tell() -> Export:
    cells = shown(wrapped(PHASES_DEG[0]), "{:.1f}")
    return phased(rows(F, L, cells, mark=" "))


def complex_cells(seat: int, unit: float, form: str) -> tuple[list[str], list[str]]:
    """Return real and imaginary parts; of `form` so many digits that levels keep 0.001 dB."""
    polar = zip(linear(LEVELS_DB[seat], unit), PHASES_DEG[seat], strict=True)
    parts = [(r * math.cos(math.radians(p)), r * math.sin(math.radians(p))) for r, p in polar]
    return shown([re for re, _ in parts], form), shown([im for _, im in parts], form)


def _real_and_imaginary_parts() -> Export:
    parts = complex_cells(0, 1.0, "{:.4f}")
    return phased(["Hz;Re;Im", *rows(F, *parts)], level_step_db=1e-3, phase_step_deg=0.01)


def _real_and_imaginary_pascals() -> Export:
    parts = complex_cells(0, 20e-6, "{:.7e}")
    lines = ["Frequenz (Hz)\tRealteil (Pa)\tImaginärteil (Pa)", *rows(F, *parts, mark="\t")]
    return phased(lines, spl=True, level_step_db=1e-3, phase_step_deg=0.01)


def _real_and_imaginary_parts_of_three_seats() -> Export:
    parts = [column for seat in range(3) for column in complex_cells(seat, 1.0, "{:.4f}")]
    lines = ["Hz," + ",".join(["re", "im"] * 3), *rows(F, *parts, mark=",")]
    return several(lines, phase_deg=PHASES_DEG, level_step_db=1e-3, phase_step_deg=0.01)


def magnitudes(head: str, unit: float, **others: object) -> Export:
    cells = shown(linear(LEVELS_DB[0], unit), "{:.6e}")
    lines = [head, *rows(F, cells)]
    content = encoded(lines, encoding="latin-1")
    return one(lines, **{"content": content, "level_step_db": 1e-4, **others})


def _magnitudes_nobody_names() -> Export:
    levels = tuple(level - 80.0 for level in LEVELS_DB[0])
    cells = shown(linear(levels), "{:.6f}")
    return one(
        ["Hz;Magnitude", *rows(F, cells)],
        level_db=(levels,),
        level_step_db=1e-3,
        told={"level_unit": "ratio"},
        asked=True,
    )


def _decibels_of_full_scale() -> Export:
    levels = tuple(level - 110.0 for level in LEVELS_DB[0])
    return one(["Freq [Hz],Level [dBFS]", *rows(F, shown(levels), mark=",")], level_db=(levels,))


def _coherence_beside() -> Export:
    cells = shown([0.5 + 0.4 * math.sin(f) for f in FREQUENCIES], "{:.3f}")
    return phased(["Hz;dB;deg;Coherence", *rows(F, L, P, cells)])


def _coherence_in_percent() -> Export:
    cells = shown([50.0 + 40.0 * math.sin(f) for f in FREQUENCIES], "{:.1f}", ",")
    return one(["Hz;Pegel (dB);Kohärenz (%)", *rows(F_COMMA, L_COMMA, cells)])


def _distortion_and_delay_beside() -> Export:
    lines = rows(F, L, ["0.4"] * 36, P, ["3.1"] * 36, mark="\t")
    return phased(["Hz\tdB\tTHD (%)\tdeg\tGroup delay (ms)", *lines])


def _number_of_the_row_first() -> Export:
    counts = [str(i + 1) for i in range(36)]
    return one(["No.;Hz;dB", *rows(counts, F, L)])


def _number_of_the_row_nobody_names() -> Export:
    counts = [str(i + 1) for i in range(36)]
    told = {"frequency_column": 2, "level_column": 3}
    return one(rows(counts, F, L, mark=" "), told=told, asked=True)


def _words_beside_the_numbers() -> Export:
    words = ["ok" if row % 5 else "soft" for row in range(36)]
    return one(["State;Hz;dB;By", *rows(words, F, L, ["Ada"] * 36)])


def _three_seats_with_units() -> Export:
    head = "Frequency (Hz)," + ",".join(f"{seat} (dB SPL)" for seat in SEATS)
    return several([head, *rows(F, *EVERY, mark=",")], names=SEATS, spl=True)


def _three_seats_below_their_names() -> Export:
    lines = [f";{';'.join(SEATS)}", "Hz;dB;dB;dB", *rows(F, *EVERY)]
    return several(lines, names=tuple(f"{seat}" for seat in SEATS))


def _levels_and_phases_by_turns() -> Export:
    cells = [shown(phases, "{:.1f}") for phases in PHASES_DEG]
    columns = [column for pair in zip(EVERY, cells, strict=True) for column in pair]
    lines = ["Hz\t" + "\t".join(["dB", "deg"] * 3), *rows(F, *columns, mark="\t")]
    return several(lines, phase_deg=PHASES_DEG)


def _levels_and_phases_in_two_groups() -> Export:
    cells = [shown(phases, "{:.1f}") for phases in PHASES_DEG]
    lines = ["Hz,dB,dB,dB,deg,deg,deg", *rows(F, *EVERY, *cells, mark=",")]
    return several(lines, phase_deg=PHASES_DEG)


def _names_over_pairs_of_columns() -> Export:
    cells = [shown(phases, "{:.1f}") for phases in PHASES_DEG]
    columns = [column for pair in zip(EVERY, cells, strict=True) for column in pair]
    over = ";" + ";;".join(SEATS) + ";"
    lines = [over, "Freq (Hz)" + ";Level (dB);Phase (deg)" * 3, *rows(F, *columns)]
    return several(lines, phase_deg=PHASES_DEG)


def _one_seat_of_three_by_name() -> Export:
    lines = [f"Hz;{';'.join(SEATS)}", *rows(F, *EVERY)]
    return one(lines, level_db=LEVELS_DB[1:2], told={"level_column": "Hammock"})


def _twenty_four_seats() -> Export:
    levels = tuple(tuple(level + n / 4 for level in LEVELS_DB[n % 3]) for n in range(24))
    head = "Hz;" + ";".join(f"Chair {n + 1} (dB)" for n in range(24))
    names = tuple(f"Chair {n + 1}" for n in range(24))
    lines = [head, *rows(F, *(shown(row) for row in levels))]
    return several(lines, level_db=levels, names=names)


def _third_octaves_typed_by_hand() -> Export:
    levels = tuple(round(2 * level) / 2 for level in LEVELS_DB[0][:12])
    lines = [f"{band.replace('.', ',')}  {v:g}".replace(".", ",")
             for band, v in zip(THIRD_OCTAVES, levels, strict=True)]  # fmt: skip
    axis = tuple(map(float, THIRD_OCTAVES))
    return one(["Band  dB", *lines], frequencies=axis, level_db=(levels,), level_step_db=0.0)


COLUMNS: dict[str, Export] = {
    # encodings
    "utf 8 with a mark": in_encoding("Frequência (Hz);Nível (dB)", "utf-8-sig"),
    "utf 16 with a mark": in_encoding("Taajuus (Hz);Taso (dB)", "utf-16"),
    "utf 16 without a mark": in_encoding("Kmitočet (Hz);Úroveň (dB)", "utf-16-be"),
    "latin 1": in_encoding(
        "Fréquence (Hz);Niveau de pression acoustique (dB)", "latin-1", spl=True
    ),
    "central european code page": in_encoding("Częstotliwość;Poziom ciśnienia [dB]", "cp1250"),
    "utf 32 with a mark": in_encoding("Frekvens (Hz);Nivå (dB)", "utf-32"),
    "cyrillic": in_encoding("Частота, Гц;Уровень, дБ", "utf-8"),
    "japanese": in_encoding("周波数 (Hz);音圧 (dB)", "utf-8"),
    "an encoding that must be told": in_encoding(
        "Частота;Уровень (dB)", "koi8-r", told={"encoding": "koi8-r"}
    ),
    # phase, complex
    "phase wrapped in degrees": _phase_wrapped_in_degrees(),
    "phase from 0 to 360": _phase_from_0_to_360(),
    "phase in radians": _phase_in_radians(),
    "phase unwrapped in radians": _phase_unwrapped_in_radians(),
    "phase before the level": phased(["Hz;deg;dB", *rows(F, P, L)]),
    "phase that only jumps tell": _phase_that_only_jumps_tell(),
    "phase that must be told": phased(
        rows(F, L, P, mark=" "), told={"level_column": 2, "phase_column": 3}, asked=True
    ),
    "level first and frequency last": phased(
        ["Level (dB),Phase (deg),Frequency (Hz)", *rows(L, P, F, mark=",")]
    ),
    "real and imaginary parts": _real_and_imaginary_parts(),
    "real and imaginary pascals": _real_and_imaginary_pascals(),
    "real and imaginary parts of three seats": _real_and_imaginary_parts_of_three_seats(),
    # level units
    "linear ratios": magnitudes("Hz;Gain (lin)", 1.0),
    "volts": magnitudes("Frequency (Hz);Magnitude (V)", 1.0),
    "pascals": magnitudes("Frequency (Hz);Pressure (Pa)", 20e-6, spl=True),
    "millipascals": magnitudes("Frequenz / Hz;Schalldruck / mPa", 20e-3, spl=True),
    "micropascals in latin 1": magnitudes("Fréquence (Hz);Pression (µPa)", 20.0, spl=True),
    "magnitudes nobody names": _magnitudes_nobody_names(),
    "decibels of full scale": _decibels_of_full_scale(),
    "decibels re 20 micropascals": one(["f in Hz;L in dB re 20 µPa", *PLAIN], spl=True),
    # further columns
    "coherence beside": _coherence_beside(),
    "coherence in percent": _coherence_in_percent(),
    "noise beside": one(["Hz;Level (dB);Noise (dB)", *rows(F, L, EVERY[2])]),
    "distortion and delay beside": _distortion_and_delay_beside(),
    "number of the row first": _number_of_the_row_first(),
    "number of the row nobody names": _number_of_the_row_nobody_names(),
    "words beside the numbers": _words_beside_the_numbers(),
    "a date in every row": one(["Date;Hz;dB", *(f"2019-11-02;{row}" for row in PLAIN)]),
    # seats
    "three seats by name": several([f"Hz;{';'.join(SEATS)}", *rows(F, *EVERY)], names=SEATS),
    "three seats with units": _three_seats_with_units(),
    "three seats below their names": _three_seats_below_their_names(),
    "levels and phases by turns": _levels_and_phases_by_turns(),
    "levels and phases in two groups": _levels_and_phases_in_two_groups(),
    "names over pairs of columns": _names_over_pairs_of_columns(),
    "three seats nobody names": several(
        rows(F, *EVERY, mark=" "), told={"level_column": (2, 3, 4)}, asked=True
    ),
    "one seat of three by name": _one_seat_of_three_by_name(),
    "twenty four seats": _twenty_four_seats(),
    "third octaves typed by hand": _third_octaves_typed_by_hand(),
}


# Levels typed by hand for a sound level meter's bands: text, and seats in its order.
BAND_LEVELS_DB = tuple(
    tuple(round(2.0 * level) / 2.0 for level in levels[:12]) for levels in LEVELS_DB
)
_TYPED = [shown(levels, "{:g}") for levels in BAND_LEVELS_DB]
_TYPED_COMMA = [[cell.replace(".", ",") for cell in column] for column in _TYPED]
BAND_GRIDS: dict[str, list[str]] = {
    "bands in rows": ["band," + ",".join(SEATS), *rows(THIRD_OCTAVES, *_TYPED, mark=",")],
    "bands across": [
        ";".join(["seat", *(f"{band} Hz" for band in THIRD_OCTAVES)]),
        *(";".join([seat, *cells]) for seat, cells in zip(SEATS, _TYPED_COMMA, strict=True)),
    ],
    "tabs, units and remarks": [
        "# by the stove",
        "\t".join(["", *SEATS]),
        *rows(THIRD_OCTAVES, *([f"{v} dB" for v in column] for column in _TYPED), mark="\t"),
    ],
    "runs of blanks, falling": [
        "Hz    " + "    ".join(SEATS),
        *reversed(rows(THIRD_OCTAVES, *_TYPED_COMMA, mark="    ")),
    ],
}
