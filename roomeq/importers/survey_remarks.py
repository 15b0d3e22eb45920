"""What is worth saying about a survey: what was assumed, noticed, and what looks wrong.

Conventions
-----------
Plain sentences for people, without a full stop. An assumption is something that was not stated and
had to be taken for something; a finding is something that looks wrong although it can be used.

Repeatability: how far repeated measurements of one seat and source lie apart.

Levels in dB; bands are the third octaves from 20 to 125 Hz. A repeat is another measurement of the
same seat, source and route; the very same recording given twice is none.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import product

import numpy as np

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import level_travel_db
from roomeq.base.bands import third_octave_band, third_octave_bands, whole_bands
from roomeq.base.levels import FloatArray
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.room_file.file import RoomFile

_BANDS = third_octave_bands(20.0, 125.0)


def same_recording(one: FrequencyResponse, other: FrequencyResponse) -> bool:
    """Return whether two responses hold the very same values: no two measurements ever do."""
    return (
        one.has_phase == other.has_phase
        and np.array_equal(one.frequencies, other.frequencies)
        and np.array_equal(one.stored, other.stored)
    )


def estimate_repeatability_db(survey: Survey) -> float | None:
    """Return the pooled standard deviation of repeats, in dB.

    For repeats r = 1..R of one seat, source and route, with band levels ``L[r, b]`` and their mean
    ``L[b]`` over the repeats, the squares ``(L[r, b] - L[b])**2`` are summed over all bands that
    every repeat covers, and all groups; the sum is divided by the degrees of freedom, R - 1 for
    each band. Where the survey's levels are not comparable, each repeat's mean over the bands is
    removed first, at the cost of R - 1 degrees of freedom.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    float or None
        None where no seat was measured twice, or repeats share too few bands.
    """
    squares, freedom = np.sum([[0.0, 0.0], *_deviations(survey).values()], axis=0)
    return math.sqrt(squares / freedom) if freedom else None


def _deviations(survey: Survey) -> dict[tuple[str, str, str], tuple[float, int]]:
    """Return the sum of squares and the degrees of freedom of each group of repeats."""
    groups: dict[tuple[str, str, str], list[FrequencyResponse]] = {}
    for one in survey.measurements:
        group = groups.setdefault((one.seat, one.source, one.route), [])
        if not any(same_recording(one.response, other) for other in group):
            group.append(one.response)
    found = {}
    for key, repeats in groups.items():
        levels = np.array([_levels_in_bands_db(repeat) for repeat in repeats])
        levels = levels[:, np.isfinite(levels).all(axis=0)]
        count, bands = levels.shape
        if not survey.levels_comparable and bands:
            levels = levels - levels.mean(axis=1, keepdims=True)
            bands -= 1
        if count > 1 and bands > 0:
            squares = float(np.sum((levels - levels.mean(axis=0)) ** 2))
            found[key] = (squares, (count - 1) * bands)
    return found


def _levels_in_bands_db(response: FrequencyResponse) -> FloatArray:
    """Return the level in each band, in dB; nan where it is not covered whole."""
    axis, levels = response.frequencies, response.level_db
    if response.resolution == "third_octave":
        bands = tuple(map(third_octave_band, axis))
    else:
        bands = whole_bands(20.0, 125.0, first=axis[0], last=axis[-1])
        levels = band_levels_db(axis, levels, bands=bands)
    known = {band.number: level for band, level in zip(bands, levels, strict=True)}
    return np.array([known.get(band.number, math.nan) for band in _BANDS])


_LOWEST, _HIGHEST = 20.0, 125.0
_LEAST_POINTS = 16  # two in each third octave (common practice, no source)
_AGREE_DB = 0.015  # of levels that are rounded to a hundredth
_FINE = 12.0  # points an octave below which narrow dips are missed (common practice, no source)
LEAST_TRAVEL_DB = 4.0
"""Of 924 clean responses, smoothed over a whole octave, the least moved by 7.4 dB."""
_STUCK_OCTAVES = 2.0 / 3.0
_LEAST_BANDS, _SAME_PLAYER_DB = 7, 3.0
"""Largest to smallest difference of third octaves. Of 708 seats of `bench_response_doubts.py`,
seeds from 62000, none came so near; a subwoofer measured once more for the mains was told at 707,
mains for the subwoofer, which are in the noise below 40 Hz, at 593. The nearest of 590 seats of
rooms by image sources, on which it was set, was at 5.4 dB."""
_REPEATS_DB = 1.5
"""Standard deviation. Of 120 repeats with the microphone 10 cm off, one lay further apart; of 1536
pairs of different seats, nine in ten did."""


def assumptions_of(room_file: RoomFile) -> Iterator[str]:
    """Yield what a room file does not state about its measurements."""
    states, present = room_file.states, room_file.device.present
    every = [entry.file for entry in room_file.measurements]
    lacking = [
        entry.file
        for index, entry in enumerate(room_file.measurements)
        if entry.source == "sub" and not states("measurements", index, "source")
    ]
    of_files = f" ({', '.join(dict.fromkeys(lacking))})" if len(lacking) < len(every) else ""
    others = {"level_db": "level", "polarity": "polarity", "phase_deg": "phase"}
    unsaid = [word for key, word in others.items() if getattr(present, key) is None]
    listed = " and ".join(filter(None, (", ".join(unsaid[:-1]), *unsaid[-1:])))
    knobs = f"the device's {listed} while measuring {'is' if len(unsaid) == 1 else 'are'}"
    for stated, assumed in (
        (room_file.seats, "no seat weights are stated: all seats count alike"),
        (not lacking, f"what played is not stated: taken for the subwoofer alone{of_files}"),
        (
            states("levels", "comparable"),
            "levels are not said to be comparable between seats: one offset for each seat is "
            "removed before fitting",
        ),
        (room_file.microphone, "no microphone correction is stated: none is made"),
        (
            present.gains_db is not None,
            "the bands' gains while measuring are not stated: taken for 0 dB",
        ),
        (not unsaid, f"{knobs} not stated: taken for 0 or normal"),
        (states("path"), "no filters in the subwoofer's path are stated: taken for none"),
    ):
        if not stated:
            yield assumed


def files_of(some: Sequence[Measurement], every: Sequence[Measurement]) -> str:
    """Return the files of measurements, each once; how many, where it is all of several."""
    files = list(dict.fromkeys(str(one.file) for one in some))
    total = len({str(one.file) for one in every})
    return f"all {total} files" if 1 < len(files) == total else ", ".join(files)


def file_notes(measurements: Iterable[Measurement]) -> Iterator[str]:
    """Yield the notes of all measurements, each once, with the files in front."""
    measured = list(measurements)
    for note in dict.fromkeys(note for one in measured for note in one.notes):
        yield f"{files_of([one for one in measured if note in one.notes], measured)}: {note}"
    for one in measured:
        axis = one.response.frequencies
        fine = np.sum((axis >= _LOWEST) & (axis <= _HIGHEST)) / np.log2(_HIGHEST / _LOWEST)
        if one.response.resolution != "third_octave" and fine < _FINE:
            yield (
                f"{one.file}: {fine:.0f} points an octave from {_LOWEST:g} to {_HIGHEST:g} Hz: "
                "narrow dips lie between them, and cancellations cannot be told"
            )


def repeatability_notes(stated_db: float | None, repeated_db: float | None) -> Iterator[str]:
    """Yield what is known of the repeatability, and from where."""
    if repeated_db is not None:
        yield f"repeats of a seat lie {repeated_db:.2f} dB apart (standard deviation)"
        if stated_db is not None:
            yield f"the stated repeatability of {stated_db:g} dB is used instead"
    elif stated_db is None:
        yield "the repeatability is not known: no seat was measured twice, and none is stated"


def same_recordings(measurements: Sequence[Measurement]) -> Iterator[str]:
    """Yield which measurements are one recording, or of one and the same loudspeaker.

    No two takes agree to the digit, nor two seats but for their level: of 2250
    pairs of seats in simulated rooms none came closer to that than 2.5 dB, largest to smallest.
    """
    for index, one in enumerate(measurements):
        for other in measurements[:index]:
            apart_db = _moved_db(one, other)
            same = same_recording(one.response, other.response)
            if same or apart_db is not None:
                moved = "" if same else f", {apart_db:.1f} dB apart"
                yield (
                    f"{_described(other)} and {_described(one)} are the same recording{moved}: was "
                    "one file or column given twice?"
                )
                break
    yield from _same_players(measurements)


def _same_players(measurements: Sequence[Measurement]) -> Iterator[str]:
    """Yield at which seats one loudspeaker played in what is said to be subwoofer and mains."""
    parts = [[one for one in measurements if one.source == what] for what in ("sub", "mains")]
    for sub, mains in product(*parts):
        if sub.seat != mains.seat or same_recording(sub.response, mains.response):
            continue
        levels_db = [_levels_in_bands_db(one.response) for one in (sub, mains)]
        apart_db = np.subtract(*levels_db)[np.isfinite(levels_db).all(axis=0)]
        if apart_db.size >= _LEAST_BANDS and np.ptp(apart_db) < _SAME_PLAYER_DB:
            yield (
                f"{_described(sub)} and {_described(mains)} run alike within "
                f"{np.ptp(apart_db):.1f} dB in third octaves: did the same loudspeaker play in "
                "both, the other one switched off or not reached?"
            )


def _moved_db(one: Measurement, other: Measurement) -> float | None:
    """Return how far apart one response lies at two seats, where nothing but the level differs."""
    mine, its = one.response, other.response
    if one.seat == other.seat or not np.array_equal(mine.frequencies, its.frequencies):
        return None
    apart_db = mine.level_db - its.level_db
    if mine.frequencies.size < _LEAST_POINTS or np.ptp(apart_db) > _AGREE_DB:
        return None
    return float(np.abs(np.mean(apart_db)))


def doubtful_levels(measurements: Iterable[Measurement]) -> Iterator[str]:
    """Yield which responses are too coarse for third-octave bands, or the same everywhere."""
    for measurement in measurements:
        response, said = measurement.response, _described(measurement)
        if response.resolution == "third_octave":
            continue
        inside = (response.frequencies >= _LOWEST) & (response.frequencies <= _HIGHEST)
        axis, levels = response.frequencies[inside], response.level_db[inside]
        if levels.size < _LEAST_POINTS:
            yield (
                f"{said} has {levels.size} points from {_LOWEST:g} to "
                f"{_HIGHEST:g} Hz: too coarse, what lies between them is not known"
            )
        elif span := _stuck(response):
            yield (
                f"{said} has the same level from {span[0]:.4g} to {span[1]:.4g} "
                "Hz: was the right column read, and was the file written whole?"
            )
        elif (moved_db := level_travel_db(axis, levels)) < LEAST_TRAVEL_DB:
            yield (
                f"{said} rises and falls by {moved_db:.1f} dB in all from "
                f"{_LOWEST:g} to {_HIGHEST:g} Hz, less than any seat in a room: is it a "
                "microphone's file, or a target?"
            )


def _stuck(response: FrequencyResponse) -> tuple[float, float] | None:
    """Return the widest span of one and the same level from 20 to 400 Hz, if it is no accident."""
    used = (response.frequencies >= _LOWEST) & (response.frequencies <= 400.0)
    axis, levels = response.frequencies[used], response.level_db[used]
    ends = np.flatnonzero(np.append(np.diff(levels) != 0, True))
    starts = np.append(0, ends[:-1] + 1)
    widest = int(np.argmax(axis[ends] / axis[starts]))
    first, last = float(axis[starts[widest]]), float(axis[ends[widest]])
    return (first, last) if np.log2(last / first) > _STUCK_OCTAVES else None


def doubtful_repeats(survey: Survey, stated_db: float | None) -> Iterator[str]:
    """Yield which measurements under one seat's name cannot be of the same place and source."""
    for (seat, source, route), (squares, freedom) in _deviations(survey).items():
        apart_db = math.sqrt(squares / freedom)
        if apart_db > max(_REPEATS_DB, 3.0 * (stated_db or 0.0)):
            alike = (e for e in survey.at_seat(seat) if (e.source, e.route) == (source, route))
            yield (
                f"{seat!r} ({source}): {' and '.join(str(e.file) for e in alike)} lie "
                f"{apart_db:.1f} dB apart (standard deviation), which no repeat of one measurement "
                "does: correct seat or source; several subwoofers are measured playing together"
            )


def unstated_weighting(room_file: RoomFile) -> Iterator[str]:
    """Yield which typed levels come without the weighting of the meter."""
    for index, entry in enumerate(room_file.measurements):
        place = ("measurements", index, "weighting")
        if entry.kind == "band_levels" and not room_file.states(*place):
            yield (
                f"{entry.file}: the weighting of the meter is not stated, taken for none; C takes "
                "6.2 dB off at 20 Hz, A 50 dB: write "
                'weighting = "none", "C" or "A" in [[measurements]]'
            )


def _described(measurement: Measurement) -> str:
    return f"{measurement.seat!r} ({measurement.source}, {measurement.file})"


def mixtures(room_file: RoomFile, measurements: Sequence[Measurement]) -> Iterator[str]:
    """Yield where measurements of different kinds stand side by side."""
    references = {m.response.level_reference for m in measurements}
    if room_file.levels.comparable and len(references) > 1:
        yield (
            "levels are said to be comparable, but some are in dB SPL and some relative: "
            f"{_by_kind(measurements, 'level_reference')}"
        )
    for source in dict.fromkeys(m.source for m in measurements):
        own = [m for m in measurements if m.source == source]
        if len({m.response.resolution for m in own}) > 1:
            yield (
                f"measurements of {source!r} mix third-octave levels and narrow responses: "
                f"{_by_kind(own, 'resolution')}"
            )
    kinds = {entry.kind for entry in room_file.measurements if entry.microphone}
    microphone = room_file.microphone
    if microphone is not None and microphone.file is not None and len(kinds) > 1:
        yield (
            "the microphone correction was applied to text exports and to hand-typed levels alike: "
            "write microphone = false where another microphone was used"
        )


def _by_kind(measurements: Sequence[Measurement], attribute: str) -> str:
    files: dict[str, dict[str, None]] = {}
    for measurement in measurements:
        kind = str(getattr(measurement.response, attribute)).replace("_", " ")
        files.setdefault(kind, {})[str(measurement.file)] = None
    return "; ".join(f"{kind}: {', '.join(names)}" for kind, names in files.items())
