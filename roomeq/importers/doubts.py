"""What looks wrong in the measurements of one source, taken together.

Conventions
-----------
Levels in dB, shape (S, F), at frequencies of equal steps in ln f, the device's bands taken out.
Thresholds were chosen on random rooms of `tests/benchmarks` (``rooms_apart.py`` and
``invented_rooms.py``, seeds below 400); the error rates beside them are of others.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio_db, power_mean_db
from roomeq.base.survey import Survey
from roomeq.device.crossover import CrossoverFilter, FilterFamily, chain_response
from roomeq.device.equaliser import FixedBandEqualiser

_LOWEST, _HIGHEST = 16.0, 200.0
_APART_DB = 15.0  # by octaves and seats: 9.6 dB for three seats from 16 to 200 Hz
_MAINS_DB = 9.0
_USUAL_LIMIT = 30.0  # Hz, where the subwoofer's own is not known
_SEEN_DB = 30.0
_WORSE_DB2 = 36.0
_KINDS: tuple[tuple[FilterFamily, int], ...] = (("linkwitz_riley", 4), ("butterworth", 2))
_USUAL = tuple(
    (CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner),)
    for family, order in _KINDS
    for corner in (40, 45, 50, 56, 63, 71, 80, 90, 100, 112, 125, 141, 160)
)
_SHORTER = 0.8  # of where the others end (common practice, no source)


def uncovered_bands(survey: Survey, equaliser: FixedBandEqualiser) -> Iterator[str]:
    """Yield which bands lie outside the data, and which files end far below the others."""
    spans: dict[tuple[float, float], list[str]] = {}
    for entry in survey.measurements:
        axis = entry.response.frequencies
        spans.setdefault((float(axis[0]), float(axis[-1])), []).append(entry.file or entry.seat)
    ends = [float(entry.response.frequencies[-1]) for entry in survey.measurements]
    usual = float(np.median(ends))
    for (first, last), files in spans.items():
        named = ", ".join(dict.fromkeys(files)) if len(files) < len(ends) else "every file"
        outside = [
            band.label
            for band in equaliser.bands
            if not first <= band.centre * 1.01 or not band.centre * 0.99 <= last
        ]
        if outside:
            yield (
                f"{named}: measured from {first:.4g} to {last:.4g} Hz, so that the bands "
                f"{', '.join(outside)} Hz lie outside the data: cut off? Measure over all bands; "
                "until then those are not judged"
            )
        elif last < min(_SHORTER * usual, 300.0):
            yield f"{named}: ends at {last:.4g} Hz, others at {usual:.4g} Hz: was it cut off?"


def doubtful_seat_levels(survey: Survey, axis: FloatArray, levels: FloatArray) -> Iterator[str]:
    """Yield which seats' levels stand apart, although they are said to be comparable.

    The median over 16 to 200 Hz against that of the others. Of 165 clean rooms none was named; a
    seat that was 8, 10 and 14 dB off in 28, 84 and 99.9 of 100. In strongly modal rooms sound seats
    were seen to lie 7 to 9 dB apart.
    """
    within = (axis >= _LOWEST) & (axis <= _HIGHEST)
    count = len(survey.seats)
    if not survey.levels_comparable or count < 2 or within.sum() < 3:
        return
    octaves = np.log2(axis[within][-1] / axis[within][0])
    least = _APART_DB * np.sqrt((1.0 + 1.0 / (count - 1)) / octaves)
    for index, seat in enumerate(survey.seats[: 1 if count == 2 else count]):
        others = np.median(np.delete(levels, index, axis=0), axis=0)
        apart = float(np.median((levels[index] - others)[within]))
        if abs(apart) >= least:
            how = "louder" if apart > 0 else "quieter"
            yield (
                f"{_named(survey, seat)} is {abs(apart):.0f} dB {how} than the others, although "
                "levels are said to be comparable: was the gain the same? Measure it again, or say "
                "comparable = false in [levels]"
            )


def doubtful_low_passes(
    survey: Survey,
    axis: FloatArray,
    levels: FloatArray,
    *,
    path: tuple[CrossoverFilter, ...],
    limit: float | None,
) -> list[str]:
    """Return what contradicts the stated low-passes, or that there are none.

    The average over seats is compared, with each of 26 usual low-passes, none and the stated ones
    taken out, by the variance that is left. Of 750 clean rooms four were named. A stated low-pass
    that was not there was named in 78 of 100 (at 40 Hz in 95), one that was said not to be there in
    84. A file of the mains was named in 98 of 100. `roomeq.optimiser.path` looks closer.

    Parameters
    ----------
    survey : Survey
    axis : ndarray, shape (F,)
    levels : ndarray, shape (S, F)
    path : tuple of CrossoverFilter
        Filters stated to be in the subwoofer's path.
    limit : float or None
        The subwoofer's own, in Hz.
    """
    stated = tuple(entry for entry in path if entry.kind == "low_pass")
    lowest = max(limit or _USUAL_LIMIT, 20.0)
    mains = _of_mains(axis, levels, stated, lowest)
    found = [
        f"{_named(survey, seat)} is {-fall:.0f} dB louder above the stated low-pass than below "
        "it: is it a file of the mains? Correct its source, or [[path]]"
        for seat, fall in zip(survey.seats, mains, strict=True)
        if fall < -_MAINS_DB
    ]
    within = (axis >= lowest) & (axis <= 300.0)
    if 2 * len(found) > len(levels) or within.sum() < 5 or axis[within][-1] < 2 * axis[within][0]:
        return found
    average = power_mean_db(levels[mains >= -_MAINS_DB][:, within])
    misfits = {one: _misfit_db2(average, axis[within], one) for one in (stated, (), *_USUAL)}
    best = min(misfits, key=lambda one: misfits[one])
    words = " and ".join(map(str, stated))
    if misfits[stated] - misfits[best] > _WORSE_DB2:
        like = f"like that of a {best[0]}" if best else "like that of no low-pass"
        found.append(
            f"the level over frequency is {like}, not as stated ({words or 'no low-pass'}): "
            "correct [[path]], or the files: are they of the mains, or with other filters on?"
        )
    return found


def _of_mains(
    axis: FloatArray, levels: FloatArray, stated: tuple[CrossoverFilter, ...], lowest: float
) -> FloatArray:
    """Return by how much each seat falls above the lowest corner, in dB; 0 where none is known."""
    corner = min((entry.corner for entry in stated), default=0.0)
    above = (axis >= corner) & (axis <= min(2.5 * corner, _HIGHEST + 100.0))
    below = (axis >= max(corner / 2.5, lowest)) & (axis <= 0.8 * corner)
    if min(above.sum(), below.sum()) < 3 or lowest > 0.6 * corner:
        return np.zeros(len(levels))
    return np.asarray(levels[:, below].mean(axis=1) - levels[:, above].mean(axis=1))


def _misfit_db2(
    average_db: FloatArray, axis: FloatArray, filters: tuple[CrossoverFilter, ...]
) -> float:
    """Return the variance over ln f that is left with the filters taken out, 30 dB deep."""
    top = np.median(np.sort(average_db)[-average_db.size // 3 :])
    fall = np.minimum(-amplitude_ratio_db(chain_response(filters, axis)), _SEEN_DB)
    return float(np.var(np.maximum(average_db, top - _SEEN_DB) + fall))


def _named(survey: Survey, seat: str) -> str:
    files = dict.fromkeys(entry.file for entry in survey.at_seat(seat) if entry.file)
    return f"{seat!r} ({', '.join(files)})" if files else repr(seat)
