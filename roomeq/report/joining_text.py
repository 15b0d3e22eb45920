"""Joining, corner choice and all settings together as plain text.

Conventions
-----------
Numbers come from the fits; nothing is computed here but sums and differences for display. Every
delay is printed in ms, m and ft with the word later or earlier; distances at 343.2 m/s (20 degrees
Celsius).
"""

from __future__ import annotations

from roomeq.optimiser.all_settings import AllSettings, AllSettingsFit
from roomeq.optimiser.band_gain_fit import NoChange
from roomeq.optimiser.corner_choice import CornerChoice, CrossoverPair, PairDoubt, RankedPair
from roomeq.optimiser.joining import LEAST_FLIP_GAIN_DB, LEAST_PHASE_GAIN_DB
from roomeq.optimiser.joining_data import JoiningNote
from roomeq.optimiser.joining_settings import SPEED_OF_SOUND, JoiningSettings
from roomeq.plan_joining import JoiningRecord, LevelJoiningRecord, RivalRecord
from roomeq.report.layout import bullet_list, paragraph, signed, table

__all__ = [
    "all_settings_text",
    "corner_text",
    "delay_text",
    "joining_lines",
    "joining_note_text",
    "joining_sentences",
    "joining_text",
    "joining_verdict",
    "level_joining_text",
    "pair_doubt_text",
    "setting_entries",
]

_SHOWN_PAIRS = 8


def delay_text(settings: JoiningSettings) -> str:
    """Return a delay in ms, m and ft, with the word that says which way."""
    if abs(settings.delay_ms) < 0.005:
        return "0 ms"
    word = "later" if settings.delay > 0 else "earlier"
    return (
        f"{abs(settings.delay_ms):.2f} ms {word} ({abs(settings.distance):.2f} m, "
        f"{abs(settings.distance_ft):.1f} ft)"
    )


def joining_note_text(note: JoiningNote, record: JoiningRecord) -> str:
    """Return what a note says."""
    worst = record.sum_residual_db or 0.0
    words = {
        JoiningNote.LFE_OFFSET_REMOVED: (
            "The subwoofer was measured over the low-frequency-effects channel, which plays 10 dB "
            "above the mains (ITU-R BS.775): that was taken off its level."
        ),
        JoiningNote.NOISE_UNKNOWN: (
            "The signal-to-noise ratio is not known: every frequency was trusted."
        ),
        JoiningNote.ROUTE_DIRECT: (
            "A response was measured straight into an amplifier: what the processor does to it "
            "(low-pass, delay, level) is not in it."
        ),
        JoiningNote.ROUTE_UNKNOWN: (
            "The route of a measurement is not stated: subwoofer and mains were taken to be driven "
            "alike. The low-frequency-effects channel would play 10 dB louder."
        ),
        JoiningNote.SEATS_LEFT_OUT: (
            f"Not judged, since not both were measured there: {', '.join(record.seats_left_out)}."
        ),
        JoiningNote.SUM_DISAGREES: (
            f"The measured sum differs from the predicted one by up to {worst:.1f} dB (s.d.): the "
            "time reference was not common, or something moved. Do not act on this."
        ),
        JoiningNote.SUM_NOT_MEASURED: (
            "Subwoofer and mains together were not measured: the common time reference is taken on "
            "trust."
        ),
    }
    return words[note]


def pair_doubt_text(doubt: PairDoubt) -> str:
    """Return what speaks against a pair."""
    words = {
        PairDoubt.CORNER_TOO_LOW: "less than half an octave above the mains' -3 dB point",
        PairDoubt.NOT_PREDICTABLE: "too far from what was measured to be predicted",
        PairDoubt.SLOPES_DIFFER: "slopes differ",
        PairDoubt.VENTED_WITHOUT_HIGH_PASS: "vented mains without a high-pass near tuning",
    }
    return words[doubt]


def setting_entries(
    settings: JoiningSettings, *, present: JoiningSettings, phase_known: bool = True
) -> list[str]:
    """Return delay, polarity, phase and level in words, with what is set now where it differs."""

    def now(words: str, *, differs: bool) -> str:
        return f" (now {words})" if differs else ""

    delay = f"Subwoofer: {delay_text(settings)}"
    if settings.delay > 0:
        delay += ", by delaying the subwoofer; where distances are entered, a smaller one"
    elif settings.delay < 0:
        delay += ", by delaying the mains; where distances are entered, a larger subwoofer's"
    moved = abs(settings.delay_ms - present.delay_ms) > 1e-6
    entries = [
        delay + now(delay_text(present), differs=moved and present.delay != 0),
        f"Polarity: {settings.polarity}"
        + now(present.polarity, differs=settings.inverted != present.inverted),
    ]
    if phase_known and settings.phase_frequency is not None:
        entries.append(
            f"Phase control: {settings.phase_deg:g} degrees at {settings.phase_frequency:g} Hz"
            + now(f"{present.phase_deg:g}", differs=settings.phase_deg != present.phase_deg)
        )
    entries.append(f"Level of the subwoofer: {signed(settings.level_change_db)} dB against now")
    return entries


def joining_text(record: JoiningRecord) -> str:
    """Return a joining as text: settings first, then what they do, then doubts."""
    lines = ["Joining subwoofer and mains", "", *joining_lines(record)]
    return "\n".join(lines) + "\n"


def joining_lines(record: JoiningRecord) -> list[str]:
    """Return verdict, settings, seats, evidence and doubts of a joining."""
    settings, present = record.settings.settings(), record.present.settings()
    entries = [f"Bypass: {one}" for one in record.bypass]
    entries += setting_entries(settings, present=present)
    lines = [*paragraph(joining_verdict(record)), ""]
    first = [note for note in record.notes if note is JoiningNote.SUM_DISAGREES]
    for note in first:  # before the settings that it speaks of
        lines += [*paragraph(joining_note_text(note, record)), ""]
    lines += ["Settings of the subwoofer against the mains", *bullet_list(entries), ""]
    lines += [*_seats(record), ""]
    lines += ["How sure the joining is", *bullet_list(joining_sentences(record)), ""]
    notes = [joining_note_text(note, record) for note in record.notes if note not in first]
    if notes:
        lines += ["About the measurements of both", *bullet_list(notes), ""]
    return [*lines, *paragraph(_reference())]


def _reference() -> str:
    return (
        f"Positive delay is later; distances are what sound travels meanwhile, {SPEED_OF_SOUND:g} "
        "m/s at 20 degrees Celsius. A processor that asks for distances delays what is nearer."
    )


def _seat_count(count: int) -> str:
    return "1 seat" if count == 1 else f"{count} seats"


def joining_verdict(record: JoiningRecord) -> str:
    """Return how far the sum is from the target, now and predicted."""
    where = (
        f"over {record.lowest:.0f} to {record.highest:.0f} Hz (crossover at {record.corner:g} Hz), "
        f"{_seat_count(len(record.seats))}"
    )
    together = record.together
    if record.no_change is None:
        text = (
            f"Deviation of the sum from the target {where}: {record.deviation_before_db:.1f} dB "
            f"now, {record.deviation_db:.1f} dB predicted"
        )
        if together is not None:
            text += (
                f"; over {together.lowest:.0f} to {together.highest:.0f} Hz "
                f"{together.deviation_before_db:.1f} dB now, {together.deviation_db:.1f} dB"
            )
        return f"{text}."
    gained = record.deviation_before_db - record.candidate_deviation_db
    words = {
        NoChange.IMPROVEMENT_TOO_SMALL: "too little to be worth a change",
        NoChange.WITHIN_REPEATABILITY: "within the repeatability of the measurement",
    }
    candidate = record.candidate.settings()
    return (
        f"Keep what is set: the best change ({delay_text(candidate)}, polarity "
        f"{candidate.polarity}) betters the deviation of the sum {where}, by {gained:.2f} dB "
        f"from {record.deviation_before_db:.1f} dB, {words[record.no_change]}."
    )


def _seats(record: JoiningRecord) -> list[str]:
    titles = ["Seat", ">Weight", ">Now dB", ">Predicted dB", ">Gains dB", ">Level dB"]
    left_out = any(row.left_out_after_db is not None for row in record.seat_rows)
    rows = []
    for row in record.seat_rows:
        cells = [
            row.seat,
            f"{100 * row.weight:.0f} %",
            f"{row.before_db:.1f}",
            f"{row.after_db:.1f}",
            signed(row.before_db - row.after_db),
            signed(row.level_gain_db),
        ]
        if left_out:
            value = row.left_out_after_db
            cells.append("" if value is None else f"{value:.1f}")
        rows.append(cells)
    if left_out:
        titles.append(">If chosen without it dB")
    span = "around the crossover" if record.together is None else "over the whole bass"
    title = f"Deviation of the sum at each seat, {span} (a negative gain is a loss)"
    return [title, *table(titles, rows)]


def joining_sentences(record: JoiningRecord) -> list[str]:
    """Return what backs a joining, in sentences."""
    entries = [_flip_text(record)]
    if record.bypass and record.bypass_gain_db is not None:
        entries.append(f"The bypass gains {record.bypass_gain_db:.2f} dB, joined anew either way.")
    if record.candidate.phase_frequency is not None or record.phase_gain_db:
        moved = "it is moved" if record.candidate.phase_deg else "it is left at rest"
        if record.phase_gain_db >= LEAST_PHASE_GAIN_DB and not record.candidate.phase_deg:
            moved = "too little for so large a turn or so long a delay; it is left at rest"
        entries.append(f"Moving the phase control gains {record.phase_gain_db:.2f} dB: {moved}.")
    if record.at_ends:
        entries.append(
            f"The {' and the '.join(record.at_ends)} found "
            f"{'lies' if len(record.at_ends) == 1 else 'lie'} at an end of what may be set: "
            "better settings may lie beyond, or nothing near is good."
        )
    if record.rival is not None:
        entries.append(_rival_text(record, record.rival))
    entries.append(
        f"Of {record.grid_size} settings the best found, without a preference for simple ones, has "
        f"{record.best_deviation_db:.2f} dB; the proposal has {record.candidate_deviation_db:.2f} "
        "dB."
    )
    if record.together is not None:
        gained = record.together.in_turn_deviation_db - record.together.deviation_db
        entries.append(
            "Bands, delay, polarity, phase and level chosen together by the sum: "
            f"{gained:.2f} dB better than in turn ({record.together.in_turn_deviation_db:.2f} dB). "
            "No bound is proven for the sum."
        )
    if not record.delay_stated:
        entries.append(
            "What delays can be set is not stated: 20 ms to either side were taken for possible."
        )
    return entries


def _rival_text(record: JoiningRecord, rival: RivalRecord) -> str:
    settings = rival.settings.settings()
    doubt = (
        "ambiguous: try both and measure again"
        if record.ambiguous
        else "clearly worse, the answer is not ambiguous"
    )
    return (
        f"The best different answer ({delay_text(settings)}, polarity {settings.polarity}) has "
        f"{signed(rival.margin_db, digits=2)} dB more: {doubt}."
    )


def _flip_text(record: JoiningRecord) -> str:
    gain, compared = record.flip_gain_db, _flip_compared(record)
    if not record.flip_told:
        half_period = f"{500.0 / record.corner:.2f} ms at {record.corner:g} Hz"
        return (
            f"{compared}: over {record.octaves:.1f} octaves the data do not tell a flip from a "
            f"delay of half a period ({half_period})."
        )
    if gain > 0 and not record.candidate.inverted:
        kept = "does not keep it inverted" if record.present.inverted else "is not worth a flip"
        why = f"less than 1 dB {kept}. Check the wiring."
        if gain >= LEAST_FLIP_GAIN_DB:
            earlier = "" if record.together is None else ", or it gained less with other bands"
            why = f"the device cannot set that{earlier}. Exchanging two wires would do the same."
        return f"{compared}: the data fit an inverted subwoofer better, but {why}"
    if 0 < gain < LEAST_FLIP_GAIN_DB:
        more = "with the phase control free" if record.together is None else "with other bands"
        return (
            f"{compared}, and 1 dB or more {more}: the subwoofer is probably inverted against the "
            "mains. Check the wiring, and measure the sum again."
        )
    if (gain > 0) == record.present.inverted:
        return f"{compared}: it is delay, not polarity, that is wrong."
    return f"{compared}: the subwoofer is inverted against the mains, not merely late."


def _flip_compared(record: JoiningRecord) -> str:
    """Compare the polarities, each at its best delay, starting from the present one."""
    gain = -record.flip_gain_db if record.present.inverted else record.flip_gain_db
    what = "the normal" if record.present.inverted else "inverting the"
    verb = "gains" if gain > 0 else "loses"
    return f"Against the best delay without it, {what} polarity {verb} {abs(gain):.2f} dB"


def level_joining_text(joining: LevelJoiningRecord) -> str:
    """Return what four levels tell, and what they cannot."""
    gain = joining.reversed_gain_db
    verb = "gains" if gain > 0 else "loses"
    lines = ["Joining from levels alone", ""]
    lines += paragraph(
        f"Reversing one polarity, as measured, {verb} {abs(gain):.2f} dB without any other change."
    )
    if joining.ambiguous:
        lines += paragraph(
            "Levels give the size of the phase difference, not its sign: a subwoofer that is late "
            "and one that is as early look the same, and how the sign changes over frequency is "
            "inferred. Try the first answer and measure the sum once more; if it is not as "
            "predicted, set the second; if that is not either, measure with a time reference."
        )
    for word, record in (("First", joining.first), ("Second", joining.second)):
        late = "late" if record is joining.if_late else "early"
        entries = setting_entries(record.settings.settings(), present=record.present.settings())
        title = f"{word}: if the subwoofer is {late}" if joining.ambiguous else "Settings"
        lines += ["", title, *bullet_list(entries)]
        before, after = record.deviation_before_db, record.deviation_db
        verdict = f"Deviation {before:.1f} dB now, {after:.1f} dB predicted."
        if record.no_change is not None:
            verdict = joining_verdict(record)
        lines += paragraph(verdict, indent=2)
        if not joining.ambiguous:
            break
    return "\n".join([*lines, "", *paragraph(_reference())]) + "\n"


def _pair_text(pair: CrossoverPair) -> tuple[str, str]:
    return str(pair.low_pass or "none"), str(pair.high_pass or "none")


def corner_text(choice: CornerChoice) -> str:
    """Return ranked pairs of low-pass and high-pass as text."""
    chosen = choice.chosen
    low, high = _pair_text(chosen.pair)
    axis = chosen.fit.data.frequencies
    lines = ["Corner and slopes", ""]
    lines += paragraph(
        f"To be preferred: subwoofer {low}; mains {high}. Deviation of the sum at the seats "
        f"over {axis[0]:.0f} to {axis[-1]:.0f} Hz, so that all pairs are judged alike: "
        f"{chosen.deviation_db:.1f} dB predicted with {delay_text(chosen.fit.candidate)}, "
        f"polarity {chosen.fit.candidate.polarity}."
    )
    rows = [_pair_row(entry) for entry in choice.ranked[:_SHOWN_PAIRS]]
    titles = [">Dev. dB", "Subwoofer", "Mains", ">Acoustic order", ">Phase deg", "Against it"]
    lines += ["", "Ranked by the predicted sum at the seats", *table(titles, rows)]
    if choice.refused:
        corners: dict[str, list[str]] = {}
        for pair, doubt in choice.refused:
            corners.setdefault(pair_doubt_text(doubt), []).append(f"{pair.corner:g}")
        entries = [f"{', '.join(dict.fromkeys(found))} Hz: {why}" for why, found in corners.items()]
        lines += ["", "On offer, but not ranked", *bullet_list(entries)]
    return "\n".join(lines) + "\n"


def _pair_row(entry: RankedPair) -> list[str]:
    order, phase = entry.acoustic_order, entry.phase_at_corner_deg
    return [
        f"{entry.deviation_db:.2f}",
        *(
            text.removeprefix("low-pass ").removeprefix("high-pass ")
            for text in _pair_text(entry.pair)
        ),
        "" if order is None else str(order),
        "" if phase is None else f"{phase:.0f}",
        ", ".join(pair_doubt_text(doubt) for doubt in entry.doubts),
    ]


def all_settings_text(fit: AllSettingsFit, labels: tuple[str, ...]) -> str:
    """Return all settings together as text; `labels` are the bands' as printed on the device."""
    lines = ["All settings together", ""]
    lines += paragraph(
        "Deviation of the complex sum of subwoofer and mains over "
        f"{_seat_count(len(fit.data.seats))}: {fit.deviation_before_db:.2f} dB now, "
        f"{fit.in_turn_deviation_db:.2f} dB solved in turn, {fit.deviation_db:.2f} dB together: "
        f"{fit.gain_db:.2f} dB better than in turn. No bound is proven for the sum."
    )
    lines += ["", "Settings", *bullet_list(_filter_entries(fit.settings))]
    lines += bullet_list(setting_entries(fit.settings.joining, present=fit.present.joining))
    rows = [
        [f"{label} Hz", signed(now), signed(turn), signed(together)]
        for label, now, turn, together in zip(
            labels, fit.present.gains_db, fit.in_turn.gains_db, fit.settings.gains_db, strict=True
        )
    ]
    lines += ["", *table([">Band", ">Now dB", ">In turn dB", ">Set to dB"], rows)]
    seats = [
        [seat, f"{before:.1f}", f"{turn:.1f}", f"{after:.1f}"]
        for seat, before, turn, after in zip(
            fit.data.seats,
            fit.before_by_seat_db,
            fit.in_turn_by_seat_db,
            fit.after_by_seat_db,
            strict=True,
        )
    ]
    lines += ["", *table(["Seat", ">Now dB", ">In turn dB", ">Together dB"], seats)]
    return "\n".join([*lines, "", *paragraph(_reference())]) + "\n"


def _filter_entries(settings: AllSettings) -> list[str]:
    entries = [f"Protective high-pass: {settings.protection or 'none'}"]
    entries += [f"Bypass: {one}" for one in settings.bypassed]
    return entries
