"""The subwoofer's path as plain text: what a described one does, what a measured one holds.

Conventions
-----------
Numbers come from `roomeq.device.path` and `roomeq.optimiser.path.estimation`; nothing is computed
here but roundings for display. Functions return lines, to be put among those of another report.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from roomeq.base.levels import signed
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.crossover_sum import SumFigures
from roomeq.device.path import PathAnalysis, same_response
from roomeq.optimiser.path.estimate import PathCandidate, PathEstimate, PathVerdict
from roomeq.report.text.layout import Part, bullets, worded

_NULL_DB = -60.0
_FLAT_DB = 0.1
_TIMES = {1: "", 2: "twice ", 3: "three times ", 4: "four times "}
_SHOWN = 6
_say = worded("""
free: Subwoofer and mains by their filters alone (free field, equal level and distance)
slope: All low-passes together: {at_corner_db:+.1f} dB at {corner:g} Hz, {slope} dB per octave in
    the end ({fall:.0f} over the second octave above)
sums: Subwoofer = {inverted:|inverted|normal}{delay:|, {ms:.2f ms|later|earlier}|} | >At corner =
    {at_corner} | >Deepest = {dip} | >Highest = {peak} | Nearest to flat = {flattest} at
    {flattest_frequency:.0f} Hz
bypass: Bypass {named}{matching:|, so that exactly the low-pass is left that matches the mains|}. In
    its flatter polarity the sum is then off by at most {flatter.deviation_db:.1f} dB
    ({flatter.inverted:|inverted|normal polarity}) instead of {before.deviation_db:.1f} dB at
    {before.worst_frequency:.0f} Hz{gains:|: it gains {gain_db:.1f} dB.|, but the octave around the
    crossover gets the level back that a second one takes.}{alone:| Delay and polarity alone leave
    it off by {best_db:.1f} dB at best.|}{others:| To bypass {others} leaves the same response.|}
fixed: None of these low-passes can be bypassed: the sum stays off by at most
    {flatter.deviation_db:.1f} dB ({flatter.inverted:|inverted|normal polarity}); with delay as well
    {best.deviation_db:.1f} dB at best.
not_twice: No low-pass is engaged twice: nothing to bypass.
in_a_row: {low_pass_count} low-passes are in a row.
nothing_fits: Cannot tell: nothing that was tried comes nearer than {misfit_db:.1f} dB (r.m.s.). A
    room (the microphone too far from the cone), an equaliser or a filter of another kind shapes the
    response: measure closer, with all bands at 0, or at the amplifier's terminals.
several: Cannot tell: several fit as well. The fall above the pass-band is seen for
    {fall_seen_db:.0f} dB only; a quieter or longer measurement, or a description of the path in the
    room file, can decide.
identified: Engaged: {ways} ({sure}).
identified_either: Engaged: either {ways}; they have the same response, so that it cannot tell which
    ({sure}).
identified_none: No low-pass is engaged below {highest:.0f} Hz ({sure}).
alike: These have exactly the same response: only a description of the path can decide between them.
otherwise: That is not what the room file describes: look for a filter that it does not list, or one
    that is off.
in_room: {otherwise:|The seats fall as by {slopes} dB/oct above {corners} Hz, which is not what the
    room file describes ({described}). For family, order, or one engaged twice|Low-passes that are
    engaged cannot be told at the seats:} measure close to the cone ([path_response]).
not_described: the response {where} is not what the room file describes ({described}), likelier is
    {ways}: correct [[path]], or look for a filter that it does not list
not_stated: the response {where} holds a low-pass that the room file does not state ({ways}): state
    it in [[path]]
high_pass_off: the response {where} does not hold the protective high-pass that the room file
    states{likelier:|; likelier is {likelier}|}: is it off?
evidence: Largest level {signal_to_noise_db:.0f} dB above the noise of one point; the fall is seen
    for {fall_seen_db:.0f} dB; the fit leaves {misfit_db:.1f} dB. Likely is meant with corners
    within a tenth; one above {highest:.0f} Hz would lie at the edge of the data and is not named.
""")


def path_part(
    analysis: PathAnalysis | None,
    estimate: PathEstimate | None,
    *,
    detail: bool = True,
    bypassed: bool = False,
) -> Part:
    """Return what is told of the path as a list, and tables below it.

    Parameters
    ----------
    analysis : PathAnalysis or None
        What the described path does.
    estimate : PathEstimate or None
        Which low-passes are really engaged; where they are those described, what to bypass is not
        said again.
    detail : bool
        Whether to tell as well the sum by the filters alone, and what the estimate rests on.
    bypassed : bool
        Whether a bypass is among the settings: then the described path is told in detail only.
    """
    entries, tables = list[str](), list[Sequence[str]]()
    if analysis is not None and (detail or not bypassed):
        mains = "; ".join(map(str, analysis.mains)) or "no high-pass"
        assumed = " (not stated; taken to match the first low-pass)" * analysis.mains_assumed
        entries += [f"In the path: {entry}" for entry in analysis.filters]
        entries.append(f"Mains: {mains}{assumed}")
        if detail or analysis.low_pass_count > 1:
            entries.append(path_advice(analysis))
        if detail:
            falls = {"slope": 6 * analysis.order, "fall": abs(analysis.slope_db_per_octave)}
            entries.append(_say("slope", analysis, **falls))
            sums = [*analysis.sums, *[analysis.best] * bool(analysis.best.delay)]
            tables += ["", _say("free"), *_say.table("sums", sums, map(_of_sum, sums))]
    if estimate is not None:
        entries += _estimate_texts(estimate, described=analysis)
        if detail and estimate.verdict is not PathVerdict.IN_ROOM:
            entries.append(_say("evidence", estimate))
            if (high := estimate.high_pass) is not None and high.filter is not None:
                entries.append(f"Engaged too: {high.filter} ({_sure(high.probability)})")
        if estimate.verdict in (PathVerdict.SEVERAL, PathVerdict.NOTHING_FITS):
            tables += ["", "Low-passes that would fit", *_candidates(estimate)]
    return [*bullets(entries), *tables]


def _of_sum(figures: SumFigures) -> dict[str, object]:
    return {
        "delay": figures.delay != 0.0,
        "ms": 1e3 * figures.delay,
        "at_corner": _level(figures.at_corner_db),
        "dip": _place(figures.dip_db, figures.dip_frequency),
        "peak": _place(figures.peak_db, figures.peak_frequency),
        "flattest": _level(figures.flattest_db),
    }


def _level(level_db: float) -> str:
    return "nothing left" if level_db < _NULL_DB else f"{signed(level_db)} dB"


def _place(level_db: float, frequency: float) -> str:
    return "flat" if abs(level_db) < _FLAT_DB else f"{_level(level_db)} at {frequency:.0f} Hz"


def path_advice(analysis: PathAnalysis) -> str:
    """Say what to bypass, what is left, and what the sum gains; or that nothing is to be."""
    choice = analysis.recommended
    if choice is None:
        fixed = analysis.low_pass_count > 1 and not analysis.can_bypass
        return _say("fixed" if fixed else "not_twice", analysis)
    named, *others = (
        " and ".join(f"the {analysis.filters[i]}" for i in places)
        for places in (choice.positions, *choice.alternatives)
    )
    if named in others:  # places are not known
        named, others = f"one {choice.filters[0]}", []
    best_db = analysis.best.deviation_db
    told = {"named": named, "others": " or ".join(others), "best_db": best_db}
    told |= {"gains": choice.gain_db >= _FLAT_DB, "before": analysis.flatter}
    alone = best_db > choice.flatter.deviation_db + _FLAT_DB
    return _say("bypass", choice, alone=alone, **told)


def _estimate_texts(estimate: PathEstimate, *, described: PathAnalysis | None = None) -> list[str]:
    """Return which low-passes are engaged, and what to bypass where that is not said already."""
    analysis, texts = estimate.analysis, [_verdict(estimate)]
    if analysis is None or (described and same_response(analysis.filters, described.filters)):
        return texts
    return [*texts, f"{_say('in_a_row', analysis)} {path_advice(analysis)}"]


def contradiction_texts(estimate: PathEstimate) -> list[str]:
    """Return what is engaged otherwise than the room file describes; nothing where nothing is."""
    found, high = [], estimate.high_pass
    if estimate.as_described is False:
        found.append("not_described")
    elif estimate.contradicts and estimate.described is None and estimate.best.filters:
        found.append("not_stated")
    if high is not None and high.as_described is False:
        found.append("high_pass_off")
    return [_of(estimate, code, likelier=high and high.filter) for code in found]


def _of(estimate: PathEstimate, code: str, **told: object) -> str:
    """Return what is said of an estimate, its filters in words."""
    low = [one for one in estimate.described or () if one.kind == "low_pass"]
    return _say(
        code,
        estimate,
        where="at the seats" if estimate.verdict is PathVerdict.IN_ROOM else "of the path",
        described=_chain(low),
        ways=_ways(estimate.best),
        sure=_sure(estimate.best.probability),
        slopes=" to ".join(dict.fromkeys(f"{6 * order}" for order in estimate.order_span)),
        corners=" to ".join(dict.fromkeys(f"{corner:.0f}" for corner in estimate.corner_span)),
        **told,
    )


def _verdict(estimate: PathEstimate) -> str:
    best, verdict = estimate.best, estimate.verdict
    code, more = str(verdict), ["otherwise"] if estimate.as_described is False else []
    if verdict is PathVerdict.IN_ROOM:
        return _of(estimate, code, otherwise=bool(more))
    if verdict is PathVerdict.NOTHING_FITS:
        more = []
    elif verdict is PathVerdict.IDENTIFIED and not best.filters:
        code = "identified_none"
    elif verdict is PathVerdict.IDENTIFIED and len(best.ways) > 1:
        if best.engaged:
            code = "identified_either"
        elif estimate.as_described is None:
            more = ["alike"]
    return " ".join(_of(estimate, one) for one in (code, *more))


def _sure(probability: float) -> str:
    return f"{100 * min(probability, 0.99):.0f} % likely"


def _chain(filters: Sequence[CrossoverFilter]) -> str:
    return " and ".join(map(str, filters)) or "no low-pass"


def _ways(candidate: PathCandidate) -> str:
    """Return every set of filters that gives a response, alike ones counted, the corner last."""
    if candidate.engaged or not candidate.filters:
        return " or ".join(map(_chain, candidate.ways))
    return ", or ".join(map(_set_words, candidate.ways))


def _set_words(way: Sequence[CrossoverFilter]) -> str:
    whole = (str(replace(one, corner=round(one.corner))) for one in way)
    counts = Counter(name.removeprefix("low-pass ") for name in whole)
    return " with ".join(f"{_TIMES[count]}{name}" for name, count in counts.items())


def _candidates(estimate: PathEstimate) -> list[Sequence[str]]:
    rows = [
        [f"{100 * one.probability:.0f} %", f"{one.corner:.0f}" if one.order else "", _ways(one)]
        for one in estimate.candidates[:_SHOWN]
    ]
    more = len(estimate.candidates) - _SHOWN
    below = [f"  and {more} more"] if more > 0 else []
    return [[">Likely", ">Corner Hz", "What would give it"], *rows, *below]
