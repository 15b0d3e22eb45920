"""The subwoofer's path as plain text: what a described one does, what a measured one holds.

Conventions
-----------
Numbers come from `roomeq.device.path` and `roomeq.optimiser.path.estimation`; nothing is computed
here but roundings for display. Functions return lines, to be put among those of another report.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from roomeq.base.levels import signed
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.crossover_sum import SumFigures
from roomeq.device.path import Bypass, PathAnalysis, same_response
from roomeq.optimiser.path.estimate import PathCandidate, PathEstimate, PathVerdict
from roomeq.report.text.layout import bullets, either, paragraph, table

_NULL_DB = -60.0
_FLAT_DB = 0.1
_TIMES = {2: "twice", 3: "three times", 4: "four times"}
_FAMILIES = {"butterworth": "Butterworth", "linkwitz_riley": "Linkwitz-Riley"}
_SHOWN = 6
_TABLED = (PathVerdict.SEVERAL, PathVerdict.NOTHING_FITS)
"""Verdicts that come with a table of what would fit."""


def path_parts(
    analysis: PathAnalysis | None,
    estimate: PathEstimate | None,
    *,
    detail: bool,
    bypassed: bool = False,
) -> tuple[list[str], list[list[str]]]:
    """Return what is told of the path: single entries, and parts with tables.

    Where it is `bypassed` among the settings, that is not said again but in detail.
    """
    entries, parts = list[str](), list[list[str]]()
    if analysis is not None and detail:
        parts.append(path_lines(analysis))
    elif analysis is not None and not bypassed:
        entries += [*_filters(analysis), *[path_advice(analysis)] * (analysis.low_pass_count > 1)]
    if estimate is not None and (detail or estimate.verdict in _TABLED):
        parts.append(path_estimate_lines(estimate, described=analysis, detail=detail))
    elif estimate is not None:
        entries += _estimate_texts(estimate, described=analysis)
    return entries, parts


def path_lines(analysis: PathAnalysis) -> list[str]:
    """Return what a described path does: level, slope, sum in both polarities, what to bypass."""
    corner, entries = f"{analysis.corner:g} Hz", _filters(analysis)
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
        "The subwoofer's path by its filters alone (free field, equal level and distance)",
        *bullets(entries),
        *table(titles, rows),
        *paragraph(path_advice(analysis), indent=2),
    ]


def _filters(analysis: PathAnalysis) -> list[str]:
    """Return the filters in the paths of subwoofer and mains."""
    mains = "; ".join(str(entry) for entry in analysis.mains) or "no high-pass"
    assumed = " (not stated; taken to match the first low-pass)" if analysis.mains_assumed else ""
    return [*(f"In the path: {entry}" for entry in analysis.filters), f"Mains: {mains}{assumed}"]


def _sum_row(figures: SumFigures, corner: str) -> list[str]:
    name = "inverted" if figures.inverted else "normal"
    if figures.delay:
        name += f", {either(1e3 * figures.delay, 'ms', 'later', 'earlier', digits=2)}"
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


def path_advice(analysis: PathAnalysis) -> str:
    """Say what to bypass, or that nothing is to be."""
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
    lines = ["Which low-passes are really engaged"]
    for text in _estimate_texts(estimate, described=described):
        lines += paragraph(text, indent=2)
    if estimate.verdict in _TABLED:
        lines += _candidates(estimate)
    if detail and estimate.verdict is not PathVerdict.IN_ROOM:
        lines += bullets(_evidence(estimate))
    return lines


def _estimate_texts(estimate: PathEstimate, *, described: PathAnalysis | None = None) -> list[str]:
    """Return which low-passes are engaged, and what to bypass where that is not said already."""
    analysis, said = estimate.analysis, [_verdict(estimate)]
    if analysis is None or (described and same_response(analysis.filters, described.filters)):
        return said
    return [*said, f"{analysis.low_pass_count} low-passes are in a row. {path_advice(analysis)}"]


def contradiction_texts(estimate: PathEstimate) -> list[str]:
    """Return what is engaged otherwise than the room file describes; nothing where nothing is."""
    found = []
    described = estimate.described
    where = "at the seats" if estimate.verdict is PathVerdict.IN_ROOM else "of the path"
    if estimate.as_described is False:
        low = [one for one in described or () if one.kind == "low_pass"]
        likely = estimate.best
        found.append(
            f"the response {where} is not what the room file describes ({_chain(low)}), likelier "
            f"is {_ways(likely)}: correct [[path]], or look for a filter that it does not list"
        )
    elif estimate.contradicts and described is None and estimate.best.filters:
        found.append(
            f"the response {where} holds a low-pass that the room file does not state "
            f"({_ways(estimate.best)}): state it in [[path]]"
        )
    high = estimate.high_pass
    if high is not None and high.as_described is False:
        instead = f"; likelier is {high.filter}" if high.filter else ""
        found.append(
            f"the response {where} does not hold the protective high-pass that the room file "
            f"states{instead}: is it off?"
        )
    return found


_OTHERWISE = (
    " That is not what the room file describes: look for a filter that it does not list, or one "
    "that is off."
)


def _verdict(estimate: PathEstimate) -> str:
    best, otherwise = estimate.best, _OTHERWISE if estimate.as_described is False else ""
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
            f"description of the path in the room file, can decide.{otherwise}"
        )
    sure = f"{100 * min(best.probability, 0.99):.0f} % likely"
    text = f"Engaged: {_ways(best)} ({sure})."
    if not best.filters:
        text = f"No low-pass is engaged below {estimate.highest:.0f} Hz ({sure})."
    elif best.engaged:
        text = f"{_engaged(best)} ({sure})."
    elif estimate.as_described is None and len(best.ways) > 1:
        text += (
            " These have exactly the same response: only a description of the path can decide "
            "between them."
        )
    return text + otherwise


def _in_room(estimate: PathEstimate) -> str:
    low = [one for one in estimate.described or () if one.kind == "low_pass"]
    slopes = " to ".join(dict.fromkeys(f"{6 * order}" for order in estimate.order_span))
    corners = " to ".join(dict.fromkeys(f"{corner:.0f}" for corner in estimate.corner_span))
    fall = f"as by {slopes} dB/oct above {corners} Hz"
    what = "measure close to the cone ([path_response])."
    if estimate.as_described is False:
        said = f"The seats fall {fall}, which is not what the room file describes ({_chain(low)})."
        return f"{said} For family, order, or one engaged twice {what}"
    return f"Low-passes that are engaged cannot be told at the seats: {what}"


def _engaged(best: PathCandidate) -> str:
    if len(best.ways) == 1:
        return f"Engaged: {_chain(best.ways[0])}"
    choices = " or ".join(_chain(way) for way in best.ways)
    return f"Engaged: either {choices}; they have the same response, so that it cannot tell which"


def _chain(filters: Sequence[CrossoverFilter]) -> str:
    return " and ".join(f"{entry}" for entry in filters) or "no low-pass"


def _ways(candidate: PathCandidate) -> str:
    """Return every set of filters that gives a response, alike ones counted, the corner last."""
    if candidate.engaged or not candidate.filters:
        return " or ".join(_chain(way) for way in candidate.ways)
    return ", or ".join(_set_words(way) for way in candidate.ways)


def _set_words(way: Sequence[CrossoverFilter]) -> str:
    counts = Counter((one.family, one.order, one.corner) for one in way)
    return " with ".join(
        f"{f'{_TIMES[count]} ' if count > 1 else ''}{_FAMILIES[family]} {6 * order} dB/oct at "
        f"{corner:.0f} Hz"
        for (family, order, corner), count in counts.items()
    )


def _candidates(estimate: PathEstimate) -> list[str]:
    rows = [
        [f"{100 * one.probability:.0f} %", f"{one.corner:.0f}" if one.order else "", _ways(one)]
        for one in estimate.candidates[:_SHOWN]
    ]
    lines = table([">Likely", ">Corner Hz", "What would give it"], rows)
    if len(estimate.candidates) > _SHOWN:
        lines.append(f"  and {len(estimate.candidates) - _SHOWN} more")
    return lines


def _evidence(estimate: PathEstimate) -> list[str]:
    entries = [
        f"Largest level {estimate.signal_to_noise_db:.0f} dB above the noise of one point; the "
        f"fall is seen for {estimate.fall_seen_db:.0f} dB; the fit leaves "
        f"{estimate.misfit_db:.1f} dB. Likely is meant with corners within a tenth; one above "
        f"{estimate.highest:.0f} Hz would lie at the edge of the data and is not named."
    ]
    high = estimate.high_pass
    if high is not None and high.filter is not None:
        entries.append(
            f"Engaged too: {high.filter} ({100 * min(high.probability, 0.99):.0f} % likely)"
        )
    return entries
