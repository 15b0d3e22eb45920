"""Plots of what the seats share: their average, their differences, their noise.

Conventions
-----------
Levels in dB, seats by frequencies; frequencies in Hz. Seats carry letters in their order, on the
lines and beside the names. Numbers are computed elsewhere. Every function takes axes, or makes
some, and returns them.
"""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_uppercase
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.seats import SeatStatistics
from roomeq.base.bands import third_octave_band
from roomeq.base.levels import FloatArray
from roomeq.base.response import LevelReference
from roomeq.optimiser.bands.fit_data import SNR_FULL_DB, SNR_IGNORED_DB
from roomeq.plan.plan import Plan
from roomeq.report.plots import labels, style
from roomeq.report.plots.plan import BEFORE, PREDICTED
from roomeq.report.plots.style import COLOURS, Look, house_style, stroke

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LANE_STEPS_DB = (10.0, 20.0, 30.0, 40.0, 60.0, 80.0)


def seat_letters(count: int) -> tuple[str, ...]:
    """Return a letter for each seat: A to Z, then AA, AB and so on."""
    letters = tuple(ascii_uppercase)
    return tuple(
        letters[k] if k < 26 else letters[k // 26 - 1] + letters[k % 26] for k in range(count)
    )


def _checked(statistics: SeatStatistics, level_db: ArrayLike) -> FloatArray:
    levels = np.asarray(level_db, dtype=np.float64)
    wanted = len(statistics.seats), statistics.frequencies.size
    if levels.shape != wanted or not np.isfinite(levels).all():
        raise ValueError(f"level_db must be finite and have shape {wanted}, got {levels.shape}")
    return levels


@house_style
def plot_seats(
    statistics: SeatStatistics,
    level_db: ArrayLike,
    *,
    level_reference: LevelReference = "relative",
    ax: Axes | None = None,
) -> Axes:
    """Plot every seat, their level mean, and the standard deviation around it.

    Parameters
    ----------
    statistics : SeatStatistics
        Of these levels.
    level_db : array_like, shape (S, F)
        Level of every seat.
    level_reference : {"relative", "spl"}
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the levels do not fit the statistics.
    ImportError
        If matplotlib is not installed.
    """
    levels = _checked(statistics, level_db)
    axis, mean, spread = statistics.frequencies, statistics.level_mean_db, statistics.spread_db
    ax = style.started(ax)
    rows = zip(statistics.seats, seat_letters(len(levels)), levels, strict=True)
    ground: Look = {"boxstyle": "circle,pad=0.15", "facecolor": "white", "edgecolor": "none"}
    for index, (seat, letter, row) in enumerate(rows):
        look = style.seat_stroke(index)
        ax.plot(axis, row, label=f"{letter}  {seat}", **look | {"linewidth": 1.0})
        # the letter stands on its line twice, at each seat a little further along
        for half in (0.0, 1.0):
            place = int(axis.size * (half + (index + 0.5) / len(levels)) / 2.0)
            text = ax.text(axis[place], row[place], letter, color=look["color"], zorder=4)
            text.set(ha="center", va="center", fontsize=7.0, fontweight="bold", clip_on=True)
            text.set_bbox(ground)
    ax.plot(axis, mean, label="level mean ± s.d.", **stroke("ink", "", 2.6, 3))
    ax.fill_between(axis, mean - spread, mean + spread, color=COLOURS["wash"], zorder=1)
    for edge in (mean - spread, mean + spread):
        ax.plot(axis, edge, color=COLOURS["quiet"], linewidth=0.6, zorder=1)
    span, title = style.level_span(levels), style.level_title(level_reference)
    return labels.frame_levels(ax, "What the seats share", axis, span, title)


@house_style
def plot_seat_differences(
    statistics: SeatStatistics, level_db: ArrayLike, *, ax: Axes | None = None
) -> Axes:
    """Plot by how much each seat differs from the level mean, one lane for each seat.

    What is above the mean is filled, what is below is hatched.

    Parameters
    ----------
    statistics : SeatStatistics
        Of these levels.
    level_db : array_like, shape (S, F)
        Level of every seat.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If the levels do not fit the statistics.
    ImportError
        If matplotlib is not installed.
    """
    difference = _checked(statistics, level_db) - statistics.level_mean_db
    lane = _lane_db(difference)
    axis, count = statistics.frequencies, len(difference)
    ax = style.started(ax, height=0.62 * count)
    places = -lane * np.arange(count)
    for place, row in zip(places, difference, strict=True):
        ax.axhline(place, color=COLOURS["quiet"], linewidth=0.6, zorder=1)
        level = place + row
        above = ax.fill_between(axis, place, level, where=row >= 0, interpolate=True, zorder=2)
        above.set(facecolor=COLOURS["rust"], edgecolor="none")
        below = ax.fill_between(axis, place, level, where=row <= 0, interpolate=True, zorder=2)
        below.set(facecolor="white", edgecolor=COLOURS["blue"], hatch="/////", linewidth=0.0)
        ax.plot(axis, level, color=COLOURS["ink"], linewidth=0.9, zorder=3)
    style.frame_frequencies(ax, axis[0], axis[-1])
    foot = max(0.55 * lane, 1.05 * float(-difference[-1].min()))
    ax.set_ylim(places[-1] - foot, max(0.55 * lane, 1.05 * float(difference[0].max())))
    letters = seat_letters(count)
    seats = map(labels.shortened, statistics.seats)
    names = [f"{seat}  {letter}" for seat, letter in zip(seats, letters, strict=True)]
    style.frame_rows(ax, names=names, title="Seat", places=places)
    labels.scale_bar(ax, float(places[-1]), 5.0 if lane <= 10 else 10.0)
    look: Look = {"ha": "left", "va": "top", "fontsize": None, "xycoords": "axes fraction"}
    for text, colour, points in (("filled: louder", "rust", 0), ("hatched: quieter", "blue", -14)):
        labels.write_at(ax, text, (1.03, 1.0), (0, points), color=COLOURS[colour], **look)
    return style.titled(ax, "How each seat differs from the level mean")


def _lane_db(difference: FloatArray) -> float:
    """Return the least lane in which no seat reaches into the next."""
    reach = -difference[:-1] + difference[1:] if len(difference) > 1 else np.abs(difference)
    least = max(float(reach.max()), 0.9 * float(np.abs(difference).max()))
    return next((step for step in _LANE_STEPS_DB if step >= least), _LANE_STEPS_DB[-1])


@house_style
def plot_signal_to_noise(
    frequencies: ArrayLike, snr_db: ArrayLike, *, seats: Sequence[str], ax: Axes | None = None
) -> Axes:
    """Plot the signal-to-noise ratio of every seat in third-octave bands.

    The bar is the lowest of the known seats, which is named, with a question mark where another is
    not known. Below 10 dB a band is ignored by the fit, from 20 dB it counts in full.

    Parameters
    ----------
    frequencies : array_like, shape (B,)
        Mid-band frequencies in Hz.
    snr_db : array_like, shape (S, B)
        Nan where it is not known.
    seats : sequence of str, length S
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        If shapes differ.
    ImportError
        If matplotlib is not installed.
    """
    bands = [third_octave_band(float(f)) for f in np.asarray(frequencies, dtype=np.float64)]
    ratios = np.asarray(snr_db, dtype=np.float64)
    if isinstance(seats, str) or ratios.shape != (len(seats), len(bands)):
        raise ValueError(f"snr_db must have shape ({len(seats)}, {len(bands)}), got {ratios.shape}")
    ax, letters = style.started(ax), seat_letters(len(seats))
    for level, text in ((SNR_IGNORED_DB, "below: ignored"), (SNR_FULL_DB, "above: counts in full")):
        ax.axhline(level, label=text, **stroke("ink", "4 2", 0.8, 4))
    lowest = np.nanmin(ratios, axis=0, initial=np.inf, where=np.isfinite(ratios))
    edges = [(band.lower, band.upper) for band in bands]
    style.draw_bars(ax, edges, lowest, list(map(_look, lowest)))
    for band, column, low in zip(bands, ratios.T, lowest, strict=True):
        if np.isfinite(low):
            worst = int(np.nanargmin(column))
            points, va = ((0, -4), "top") if low > 5.0 else ((0, 2), "bottom")
            place, bold = (band.centre, max(low, 0.0)), {"fontsize": 7, "fontweight": "bold"}
            named = letters[worst] + ("" if np.isfinite(column).all() else "?")
            labels.write_at(ax, named, place, points, pad=0.6, va=va, zorder=5, **bold)
            others = np.delete(column, worst)
            ax.plot(np.full(others.size, band.centre), others, zorder=3, **_OTHERS)
    top = style.level_span(ratios, least=40.0, step=10.0)[1]
    foot = 10.0 * np.floor(np.nanmin(ratios, initial=0.0) / 10.0)
    heading, ends = "How far the sound stands above the noise", (bands[0].lower, bands[-1].upper)
    levels = min(0.0, foot), max(40.0, top)
    labels.frame_levels(ax, heading, ends, levels, "Signal over noise in dB")
    known = np.isfinite(ratios)
    told_of = np.any(known, axis=1).tolist()
    names = [
        f"{letter}  {labels.shortened(seat)}{'' if told else ': not known'}"
        for letter, seat, told in zip(letters, seats, told_of, strict=True)
    ]
    if (known.any(axis=0) != known.all(axis=0)).any():
        names.append("?  of the known seats")
    key = ax.text(1.035, 0.995, "\n".join(names), transform=ax.transAxes, va="top")
    key.set_linespacing(1.35)
    return ax


_OTHERS: Look = {"marker": "_", "markersize": 7, "linestyle": "none", "color": COLOURS["ink"]}


def _look(value_db: float) -> Look:
    """Return the look of a bar: solid if it counts in full, hatched in part, crossed not at all."""
    if value_db >= SNR_FULL_DB:
        return style.filling("blue", ground="blue")
    ignored = value_db < SNR_IGNORED_DB
    return style.filling("quiet", "xxxx") if ignored else style.filling("blue", "////")


@house_style
def plot_variation(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Plot how the seats differ over frequency, before and predicted: standard deviation by weight.

    Parameters
    ----------
    plan : Plan
    ax : Axes, optional

    Raises
    ------
    ValueError
        If there is one seat only.
    ImportError
        If matplotlib is not installed.
    """
    if len(plan.seats) < 2:
        raise ValueError("there is one seat only")
    ax = style.started(ax)
    weights, frequencies = [seat.weight for seat in plan.seats], plan.curves.frequencies
    rows = {"before": plan.curves.before_level_db, "predicted": plan.curves.predicted_level_db}
    top = 0.0
    for (name, levels_db), look in zip(rows.items(), (BEFORE, PREDICTED), strict=True):
        apart_db = levels_db - np.average(levels_db, axis=0, weights=weights)
        spread_db = np.sqrt(np.average(apart_db**2, axis=0, weights=weights))
        ax.plot(frequencies, spread_db, label=name, **look)
        top = max(top, float(np.ceil(spread_db.max() + 0.5)))
    style.frame_frequencies(ax, frequencies[0], frequencies[-1])
    style.frame_values(ax, limits=(0.0, top), title="Standard deviation in dB")
    labels.name_ends(ax)
    return style.titled(ax, "How the seats differ, before and predicted")
