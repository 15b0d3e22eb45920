"""Several subwoofers as plain text: what to set on each, what that gives, and the best places.

Conventions
-----------
Numbers come from the plan and from `roomeq.jobs.places`; nothing is computed here but differences
for display.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from roomeq.base.levels import signed
from roomeq.jobs.check import RoomOverview
from roomeq.jobs.places import PlaceChoice, RoomPlaces
from roomeq.plan.plan import Plan
from roomeq.plan.records import is_stated
from roomeq.plan.together import TogetherRecord
from roomeq.report.text.joining import setting_entries
from roomeq.report.text.layout import bullets, columns, joined, listed, paragraph, table, text_of
from roomeq.report.text.wording import caution_text

_COUNTS = {1: "One subwoofer", 2: "Two together", 3: "Three together", 4: "Four together"}
_SHOWN = 3
RECIPROCITY = (
    "Subwoofer at a seat and microphone at the places tell the same (reciprocity), where nothing "
    "else moves, both are small beside the wavelength and send and hear alike in all directions: "
    "below some 150 Hz, away from boundaries of the box's own size; one seat at a time."
)


def together_lines(overview: RoomOverview) -> list[str]:
    """Return what each subwoofer gives by bands, and how far their sum stays behind."""
    rows = [
        {
            ">Band": f"{row.label} Hz",
            **{f">{name} dB": f"{level_db:.1f}" for name, level_db in row.alone_db.items()},
            ">Together dB": f"{row.together_db:.1f}",
            ">In phase dB": f"{row.in_phase_db:.1f}",
            ">Lost dB": f"{row.in_phase_db - row.together_db:.1f}",
        }
        for row in overview.together
    ]
    what, without = "all together as they are set", []
    if not all(one.has_phase for one in overview.measurements if one.source == "sub"):
        what, without = "their powers added, since it is not known how they sum", [">Lost dB"]
    title = f"Each subwoofer alone, {what}, and if all arrived in phase"
    return [*paragraph(title), *columns(rows, without=without)]


def together_verdict(found: TogetherRecord) -> str:
    """Say what the settings of all give, in one sentence for the seats and one for the output."""
    before, after = found.before, found.after
    (worst, was_db), (then, is_db) = (figures.worst(found.seats) for figures in (before, after))
    return (
        f"Deviation of each seat by itself, mean over the seats: {before.deviation_db:.1f} dB now, "
        f"{after.deviation_db:.1f} dB predicted. The seats differ by {before.variation_db:.1f} dB "
        f"now, {after.variation_db:.1f} dB then (s.d.); the worst is {worst} with {was_db:.1f} dB "
        f"now, {then} with {is_db:.1f} dB then."
    )


def mains_entries(plan: Plan) -> list[str]:
    """Return what joins the mains beside the bands: of several subwoofers for all at once."""
    assert plan.joining is not None
    entries = setting_entries(plan.joining, plan.present, level=False)
    if not plan.subwoofers:
        return entries
    alike = [one.replace("Delay:", "Delay of all:") for one in entries]
    return [one for one in alike if not one.startswith("Polarity")]  # that of each holds it


def together_sentences(plan: Plan) -> list[str]:
    """Say what each contributes, what feeds it, and what output is given up."""
    found = plan.together
    assert found is not None
    given_db, was_db = found.after.output_given_up_db, found.before.output_given_up_db
    said = [
        f"At equal drive the seats get {given_db:.1f} dB less than with all in phase as well as "
        f"delay and polarity can bring them ({was_db:.1f} dB less now): the price of evenness."
    ]
    for name, own in plan.each_together.items():
        if own.fed_by is not None:
            said.append(f"{name} has bands, level and delay of {own.fed_by}, which feeds it.")
        less_db, left = own.output_without_db or 0.0, f"{own.without_db or 0.0:.1f} dB, and"
        if own.needless:
            said.append(f"{name} can be left off: without it {left} {less_db:.1f} dB less output.")
        elif own.without_db is not None:
            more = signed(-less_db)
            said.append(f"Without {name}, the others set anew: {left} {more} dB of output.")
    return said


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


def several_settings(plan: Plan) -> list[str]:
    """Return a table of all settings, a column for each subwoofer; in brackets what is set now."""
    titles = [">", *(f">{name}" for name in plan.subwoofers)]
    title = "Settings of each, gains in dB; in brackets what is set now, if it is to change"
    fixed = "Leave as is: low-pass, phase control, what is not named."
    plans = plan.subwoofers.items()
    bare = joined([name for name, one in plans if not is_stated(one.present, "gains_stated")])
    untold = f" What the bands of {bare} were is not stated: taken for 0 dB." if bare else ""
    cells = table(titles, plan.setting_cells())
    return [*paragraph(title), *cells, *paragraph(f"{fixed}{untold}", indent=2)]


def each_to_set(plan: Plan) -> list[str]:
    """Return what is to be set on each, in one line for each."""
    said = []
    for name, one in plan.subwoofers.items():
        moved = [f"{label} {then}" for label, _, then in one.moved_rows()]
        feeder = None if one.set_together is None else one.set_together.fed_by
        if feeder is not None:
            moved = [text for text in moved if text.startswith("Polarity")]
            moved.append(f"{'else ' * bool(moved)}by {feeder}, which feeds it")
        said.append(f"{name}: {', '.join(moved) if moved else 'as it is'}.")
    if plan.joining is not None:
        said += [f"{entry}." for entry in mains_entries(plan)]
    if plan.level.upstream_shown_db:
        said.append(f"Upstream, for all: {signed(plan.level.upstream_shown_db)} dB.")
    return ["To set:", *bullets(said)]


def places_text(found: RoomPlaces, *, detail: bool = False) -> str:
    """Return which places are best as text; with `detail` every choice that was searched in full.

    Parameters
    ----------
    found : RoomPlaces
    detail : bool
    """
    sizes = {n: choices for n in _COUNTS if (choices := found.of_size(n))}
    tables = [
        [*paragraph(_COUNTS[count]), *_table(choices if detail else choices[:_SHOWN])]
        for count, choices in sizes.items()
    ]
    seats = "seat" if len(found.seats) == 1 else "seats"
    explained = (
        "Deviation: of each seat by itself, mean over the seats, with the best settings found. "
        "S.d.: how the seats differ. Output: at equal drive, against the loudest here. Each choice "
        "gives up as much of what its own subwoofers can give in phase as output_given_up_db in "
        "[limits] allows (3 dB without it): more of them are louder, and more even where it allows "
        "more."
    )
    return text_of(
        [
            paragraph(f"{found.room}: {len(found.places)} places, {len(found.seats)} {seats}"),
            listed("Found: look at these first", found.findings),
            bullets(list(_gains({n: choices[0] for n, choices in sizes.items()}))),
            *tables,
            paragraph(explained, indent=2),
            *[_settings(choices[0]) for choices in sizes.values()],
            listed("Taken for granted", found.assumptions),
            paragraph(RECIPROCITY),
        ]
    )


def _gains(sizes: Mapping[int, PlaceChoice]) -> Iterator[str]:
    """Yield the best of each size, and what one more buys."""
    before = None
    for count, best in sizes.items():
        said = f"{_COUNTS[count]}: {joined(list(best.places))}, {best.deviation_db:.1f} dB"
        if before is not None:
            said += (
                f"; one more buys {before.deviation_db - best.deviation_db:.1f} dB of deviation, "
                f"{before.variation_db - best.variation_db:.1f} dB between the seats and "
                f"{signed(best.output_db - before.output_db)} dB of output"
            )
        before = best
        yield said


def _table(choices: tuple[PlaceChoice, ...]) -> list[str]:
    return columns(
        [
            {
                "Places": ", ".join(one.places),
                ">Deviation dB": f"{one.deviation_db:.1f}",
                ">S.d. dB": f"{one.variation_db:.1f}",
                ">Output dB": signed(one.output_db),
                "Worst seat": f"{one.worst_seat} {one.worst_db:.1f} dB",
            }
            for one in choices
        ]
    )


def _settings(choice: PlaceChoice) -> list[str]:
    """Return what the best choice of a size would be set to, a line for each place."""
    said = []
    for one in choice.settings:
        gains = ", ".join(f"{label} Hz {signed(g)}" for label, g in one.gains_db.items() if g)
        said.append(
            f"{one.place}: delay {one.delay_ms:.1f} ms, "
            f"{'inverted' if one.inverted else 'normal'}, level {signed(one.level_db)} dB, "
            f"{gains or 'bands at 0'}"
        )
    return [*paragraph(f"Settings at {joined(list(choice.places))}"), *bullets(said)]
