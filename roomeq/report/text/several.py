"""Several subwoofers as plain text: what to set on each, what that gives, and the best places.

Conventions
-----------
Numbers come from the plan and from `roomeq.jobs.places`; nothing is computed here but differences
for display.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from roomeq.base.levels import signed
from roomeq.jobs.check import RoomOverview
from roomeq.jobs.places import PlaceChoice, RoomPlaces
from roomeq.plan.plan import Plan
from roomeq.plan.records import is_stated
from roomeq.plan.together import TogetherRecord
from roomeq.report.text.joining import setting_entries
from roomeq.report.text.layout import (
    Part,
    bullets,
    counted,
    joined,
    listed,
    number,
    text_of,
    worded,
)
from roomeq.report.text.wording import caution_text

_COUNTS = {1: "One subwoofer", 2: "Two together", 3: "Three together", 4: "Four together"}
_SHOWN = 3
_say = worded("""
as_set: Each subwoofer alone, all together as they are set, and if all arrived in phase
powers: Each subwoofer alone, their powers added, since it is not known how they sum, and if all
    arrived in phase
verdict: Deviation of each seat by itself, mean over the seats: {before.deviation_db:.1f} dB now,
    {after.deviation_db:.1f} dB predicted. The seats differ by {before.variation_db:.1f} dB now,
    {after.variation_db:.1f} dB then (s.d.); the worst is {worst} with {worst_db:.1f} dB now, {then}
    with {then_db:.1f} dB then.
output: At equal drive the seats get {after.output_given_up_db:.1f} dB less than with all in phase
    as well as delay and polarity can bring them ({before.output_given_up_db:.1f} dB less now): the
    price of evenness.
fed: {name} has bands, level and delay of {fed_by}, which feeds it.
needless: {name} can be left off: without it {without_db:.1f} dB, and {less_db:.1f} dB less output.
without: Without {name}, the others set anew: {without_db:.1f} dB, and {more_db:+.1f} dB of output.
settings: Settings of each, gains in dB; in brackets what is set now, if it is to change
fixed: Leave as is: low-pass, phase control, what is not named.{bare:| What the bands of {bare} were
    is not stated: taken for 0 dB.|}
best: {size}: {places}, {deviation_db:.1f} dB
buys: ; one more buys {deviation_db:.1f} dB of deviation, {variation_db:.1f} dB between the seats
    and {output_db:+.1f} dB of output
choices: Places = {names} | >Deviation dB = {deviation_db:.1f} | >S.d. dB = {variation_db:.1f} |
    >Output dB = {output_db:+.1f} | Worst seat = {worst_seat} {worst_db:.1f} dB
explained: Deviation: of each seat by itself, mean over the seats, with the best settings found.
    S.d.: how the seats differ. Output: at equal drive, against the loudest here. Each choice gives
    up as much of what its own subwoofers can give in phase as output_given_up_db in [limits] allows
    (3 dB without it): more of them are louder, and more even where it allows more.
setting: {place}: delay {delay_ms:.1f} ms, {inverted:|inverted|normal}, level {level_db:+.1f} dB,
    {gains}
""")
RECIPROCITY = (
    "Subwoofer at a seat and microphone at the places tell the same (reciprocity), where nothing "
    "else moves, both are small beside the wavelength and send and hear alike in all directions: "
    "below some 150 Hz, away from boundaries of the box's own size; one seat at a time."
)


def together_lines(overview: RoomOverview) -> Part:
    """Return what each subwoofer gives by bands, and how far their sum stays behind."""
    names = list(overview.together[0].alone_db)
    with_phase = all(one.has_phase for one in overview.measurements if one.source == "sub")
    rows = [[">Band", *(f">{name} dB" for name in (*names, "Together", "In phase", "Lost"))]]
    for row in overview.together:
        lost_db = row.in_phase_db - row.together_db if with_phase else None
        levels = [*row.alone_db.values(), row.together_db, row.in_phase_db, lost_db]
        rows.append([f"{row.label} Hz", *map(number, levels)])
    return [_say("as_set" if with_phase else "powers"), *rows]


def together_verdict(found: TogetherRecord) -> str:
    """Say what the settings of all give, in one sentence for the seats and one for the output."""
    worst, worst_db = found.before.worst(found.seats)
    then, then_db = found.after.worst(found.seats)
    told = {"worst": worst, "worst_db": worst_db, "then": then, "then_db": then_db}
    return _say("verdict", found, **told)


def mains_entries(plan: Plan, *, changes: bool = False) -> list[str]:
    """Return what joins the mains beside the bands: of several subwoofers for all at once."""
    if plan.joining is None:
        return []
    entries = setting_entries(plan.joining, plan.present, level=False, changes=changes)
    if not plan.subwoofers:
        return entries
    alike = [one.replace("Delay:", "Delay of all:") for one in entries]
    return [one for one in alike if not one.startswith("Polarity")]  # that of each holds it


def together_sentences(plan: Plan) -> list[str]:
    """Say what each contributes, what feeds it, and what output is given up."""
    if plan.together is None:
        return []
    texts = [_say("output", plan.together)]
    for name, own in plan.each_together.items():
        if own.fed_by is not None:
            texts.append(_say("fed", own, name=name))
        less_db, without = own.output_without_db or 0.0, "needless" if own.needless else "without"
        if own.needless or own.without_db is not None:
            told = {"without_db": own.without_db or 0.0, "less_db": less_db, "more_db": -less_db}
            texts.append(_say(without, name=name, **told))
    return texts


def own_cautions(plan: Plan, *, reservations: bool | None = None) -> list[str]:
    """Return the cautions of single subwoofers, names in front; what several share is said once.

    Of reservations only, or of all else, or both.
    """
    names: dict[str, list[str]] = {}
    for name, one in plan.subwoofers.items():
        for caution in one.cautions:
            if reservations is None or (caution in one.reservations) == reservations:
                names.setdefault(caution_text(caution), []).append(name)
    return [f"{joined(of)}: {text}" for text, of in names.items()]


def several_settings(plan: Plan) -> Part:
    """Return a table of all settings, a column for each subwoofer; in brackets what is set now."""
    titles = [">", *(f">{name}" for name in plan.subwoofers)]
    plans = plan.subwoofers.items()
    bare = joined([name for name, one in plans if not is_stated(one.present, "gains_stated")])
    return [_say("settings"), titles, *plan.setting_cells(), f"  {_say('fixed', bare=bare)}"]


def places_text(found: RoomPlaces, *, detail: bool = False) -> str:
    """Return which places are best as text; with `detail` every choice that was searched in full.

    Parameters
    ----------
    found : RoomPlaces
    detail : bool
    """
    sizes = {n: choices for n in _COUNTS if (choices := found.of_size(n))}
    best = {n: choices[0] for n, choices in sizes.items()}
    return text_of(
        f"{found.room}: {len(found.places)} places, {counted(len(found.seats), 'seat')}",
        listed("Found: look at these first", found.findings),
        bullets(_gains(best)),
        *(
            [_COUNTS[n], *_table(choices[: None if detail else _SHOWN])]
            for n, choices in sizes.items()
        ),
        f"  {_say('explained')}",
        *map(_settings, best.values()),
        listed("Taken for granted", found.assumptions),
        RECIPROCITY,
    )


def _gains(sizes: Mapping[int, PlaceChoice]) -> list[str]:
    """Return the best of each size, and what one more buys."""
    texts, before = [], None
    for count, best in sizes.items():
        text = _say("best", best, size=_COUNTS[count], places=joined(list(best.places)))
        if before is not None:
            text += _say(
                "buys",
                deviation_db=before.deviation_db - best.deviation_db,
                variation_db=before.variation_db - best.variation_db,
                output_db=best.output_db - before.output_db,
            )
        before = best
        texts.append(text)
    return texts


def _table(choices: Sequence[PlaceChoice]) -> list[list[str]]:
    return _say.table("choices", choices, [{"names": ", ".join(one.places)} for one in choices])


def _settings(choice: PlaceChoice) -> list[str]:
    """Return what the best choice of a size would be set to, a line for each place."""
    texts = []
    for one in choice.settings:
        gains = ", ".join(f"{label} Hz {signed(g)}" for label, g in one.gains_db.items() if g)
        texts.append(_say("setting", one, gains=gains or "bands at 0"))
    return listed(f"Settings at {joined(list(choice.places))}", texts)
