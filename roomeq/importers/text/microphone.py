"""Microphone correction: take the microphone's own response out of a measurement.

Conventions
-----------
A file of kind ``response`` holds what the microphone adds, and is subtracted; one of kind
``correction`` holds what makes up for it, and is added. Values are in dB over Hz and are
interpolated linearly over the logarithm of frequency and never extrapolated: what was measured
outside the span of the file is cut off. Only the level is corrected, phase stays as measured.

Frequency weightings C and A of sound level meters, and their removal.

A weighting is a gain in dB that the meter adds at each frequency, 0 dB at 1000 Hz. Frequencies are
in Hz. Source of all formulas: IEC 61672-1:2013, Annex E (analytical expressions); the standard's
table of weightings gives the same values, rounded to 0.1 dB, at the exact third-octave centres.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from os import PathLike
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.survey_levels import level_travel_db
from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import FloatArray, amplitude_ratio, require_one_of
from roomeq.base.response import FrequencyResponse
from roomeq.importers.text.export import TextExport, read_text_export
from roomeq.importers.text.words import folded

MicrophoneKind = Literal["response", "correction"]

GREATEST_DB = 40.0
_GREATEST_TRAVEL_DB = 20.0
"""Of 924 clean responses at seats the least moved by 42 dB, smoothed over 1/12 octave; a microphone
that falls by 12 dB towards 20 Hz moves by as much (common practice, no source)."""
_WORDS = {
    "response": r"subs?tra|abzuziehen|abzieh|abgezogen|soustra|retranch|sottra|\brestar|sustra"
    r"|aftrek|trekken|dra(?:s|ga)? (?:av|ifran)|odejm|odjac",
    "correction": r"\badd(?:ed|ing)?\b|addier|hinzu|ajout|aggiung|sommare|\bsumar|anadir|adicionar"
    r"|somar|optellen|toevoeg|addera|lagg(?:s|a) till|dodac|dodaj",
}
"""What a file with such words in its remarks is by them."""
_CORRECTION = re.compile(r"korrek|corre[zc]|compens|kompens|korekt|korrig")
_STATED_AT = (20.0, 31.5, 1000.0)
_NOMINAL_SLACK = 0.01
"""Share by which a nominal third-octave frequency may differ from the exact one (ISO 266)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MicrophoneResponse:
    """What a microphone file holds.

    Attributes
    ----------
    frequencies : ndarray, shape (M,)
        Hz.
    response_db : ndarray, shape (M,)
        Values of the file, in dB, with the sign they have there.
    kind : {"response", "correction"}
        Whether the values are subtracted or added.
    path : str, optional
        The file.
    notes : tuple of str
        What the reader ignored or assumed.
    doubts : tuple of str
        What in the file contradicts its kind, or that it is a microphone's.
    """

    frequencies: FloatArray
    response_db: FloatArray
    kind: MicrophoneKind
    path: str | None = None
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def amount_db(self, frequencies: ArrayLike) -> FloatArray:
        """Return what is added to a measured level, in dB, at frequencies within the span.

        Raises
        ------
        ValueError
            If a frequency lies outside the span of the file: nothing is extrapolated.
        """
        axis = np.asarray(frequencies, dtype=np.float64)
        if not np.all((axis >= self.frequencies[0]) & (axis <= self.frequencies[-1])):
            raise ValueError(
                f"the microphone file spans {_span(self.frequencies)} only; nothing is extrapolated"
            )
        values = np.interp(np.log(axis), np.log(self.frequencies), self.response_db)
        return np.asarray(-values if self.kind == "response" else values)


def read_microphone(
    path: str | PathLike[str], *, kind: MicrophoneKind, **reading_settings: Any
) -> MicrophoneResponse:
    """Read a microphone file: a text export, whatever its dialect.

    Lines in front of the table, such as a sensitivity, are not used: levels are not calibrated
    with it.

    Parameters
    ----------
    path : path-like
        The file.
    kind : {"response", "correction"}
        Whether the file holds the microphone's response or a correction for it.
    **reading_settings
        Passed to `roomeq.importers.text.export.read_text_export`.

    Raises
    ------
    AmbiguousTableError
        If the file holds several level columns, such as one for each angle of incidence.
    MeasurementFileError
        If it cannot be read, or its values are no microphone's.
    ValueError
        If the kind is unknown, or a reading setting is.
    OSError
        If the file cannot be opened.
    """
    return microphone_of(read_text_export(path, **reading_settings), kind=kind)


def microphone_of(export: TextExport, *, kind: MicrophoneKind) -> MicrophoneResponse:
    """Return what a text export holds as a microphone file; raises as `read_microphone`."""
    require_one_of(kind, MicrophoneKind, "kind")
    if len(export.responses) != 1:
        raise AmbiguousTableError(
            f"holds {len(export.responses)} level columns: {', '.join(export.names)}",
            path=export.path,
            remedy="name one of them with level_column",
        )
    (response,) = export.responses
    axis, values = response.frequencies, response.level_db
    worst = int(np.argmax(np.abs(values)))
    if not abs(values[worst]) <= GREATEST_DB:
        raise MeasurementFileError(
            f"{values[worst]:.1f} dB at {axis[worst]:.4g} Hz is no microphone's response: within "
            f"{GREATEST_DB:g} dB of 0 dB is accepted",
            path=export.path,
            remedy="is this a measurement, or are the columns others?",
        )
    phase = ("the phase in the microphone file is not used",) if response.has_phase else ()
    return MicrophoneResponse(
        frequencies=axis,
        response_db=values,
        kind=kind,
        path=export.path,
        notes=(*export.notes, *phase),
        doubts=tuple(_doubts(export, response, kind)),
    )


def kind_in_words(line: str) -> MicrophoneKind | None:
    """Return what a line above the table says that its values are; None where it does not."""
    plain = folded(line)
    words = [word for word in get_args(MicrophoneKind) if re.search(_WORDS[word], plain)]
    if not words and _CORRECTION.search(plain):
        return "correction"
    return words[0] if len(words) == 1 else None


def covers_bands(response: FrequencyResponse) -> bool:
    """Return whether a response reaches from the band of 20 Hz to that of 125 Hz."""
    return bool(response.frequencies[0] <= 20.4 and response.frequencies[-1] >= 122.0)


def _doubts(export: TextExport, response: FrequencyResponse, kind: MicrophoneKind) -> Iterator[str]:
    """Yield what the file itself says against its kind, and that it moves like a measurement."""
    for number, line in export.remarks:
        if kind_in_words(line) not in (None, kind):
            yield (
                f"{export.path}, line {number}, says {line.strip()[:60]!r}, but kind = {kind!r} is "
                f"{'subtracted' if kind == 'response' else 'added'}: which is right? Correct the "
                "kind in [microphone], or the remark"
            )
    first, last = response.frequencies[[0, -1]]
    if not covers_bands(response):
        said = f"covers {first:.4g} to {last:.4g} Hz; what was measured elsewhere is cut off"
        remedy = "is the file whole? It has to cover 20 to 125 Hz"
        if min(last, 125.0) < 2.0 * max(first, 20.0):
            raise MeasurementFileError(said, path=export.path, remedy=remedy)
        yield f"{export.path}: {said}: {remedy}"
    moved_db = level_travel_db(response.frequencies, response.level_db)
    if _GREATEST_TRAVEL_DB < moved_db < np.inf:
        yield (
            f"{export.path}: rises and falls by {moved_db:.0f} dB in all from 20 to 125 Hz, more "
            "than any microphone: is it a measurement? Name the microphone's file in [microphone]"
        )


def apply_microphone(
    response: FrequencyResponse, microphone: MicrophoneResponse
) -> FrequencyResponse:
    """Return a response with the microphone's own taken out.

    Apply it once: the result does not remember that it was corrected. Points outside the span of
    the microphone file are cut off; third-octave levels are corrected at the band's centre. A file
    that starts at 20 Hz covers the band of nominally 20 Hz, whose exact centre is 19.95 Hz: the
    value at the end of the file is that band's.

    Parameters
    ----------
    response : FrequencyResponse
        As measured.
    microphone : MicrophoneResponse
        What the microphone file holds.

    Raises
    ------
    MeasurementFileError
        If no measured point lies within the span of the microphone file.
    """
    slack = _NOMINAL_SLACK if response.resolution == "third_octave" else 0.0
    axis, lowest, highest = response.frequencies, *microphone.frequencies[[0, -1]]
    kept = (axis >= lowest * (1.0 - slack)) & (axis <= highest * (1.0 + slack))
    if not kept.any():
        raise MeasurementFileError(
            f"the microphone file spans {_span(microphone.frequencies)}, the measurement "
            f"{_span(axis)}: they have nothing in common",
            path=microphone.path,
            remedy="check the frequency units of both files",
        )
    amount_db = microphone.amount_db(np.clip(axis[kept], lowest, highest))
    stored = response.stored[..., kept]
    stored = stored * amplitude_ratio(amount_db) if response.has_phase else stored + amount_db
    return replace(
        response,
        frequencies=axis[kept],
        stored=stored,
        snr_db=None if response.snr_db is None else response.snr_db[kept],
    )


def describe_microphone(
    microphone: MicrophoneResponse, *, measured: FrequencyResponse, corrected: FrequencyResponse
) -> tuple[str, ...]:
    """Return what `apply_microphone` did to a response, as notes.

    The amounts at 20, 31.5 and 1000 Hz are stated where the file covers them, and what is cut off.
    """
    amounts = [
        f"{microphone.amount_db(frequency):+z.2f} dB at {frequency:g} Hz"
        if microphone.frequencies[0] <= frequency <= microphone.frequencies[-1]
        else f"nothing at {frequency:g} Hz (not covered)"
        for frequency in _STATED_AT
    ]
    verb = "response subtracted" if microphone.kind == "response" else "correction added"
    notes = [f"microphone {verb}, once; what it did to the level: {', '.join(amounts)}"]
    if corrected.frequencies.size < measured.frequencies.size:
        notes.append(
            f"cut off to {_span(microphone.frequencies)}, the span of the microphone file; "
            f"measured was {_span(measured.frequencies)}"
        )
    return tuple(notes)


def _span(frequencies: FloatArray) -> str:
    return f"{frequencies[0]:.4g} to {frequencies[-1]:.4g} Hz"


Weighting = Literal["none", "C", "A"]

LOWEST_A_WEIGHTED = 40.0
"""Hz; nominal centre of the lowest band from which A weighting is removed.

A weighting takes 34.6 dB off at 40 Hz and 50.5 dB at 20 Hz: what a meter shows there is mostly
noise of its own and hum of higher bands (common practice, no source for the exact limit).
"""

POLES = (20.598997057618316, 107.65264864304629, 737.8622307362901, 12194.21714799801)
"""Hz; f_1 to f_4 of Annex E, by its formulas from corners at 10^1.5, 10^2.45 and 10^3.9 Hz."""


def weighting_ratio(frequencies: ArrayLike, weighting: Literal["C", "A"]) -> FloatArray:
    """Return what a weighting multiplies amplitudes by: C by -6.2 dB at 20 Hz, A by -50.5 dB.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, above zero.
    weighting : {"C", "A"}
        The weighting (IEC 61672-1:2013, Annex E).
    """
    squared, (f1, f2, f3, f4) = np.append(frequencies, 1000.0) ** 2, POLES
    ratio = f4**2 * squared / ((squared + f1**2) * (squared + f4**2))
    if weighting == "A":
        ratio = ratio * (squared / np.sqrt((squared + f2**2) * (squared + f3**2)))
    return np.asarray(ratio[:-1] / ratio[-1])


def remove_weighting(response: FrequencyResponse, *, weighting: Weighting) -> FrequencyResponse:
    """Return a response with the meter's weighting taken out of its level.

    Phase, where there is one, stays as it is: the standard lays down no phase.

    Parameters
    ----------
    response : FrequencyResponse
        Levels with the weighting in them. Third-octave levels are corrected at the exact centre.
    weighting : {"none", "C", "A"}
        The weighting.

    Raises
    ------
    ValueError
        If the weighting is unknown, or A weighting is to be removed below the 40 Hz band.
    """
    require_one_of(weighting, Weighting, "weighting")
    if weighting == "none":
        return response
    lowest = float(response.frequencies[0])
    if weighting == "A" and lowest < 0.99 * LOWEST_A_WEIGHTED:  # its exact centre is 39.81 Hz
        raise ValueError(
            f"A weighting cannot be removed at {lowest:.3g} Hz, only from "
            f"{LOWEST_A_WEIGHTED:g} Hz upwards: there the meter showed mostly its own noise; "
            "measure again with C weighting or none, or leave those bands out"
        )
    return response.filtered(weighting_ratio(response.frequencies, weighting), inverse=True)
