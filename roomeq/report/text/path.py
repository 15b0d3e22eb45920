"""The subwoofer's path as plain text: what a described one does, what a measured one holds.

Conventions
-----------
Numbers come from `roomeq.device.path` and `roomeq.optimiser.path.estimation`; nothing is computed
here but roundings for display. Functions return lines, to be put among those of another report.
"""

from __future__ import annotations

from collections.abc import Sequence

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.crossover_sum import SumFigures
from roomeq.device.path import Bypass, PathAnalysis, same_response
from roomeq.optimiser.path.classes import FilterSet
from roomeq.optimiser.path.estimate import PathCandidate, PathEstimate, PathVerdict
from roomeq.report.text.layout import bullet_list, paragraph, signed, table

__all__ = ["bypass_text", "path_estimate_lines", "path_lines"]

_NULL_DB = -60.0
_FLAT_DB = 0.1
_TIMES = {2: "twice", 3: "three times", 4: "four times"}
_FAMILIES = {"butterworth": "Butterworth", "linkwitz_riley": "Linkwitz-Riley"}
_SHOWN = 6


def path_lines(analysis: PathAnalysis, *, detail: bool = True) -> list[str]:
    """Return what a described path does: level, slope, sum in both polarities, what to bypass.

    Without `detail` the filters and what to bypass alone.
    """
    corner = f"{analysis.corner:g} Hz"
    entries = [f"In the path: {entry}" for entry in analysis.filters]
    mains = "; ".join(str(entry) for entry in analysis.mains) or "no high-pass"
    entries.append(
        f"Mains: {mains}"
        + (" (not stated; taken to match the first low-pass)" if analysis.mains_assumed else "")
    )
    title = "The subwoofer's path, by its filters alone"
    advice = paragraph(_advice(analysis), indent=2)
    if not detail:
        return [title, *bullet_list(entries), *advice]
    entries.append(
        f"All low-passes together: {signed(analysis.at_corner_db)} dB at {corner}, "
        f"{6 * analysis.order} dB per octave in the end ({abs(analysis.slope_db_per_octave):.0f} "
        "over the second octave above)"
    )
    rows = [_sum_row(entry, corner) for entry in analysis.sums]
    if analysis.best.delay:
        rows.append(_sum_row(analysis.best, corner))
    titles = ["Subwoofer", f">At {corner} dB", ">Deepest", ">Highest", "Nearest to flat"]
    return [
        *paragraph(f"{title} (free field, equal level and distance)"),
        *bullet_list(entries),
        *table(titles, rows),
        *advice,
    ]


def _sum_row(figures: SumFigures, corner: str) -> list[str]:
    name = "inverted" if figures.inverted else "normal"
    if figures.delay:
        word = "later" if figures.delay > 0 else "earlier"
        name += f", {1e3 * abs(figures.delay):.2f} ms {word}"
    return [
        name,
        _level(figures.at_corner_db),
        _place(figures.dip_db, figures.dip_frequency),
        _place(figures.peak_db, figures.peak_frequency),
        f"{_level(figures.flattest_db)} dB at {figures.flattest_frequency:.0f} Hz",
    ]


def _level(level_db: float) -> str:
    return "nothing left" if level_db < _NULL_DB else signed(level_db)


def _place(level_db: float, frequency: float) -> str:
    if abs(level_db) < _FLAT_DB:
        return "flat"
    unit = "" if level_db < _NULL_DB else " dB"
    return f"{_level(level_db)}{unit} at {frequency:.0f} Hz"


def _advice(analysis: PathAnalysis) -> str:
    choice = analysis.recommended
    if choice is not None:
        return bypass_text(choice, analysis)
    if analysis.low_pass_count == 1:
        return "One low-pass: nothing to bypass."
    if not analysis.can_bypass:
        return (
            "None of these low-passes can be bypassed: the sum stays off by at most "
            f"{analysis.flatter.deviation_db:.1f} dB ({_polarity(analysis.flatter)}); with delay "
            f"as well {analysis.best.deviation_db:.1f} dB at best."
        )
    return "No low-pass is engaged twice: nothing to bypass."


def _polarity(figures: SumFigures) -> str:
    return "inverted" if figures.inverted else "normal polarity"


def bypass_text(choice: Bypass, analysis: PathAnalysis) -> str:
    """Say what to bypass, what is left, and what the sum gains."""
    named = " and ".join(f"the {entry}" for entry in choice.filters)
    others = [
        " and ".join(f"the {analysis.filters[i]}" for i in other) for other in choice.alternatives
    ]
    if named in others:  # places are not known
        named, others = f"one {choice.filters[0]}", []
    before, after = analysis.flatter, choice.flatter
    text = f"Bypass {named}"
    if choice.matching:
        text += ", so that exactly the low-pass is left that matches the mains"
    text += (
        f". In its flatter polarity the sum is then off by at most {after.deviation_db:.1f} dB "
        f"({_polarity(after)}) instead of {before.deviation_db:.1f} dB at "
        f"{before.worst_frequency:.0f} Hz"
    )
    text += (
        f": it gains {choice.gain_db:.1f} dB."
        if choice.gain_db >= _FLAT_DB
        else ", but the octave around the crossover gets the level back that a second one takes."
    )
    best = analysis.best.deviation_db
    if best > after.deviation_db + _FLAT_DB:
        text += f" Delay and polarity alone leave it off by {best:.1f} dB at best."
    if others:
        text += f" To bypass {' or '.join(others)} leaves the same response."
    return text


def path_estimate_lines(
    estimate: PathEstimate, *, described: PathAnalysis | None = None, detail: bool = True
) -> list[str]:
    """Return what a response of the path tells, and what it cannot.

    Parameters
    ----------
    estimate : PathEstimate
    described : PathAnalysis, optional
        What was said of the described path already: where the same filters are engaged, what to
        bypass is not said again.
    detail : bool
        Whether to tell what the answer rests on.

    Returns
    -------
    list of str
    """
    lines = ["Which low-passes are really engaged", *paragraph(_verdict(estimate), indent=2)]
    if estimate.verdict in (PathVerdict.SEVERAL, PathVerdict.NOTHING_FITS):
        lines += _candidates(estimate)
    if detail:
        lines += bullet_list(_evidence(estimate))
    analysis = estimate.analysis
    if analysis is not None and not (
        described and same_response(analysis.filters, described.filters)
    ):
        text = f"{analysis.low_pass_count} low-passes are in a row. {_advice(analysis)}"
        lines += paragraph(text, indent=2)
    return lines


def _verdict(estimate: PathEstimate) -> str:
    best = estimate.best
    if estimate.verdict is PathVerdict.IN_ROOM:
        return _in_room(estimate)
    if estimate.verdict is PathVerdict.NOTHING_FITS:
        return (
            f"Cannot tell: nothing that was tried comes nearer than {estimate.misfit_db:.1f} dB "
            "(r.m.s.). A room (the microphone too far from the cone), an equaliser or a filter of "
            "another kind shapes the response: measure closer, with all bands at 0, or at the "
            "amplifier's terminals."
        )
    if estimate.verdict is PathVerdict.SEVERAL:
        return (
            f"Cannot tell: several fit as well. The fall above the pass-band is seen for "
            f"{estimate.fall_seen_db:.0f} dB only; a quieter or longer measurement, or a "
            "description of the path in the room file, can decide."
        )
    sure = f"{100 * best.probability:.0f} % likely"
    if not best.filters:
        return f"No low-pass is engaged ({sure})."
    if estimate.as_described:
        return f"{_engaged(best, estimate.described)} ({sure})."
    text = f"Engaged: {_ways(best)} ({sure})."
    if estimate.as_described is False:
        text += " That is not what the room file describes: look for a filter it does not list."
    elif best.low_pass is not None and len(best.low_pass.ways) > 1:
        text += (
            " These have exactly the same response: only a description of the path can decide "
            "between them."
        )
    return text


def _in_room(estimate: PathEstimate) -> str:
    low, high = (f"{corner:.0f}" for corner in estimate.corner_span)
    fewest, most = (f"{6 * order}" for order in estimate.order_span)
    corners = low if low == high else f"{low} to {high}"
    slopes = fewest if fewest == most else f"{fewest} to {most}"
    return (
        "A response at a seat holds the room as well, whose modes are larger than what tells "
        f"filters apart. What can be said: it falls above about {corners} Hz, as filters of "
        f"{slopes} dB per octave together would make it. What cannot: family, order, and whether "
        "a low-pass is engaged twice. To know that, measure close to the cone or at the "
        "amplifier's terminals ([path_response] in the room file), or the same place once more "
        "with the low-pass bypassed and nothing else changed: the ratio of the two is the filter."
    )


def _engaged(best: PathCandidate, described: Sequence[CrossoverFilter]) -> str:
    if len(best.engaged) == 1:
        return f"Engaged: {_chain([described[i] for i in best.engaged[0]])}"
    choices = " or ".join(_chain([described[i] for i in choice]) for choice in best.engaged)
    return f"Engaged: either {choices}; they have the same response, so that it cannot tell which"


def _chain(filters: Sequence[CrossoverFilter]) -> str:
    return " and ".join(f"{entry}" for entry in filters)


def _ways(candidate: PathCandidate) -> str:
    if candidate.low_pass is None:
        return " and ".join(
            f"{_FAMILIES[entry.family]} {6 * entry.order} dB/oct at {entry.corner:.0f} Hz"
            for entry in candidate.filters
        )
    if not candidate.low_pass.copies:
        return "no low-pass"
    ways = ", or ".join(
        " with ".join(_filter_set(part) for part in way) for way in candidate.low_pass.ways
    )
    return f"{ways}, at {candidate.low_pass.corner:.0f} Hz"


def _filter_set(part: FilterSet) -> str:
    times = f"{_TIMES[part.count]} " if part.count > 1 else ""
    return f"{times}{_FAMILIES[part.family]} {6 * part.order} dB/oct"


def _candidates(estimate: PathEstimate) -> list[str]:
    shown = estimate.candidates[:_SHOWN]
    rows = []
    for entry in shown:
        words = _ways(entry)
        if estimate.as_described:
            words = _engaged(entry, estimate.described) if entry.filters else "no low-pass"
        rows.append([f"{100 * entry.probability:.0f} %", f"{entry.corner:.0f}", words])
    lines = table([">Likely", ">Corner Hz", "What would give it"], rows)
    if len(estimate.candidates) > len(shown):
        lines.append(f"  and {len(estimate.candidates) - len(shown)} more")
    return lines


def _evidence(estimate: PathEstimate) -> list[str]:
    entries = [
        f"Largest level {estimate.signal_to_noise_db:.0f} dB above the noise of one point; the "
        f"fall is seen for {estimate.fall_seen_db:.0f} dB; the fit leaves "
        f"{estimate.misfit_db:.1f} dB."
    ]
    if not estimate.phase_used and estimate.taken != "seat":
        entries.append(
            "Judged by level alone: phase was not measured, or does not follow these filters (some "
            "of the room, a phase control or another all-pass is in the response)."
        )
    return entries
