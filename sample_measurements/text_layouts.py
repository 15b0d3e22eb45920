"""Text layouts of the sample measurements, every one invented here.

Conventions
-----------
Each layout takes frequencies in Hz, shape (F,), the complex pressure in units of 20 micropascals,
shape (F,), and the name of the seat, and returns the bytes of a file. Frequencies must already be
rounded to the digits that the layout prints (`FREQUENCY_DECIMALS`), so that the text says exactly
at which frequency a value was computed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FREQUENCY_DECIMALS",
    "LAYOUTS",
    "Layout",
    "band_levels_table",
    "microphone_table",
    "seats_table",
    "truth_table",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Layout = Callable[[FloatArray, ComplexArray, str], bytes]

FREQUENCY_DECIMALS = 2


def _level_db(pressure: ComplexArray) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.abs(pressure)))


def _phase_deg(pressure: ComplexArray) -> FloatArray:
    return np.asarray(np.angle(pressure, deg=True))


def _text(lines: Sequence[str], *, newline: str = "\n", encoding: str = "utf-8") -> bytes:
    return (newline.join(lines) + newline).encode(encoding)


def semicolon_german(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Semicolons, decimal commas, a German header, the Windows code page of Western Europe."""
    lines = [
        f"Hörplatz;{seat}",
        "Aufgenommen am 14. Juni, 21,5 °C, 3 Durchläufe gemittelt",
        "",
        "Frequenz [Hz];Schalldruckpegel [dB];Phase [Grad]",
    ]
    rows = zip(frequencies, _level_db(pressure), _phase_deg(pressure), strict=True)
    lines += [f"{f:.2f};{level:.2f};{phase:.1f}".replace(".", ",") for f, level, phase in rows]
    return _text(lines, encoding="cp1252")


def tabs_two_headers(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Tabs; names in one line and units in the next; UTF-8 behind a byte order mark."""
    lines = [f"# seat: {seat}", "frequency\tlevel\tphase", "Hz\tdB SPL\tdegrees"]
    rows = zip(frequencies, _level_db(pressure), _phase_deg(pressure), strict=True)
    lines += [f"{f:.2f}\t{level:.2f}\t{phase:.2f}" for f, level, phase in rows]
    return _text(lines, encoding="utf-8-sig")


def fixed_width(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Columns of fixed width between a preamble and a footer; level and coherence, no phase."""
    level_db = _level_db(pressure)
    coherence = 1.0 / (1.0 + 10.0 ** ((48.0 - level_db) / 10.0))
    lines = [
        "Room survey, one microphone place",
        f"place      {seat}",
        "averages   4",
        "range      10 to 300 Hz",
        "",
        " Frequency       Level  Coherence",
        "      (Hz)    (dB SPL)        (-)",
        " ---------   ---------  ---------",
    ]
    rows = zip(frequencies, level_db, coherence, strict=True)
    lines += [f"{f:10.2f}  {level:10.2f}  {share:9.4f}" for f, level, share in rows]
    lines += [" ---------   ---------  ---------", f"{frequencies.size} values, end of place"]
    return _text(lines)


def wide_characters(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """UTF-16, carriage returns, runs of spaces, quantities over units, phase not wrapped."""
    phase_deg = np.rad2deg(np.unwrap(np.angle(pressure)))
    lines = [f"seat = {seat}", "microphone pointing upwards", "", "f/Hz      SPL/dB    phi/deg"]
    rows = zip(frequencies, _level_db(pressure), phase_deg, strict=True)
    lines += [f"{f:<8.2f}  {level:<8.2f}  {phase:.1f}" for f, level, phase in rows]
    return b"\xff\xfe" + _text(lines, newline="\r\n", encoding="utf-16-le")


def quoted_kilohertz(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Every cell in quotes between commas, kilohertz and radians, carriage returns."""
    lines = [f'"Measured at","{seat}",""', '"Frequency (kHz)","SPL (dB)","Phase (rad)"']
    rows = zip(frequencies, _level_db(pressure), np.angle(pressure), strict=True)
    lines += [f'"{f / 1000.0:.5f}","{level:.2f}","{phase:.4f}"' for f, level, phase in rows]
    return _text(lines, newline="\r\n")


def barred_descending(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Cells between bars, from the highest frequency down, a row number first; no phase."""
    rule = "+------+-----------+----------+"
    lines = [seat, rule, "| row  | frequency | level    |", "|      | Hz        | dB SPL   |", rule]
    rows = zip(frequencies[::-1], _level_db(pressure)[::-1], strict=True)
    lines += [f"| {row:<4d} | {f:9.2f} | {level:8.2f} |" for row, (f, level) in enumerate(rows, 1)]
    return _text([*lines, rule])


def percent_comments(frequencies: FloatArray, pressure: ComplexArray, seat: str) -> bytes:
    """Comments behind per-cent signs, columns between single spaces."""
    lines = [
        f"% {seat}",
        "% one sweep, time zero from the loopback cable",
        "% Hz  dB SPL  degrees",
    ]
    rows = zip(frequencies, _level_db(pressure), _phase_deg(pressure), strict=True)
    lines += [f"{f:.2f} {level:.2f} {phase:.2f}" for f, level, phase in rows]
    return _text(lines)


LAYOUTS: dict[str, Layout] = {
    "semicolon_german": semicolon_german,
    "tabs_two_headers": tabs_two_headers,
    "fixed_width": fixed_width,
    "wide_characters": wide_characters,
    "quoted_kilohertz": quoted_kilohertz,
    "barred_descending": barred_descending,
    "percent_comments": percent_comments,
}


def seats_table(frequencies: FloatArray, level_db: FloatArray, seats: Sequence[str]) -> bytes:
    """Return one table for all seats: frequency, then a level column for each seat."""
    lines = ["; sine sweep, five places one after the other, microphone not moved in height"]
    lines.append(", ".join(["Frequency Hz", *(f"{seat} (dB SPL)" for seat in seats)]))
    lines += [
        ", ".join([f"{f:.2f}", *(f"{level:.2f}" for level in row)])
        for f, row in zip(frequencies, level_db.T, strict=True)
    ]
    return _text(lines)


def microphone_table(frequencies: FloatArray, level_db: FloatArray, *, says: str) -> bytes:
    """Return a microphone's file: comments, then frequency and level."""
    lines = [f"# {says}", "# measured in a pressure chamber and extended upwards", "Hz    dB"]
    lines += [f"{f:<9.2f} {level:+.3f}" for f, level in zip(frequencies, level_db, strict=True)]
    return _text(lines)


def band_levels_table(
    centres: Sequence[str], level_db: FloatArray, seats: Sequence[str], *, decimals: int
) -> bytes:
    """Return band levels as a person types them: a row for each band, a column for each seat."""
    lines = [",".join(["band Hz", *seats])]
    lines += [
        ",".join([centre, *(f"{level:.{decimals}f}" for level in row)])
        for centre, row in zip(centres, level_db.T, strict=True)
    ]
    return _text(lines)


def level_table(
    frequencies: FloatArray, level_db: Sequence[FloatArray], names: Sequence[str]
) -> bytes:
    """Return levels: frequency, then a column of each."""
    lines = [",".join(["frequency", *(f"{name} level_db" for name in names)])]
    lines += [
        ",".join([f"{f:.6f}", *(f"{level:.2f}" for level in row)])
        for f, row in zip(frequencies, np.transpose(level_db), strict=True)
    ]
    return _text(lines)


def truth_table(
    frequencies: FloatArray, responses: Sequence[ComplexArray], names: Sequence[str]
) -> bytes:
    """Return noise-free responses: frequency, then level and phase of each."""
    header = ["frequency"]
    columns: list[list[str]] = [[f"{f:.6f}" for f in frequencies]]
    for name, response in zip(names, responses, strict=True):
        header += [f"{name} level_db", f"{name} phase_deg"]
        columns.append([f"{value:.4f}" for value in _level_db(response)])
        columns.append([f"{value:.3f}" for value in _phase_deg(response)])
    return _text([",".join(header), *(",".join(row) for row in zip(*columns, strict=True))])
