"""Texts in which one thing is wrong or unusual, and what must be said of each.

Every text is the export of one seat of four of a clean room; the others are plain. A case passes if

* the command line ends with status 1 or 2 (`loud`), or 0 where a note is enough,
* every word of `words` stands in what is printed (either case; alternatives parted by a bar), and
* where the status is 0, the levels that were read are those of the truth within 0.1 dB.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

FILE = "seat.txt"


@dataclass(frozen=True, kw_only=True)
class Truth:
    """Frequencies in Hz, level in dB, phase in degrees, of the seat whose text goes wrong."""

    frequencies: np.ndarray
    level: np.ndarray
    phase: np.ndarray

    def rows(self, *, mark=";", phase=False, digits=2, level=None, turned=None):
        columns = [self.frequencies, self.level if level is None else level]
        columns += [self.phase if turned is None else turned] if phase or turned is not None else []
        return [
            mark.join(
                [
                    f"{cells[0]:.4f}",
                    *(f"{v:.{digits}f}" if np.isfinite(v) else "" for v in cells[1:]),
                ]
            )
            for cells in zip(*columns, strict=True)
        ]

    @property
    def middle(self):
        """Index of the point nearest to 50 Hz."""
        return int(np.argmin(np.abs(self.frequencies - 50.0)))


@dataclass(frozen=True, kw_only=True)
class WrongText:
    name: str
    make: Callable[[Truth], str | bytes]
    words: tuple[str, ...]
    loud: bool = True


def text(rows: Sequence[str], head="Hz;dB SPL", end="\n"):
    return "\n".join([head, *rows] if head else rows) + end


def changed(truth, index, cell, *, column=1):
    rows = truth.rows()
    cells = rows[index].split(";")
    cells[column] = cell
    rows[index] = ";".join(cells)
    return rows


def levels_at(places, value):
    """Return a maker that puts one value at points of the text."""

    def make(truth):
        level = truth.level.copy()
        level[[truth.middle + place for place in places]] = value
        return text(truth.rows(level=level))

    return make


def delimiter_from(share, marks, head="Hz;dB SPL"):
    def make(truth):
        start = int(share * len(truth.frequencies))
        first, then = (truth.rows(mark=mark) for mark in marks)
        return text([*first[:start], *then[start:]], head.replace(";", marks[0]))

    return make


def another_width(truth):
    start = len(truth.frequencies) * 2 // 3
    return text([*truth.rows()[:start], *truth.rows(phase=True)[start:]])


def another_point(truth):
    start = len(truth.frequencies) // 2
    rows = [row.replace(".", ",") for row in truth.rows()[start:]]
    return text([*truth.rows()[:start], *rows])


def counted(heading, start=1):
    def make(truth):
        rows = [f"{start + i};{level:.2f}" for i, level in enumerate(truth.level[:98])]
        return text(rows, heading)

    return make


def with_turns(turned, head="Hz;dB SPL;deg"):
    def make(truth):
        return text(truth.rows(turned=turned(truth)), head)

    return make


def phase_gaps(truth):
    phase = truth.phase.copy()
    phase[truth.middle : truth.middle + 3] = np.nan
    return text(truth.rows(turned=phase), "Hz;dB SPL;deg")


def beside(head, *others):
    """Level, phase and more columns under clear headings."""

    def make(truth):
        columns = {
            "phase": truth.phase, "noise": np.full(truth.level.size, 31.4), "level": truth.level,
        }  # fmt: skip
        cells = [[f"{f:.4f}" for f in truth.frequencies]]
        cells += [[f"{v:.2f}" for v in columns[name]] for name in others]
        return text([";".join(row) for row in zip(*cells, strict=True)], head)

    return make


def json_text(truth):
    pairs = ",\n".join(
        f"  [{f:.2f}, {v:.2f}]" for f, v in zip(truth.frequencies, truth.level, strict=True)
    )
    return '{"seat": "sofa", "data": [\n' + pairs + "\n]}\n"


def json_objects(truth):
    pairs = (
        f'  {{"Hz": {f:.2f}, "dB": {v:.2f}}}'
        for f, v in zip(truth.frequencies, truth.level, strict=True)
    )
    return "[\n" + ",\n".join(pairs) + "\n]\n"


def json_arrays(truth):
    keys = {
        "seats": [1, 2, 3, 4, 5],
        "frequencies": truth.frequencies[:5],
        "levels": truth.level[:5],
    }
    return (
        "{\n" + ",\n".join(f'"{k}": [{", ".join(map(str, v))}]' for k, v in keys.items()) + "\n}\n"
    )


def markup(truth):
    rows = "\n".join(
        f"<tr><td>{f:.2f}</td><td>{v:.2f}</td></tr>"
        for f, v in zip(truth.frequencies, truth.level, strict=True)
    )
    return f"<table>\n<tr><th>Hz</th><th>dB</th></tr>\n{rows}\n</table>\n"


def long_line(truth):
    return text([*truth.rows(), "x " * 125000])


def long_row(truth):
    return text([*truth.rows()[:9], ";".join(["12.5"] * 60000), *truth.rows()[9:]])


def long_digits(truth):
    return text(changed(truth, 9, "7" * 250000))


def too_large(truth):
    return (
        text(truth.rows())
        + "# padding ......................................................\n" * 1_600_000
    )


def infinite(truth):
    rows = changed(truth, truth.middle, "inf")
    return text(rows)


def cut_inside(truth):
    return text(truth.rows())[: -len("1.23\n")]


def cut_at(highest):
    def make(truth):
        return text(
            [row for row, f in zip(truth.rows(), truth.frequencies, strict=True) if f <= highest]
        )

    return make


def swapped_headings(truth):
    return text(truth.rows(phase=True), "Hz;deg;dB")


def every_second(truth):
    return text(truth.rows()[::2][:9], "Hz;dB")


def in_bits(truth):
    return text(truth.rows(level=100.0 * truth.level))


def impulse(head):
    def make(truth):
        rows = [f"{i / 48000:.6f};{np.exp(-i / 400) * np.sin(i / 20):.6f}" for i in range(2000)]
        return text(rows, head)

    return make


def mirrored_half(truth):
    half = len(truth.frequencies) // 2
    level = truth.level.copy()
    level[half:] = level[half]
    return text(truth.rows(level=level))


WRONG_TEXTS = (
    # delimiters and columns
    WrongText(
        name="semicolons, then commas",
        make=delimiter_from(0.5, ";,"),
        words=(FILE, "line", "delimiter"),
    ),
    WrongText(
        name="semicolons, then tabs",
        make=delimiter_from(0.6, ";\t"),
        words=(FILE, "line", "delimiter"),
    ),
    WrongText(
        name="commas, then semicolons",
        make=delimiter_from(0.3, ",;"),
        words=(FILE, "line", "delimiter"),
    ),
    WrongText(name="blanks, then tabs", make=delimiter_from(0.5, " \t"), words=(), loud=False),
    WrongText(
        name="tabs, then commas late",
        make=delimiter_from(0.9, "\t,"),
        words=(FILE, "line", "delimiter"),
    ),
    WrongText(
        name="bars, then semicolons early",
        make=delimiter_from(0.1, "|;"),
        words=(FILE, "line", "delimiter"),
    ),
    WrongText(name="a column more from the middle", make=another_width, words=(FILE, "line")),
    WrongText(
        name="another decimal mark from the middle", make=another_point, words=(FILE, "decimal")
    ),
    # levels
    WrongText(name="one 999.00", make=levels_at([0], 999.0), words=(FILE, "line", "999")),
    WrongText(name="one 9999", make=levels_at([3], 9999.0), words=(FILE, "line", "9999")),
    WrongText(name="some -999", make=levels_at([0, 4, 9], -999.0), words=(FILE, "line", "-999")),
    WrongText(name="one -999.25", make=levels_at([2], -999.25), words=(FILE, "line", "-999.25")),
    WrongText(name="some 0.00", make=levels_at([0, 1, 2, 8], 0.0), words=(FILE, "line", "0")),
    WrongText(name="two zeros", make=levels_at([0, 7], 0.0), words=(FILE, "line", "0")),
    WrongText(name="one zero", make=levels_at([0], 0.0), words=(FILE, "line", "0")),
    WrongText(name="some -1", make=levels_at([0, 5, 6], -1.0), words=(FILE, "line", "-1")),
    WrongText(name="one 1e9", make=levels_at([0], 1e9), words=(FILE, "line", "1e+09|1000000000")),
    WrongText(name="one 1e300", make=levels_at([0], 1e300), words=(FILE, "line", "1e+300")),
    WrongText(name="one 130 dB", make=levels_at([1], 130.0), words=(FILE, "line", "130")),
    WrongText(
        name="two 125 dB together", make=levels_at([1, 2], 125.0), words=(FILE, "line", "125")
    ),
    WrongText(
        name="a lost point",
        make=lambda t: text(changed(t, t.middle, f"{100 * t.level[t.middle]:.0f}")),
        words=(FILE, "line"),
    ),
    WrongText(name="all points lost", make=in_bits, words=(FILE, "line")),
    WrongText(name="the upper half repeated", make=mirrored_half, words=(FILE,)),
    WrongText(
        name="zeros at the end", make=levels_at([20, 21, 22], 0.0), words=(FILE, "line", "0")
    ),
    WrongText(name="an infinite level", make=infinite, words=(FILE, "line", "inf"), loud=False),
    # what the columns are
    WrongText(name="Index,Level", make=counted("Index;Level"), words=(FILE, "index")),
    WrongText(name="Number, SPL", make=counted("Number;SPL (dB)"), words=(FILE, "number")),
    WrongText(name="Row", make=counted("Row;dB", 0), words=(FILE, "row")),
    WrongText(name="Zeile", make=counted("Zeile;Pegel (dB)"), words=(FILE, "zeile")),
    WrongText(name="Sample", make=counted("Sample;Level (dB)"), words=(FILE, "sample")),
    WrongText(
        name="Time (s)", make=impulse("Time (s);Amplitude"), words=(FILE, "impulse response|time")
    ),
    WrongText(
        name="Zeit [ms]",
        make=impulse("Zeit [ms];Druck [Pa]"),
        words=(FILE, "impulse response|zeit"),
    ),
    WrongText(name="t/s", make=impulse("t/s;p/Pa"), words=(FILE, "impulse response|time")),
    WrongText(
        name="level and phase under each other's names", make=swapped_headings, words=(FILE,)
    ),
    # phase
    WrongText(
        name="phase all zero",
        make=with_turns(lambda t: 0 * t.phase),
        words=(FILE, "phase"),
        loud=False,
    ),
    WrongText(
        name="phase constant",
        make=with_turns(lambda t: 0 * t.phase + 90.0),
        words=(FILE, "phase"),
        loud=False,
    ),
    WrongText(
        name="phase of 1e9",
        make=with_turns(lambda t: 0 * t.phase + 1e9 * np.cos(t.phase)),
        words=(FILE, "phase"),
        loud=False,
    ),
    WrongText(
        name="one phase of 1e9",
        make=with_turns(lambda t: np.where(np.arange(t.phase.size) == 40, 1e9, t.phase)),
        words=(FILE, "phase"),
        loud=False,
    ),
    WrongText(name="phase with gaps", make=phase_gaps, words=(FILE, "phase"), loud=False),
    WrongText(
        name="phase headed Pha",
        make=with_turns(lambda t: t.phase, "Freq;Lvl dB SPL;Pha"),
        words=(),
        loud=False,
    ),
    WrongText(
        name="noise floor beside",
        make=beside("Frequency;SPL;Phase;Noise floor", "level", "phase", "noise"),
        words=(),
        loud=False,
    ),
    WrongText(
        name="noise floor before",
        make=beside("Hz;Noise floor (dB);SPL (dB);Phase (deg)", "noise", "level", "phase"),
        words=(),
        loud=False,
    ),
    WrongText(
        name="floor in German",
        make=beside("Frequenz;Schalldruckpegel;Phase;Grundrauschen", "level", "phase", "noise"),
        words=(),
        loud=False,
    ),
    WrongText(
        name="background in French",
        make=beside(
            "Fréquence (Hz);Niveau (dB SPL);Phase (°);Bruit de fond (dB)", "level", "phase", "noise"
        ),
        words=(),
        loud=False,
    ),
    # what the file is
    WrongText(name="JSON of pairs", make=json_text, words=(FILE, "json")),
    WrongText(name="JSON of objects", make=json_objects, words=(FILE, "json")),
    WrongText(name="JSON of arrays", make=json_arrays, words=(FILE, "json")),
    WrongText(name="a page of the web", make=markup, words=(FILE,)),
    WrongText(name="a line of 0.25 MB", make=long_line, words=(FILE, "line", "characters")),
    WrongText(name="a row of 60000 cells", make=long_row, words=(FILE, "line", "characters")),
    WrongText(
        name="a number of 250000 digits", make=long_digits, words=(FILE, "line", "characters")
    ),
    WrongText(name="100 MB", make=too_large, words=(FILE, "MiB")),
    # cut off
    WrongText(name="cut off inside a number", make=cut_inside, words=(FILE, "line", "cut")),
    WrongText(name="cut off at 38 Hz", make=cut_at(38.0), words=(FILE, "38|37")),
    WrongText(name="cut off at 108 Hz", make=cut_at(108.0), words=(FILE, "108|107", "125")),
    WrongText(name="cut off at 208 Hz", make=cut_at(208.0), words=(FILE, "208|207")),
    WrongText(name="nine points", make=every_second, words=(FILE,)),
)
