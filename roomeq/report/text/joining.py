"""A joining as plain text: what the sum loses, settings, which polarity it is, doubts.

Conventions
-----------
Numbers come from the records; nothing is computed here but sums and differences for display. Every
delay is that of the subwoofer against the mains, in ms; distances at 343.2 m/s (20 degrees
Celsius).
"""

from __future__ import annotations

from roomeq.base.levels import signed_setting
from roomeq.device.crossover_sum import Meeting
from roomeq.device.processor import METRES_PER_FOOT, SPEED_OF_SOUND, JoiningSettings
from roomeq.optimiser.joining.data import JoiningNote, SumExplanation
from roomeq.plan.alignment import CandidateRecord
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import AS_IT_IS, PresentRecord, is_stated
from roomeq.report.text.layout import Part, bullets, counted, listed, said, worded

NAMED_SEAT_DB = 0.3
FAR_TOO_LOUD_DB = 12.0
"""Mean over the bands below the corner; common practice, no source. In 45 random rooms with mains
(`joining_cases.py`, seeds 61000 to 61044) it is said in 8; in 42 with the subwoofer 12 dB up."""
_WAY = "{delay_ms:.2f ms|later|earlier}"
_SHOWN_DB = 0.05  # less is the same figure in print


def delay_text(settings: JoiningSettings) -> str:
    """Return a delay in ms, m and ft, with the word that says which way."""
    text, far, far_ft = said(_WAY, settings), abs(settings.distance), abs(settings.distance_ft)
    return text if text == "0 ms" else f"{text} ({far:.2f} m, {far_ft:.1f} ft)"


def delay_instruction(
    settings: JoiningSettings, *, present: JoiningSettings, stated: bool = True
) -> str:
    """Say which box is to be given which number, or which distance instead; never both."""
    if abs(settings.delay - present.delay) < 5e-6:
        return _say("leave_delay", stated=stated, delay=delay_text(settings))
    box, number, back, distance = delay_numbers(settings, present=present)
    was = _ms(max(-present.delay_ms if box == "mains" else present.delay_ms, 0.0))
    told = {"box": box, "number": number, "back": back, "distance": distance}
    return _say("delay_it", stated=stated, was=was, **told)


def delay_numbers(
    settings: JoiningSettings, *, present: JoiningSettings
) -> tuple[str, str, str, str]:
    """Return the box to delay, by how many ms, what the other box goes back to, and the distance.

    The other box is named only where it is delayed now; a distance is against what is entered.
    """
    moved = settings.delay - present.delay
    box, other = ("mains", "subwoofer") if settings.delay < 0 else ("subwoofer", "mains")
    was = present.delay_ms if other == "subwoofer" else -present.delay_ms
    back = f"and the {other} by 0 (was {_ms(was)}) " if was > 0 else ""
    way = "nearer" if moved > 0 else "farther"
    far = abs(moved) * SPEED_OF_SOUND
    distance = f"{far:.2f} m ({far / METRES_PER_FOOT:.1f} ft) {way}"
    return box, _ms(abs(settings.delay_ms)), back, distance


def _ms(value: float) -> str:
    """Return a delay with two decimals, three where it needs them."""
    if abs(value) < 5e-4:
        return "0"
    return f"{value:.2f}" if abs(value - round(value, 2)) < 5e-4 else f"{value:.3f}"


_say = worded("""
lfe_offset_removed: The subwoofer was measured over the low-frequency-effects channel, which plays
    10 dB above the mains (ITU-R BS.775): that was taken off its level.
noise_unknown: The signal-to-noise ratio is not known: every frequency was trusted.
route_direct: A response was measured straight into an amplifier: what the processor does to it
    (low-pass, delay, level) is not in it.
route_unknown: The route of a measurement is not stated: subwoofer and mains were taken to be driven
    alike. The low-frequency-effects channel would play 10 dB louder.
seats_left_out: Not judged, since not both were measured there: {seats}.
sum_disagrees: The measured sum differs from the predicted one by up to {worst_db:.1f} dB (s.d.):
    the time reference was not common, or something was set otherwise or moved. First find out what.
sum_not_measured: Both together were not measured: the common time reference is taken on trust.
elsewhere: By their filters the two meet at {frequency:.0f} Hz, not at the corner: the loss is
    judged around the corner.
full_range: By their filters the mains run full range: they play along with the subwoofer below the
    crossover, where no delay suits everywhere.
gap: By their filters both together leave {missing_db:.0f} dB missing where they meet, at
    {frequency:.0f} Hz: a gap that no delay fills, and that the loss does not see.
bands: With bands {moved} dB, level {level_db} dB, the delay that goes with them is {delay}, and the
    sum loses {loss_db:.1f} dB. For bands and level see roomeq propose.
no_bands: Too little to be worth a change.
bands_in_doubt: Not told: the measured sum contradicts its parts, and the level is best left alone.
loud: The subwoofer is far too loud against the mains: below {corner:.0f} Hz level and bands take
    {taken_off_db:.0f} dB off it in the mean. Turn it down first, and measure again.
deviation: Deviation of the seats' average sum, {lowest:.0f} to {highest:.0f} Hz:
    {deviation_before_db:.1f} dB now, {deviation_db:.1f} dB then.
bypassed: The two figures hold for different filters and cannot be compared; the level of the sum
    there changes by {gained_db:+.1f} dB.
kept: Keep delay and polarity as they are: at best they reach {least_db:.1f} dB.
cost: Bands and level cost {cost_db:.1f} dB of it{more:|, more than joining gains|}: without them it
    loses {loss_db:.1f} dB (roomeq join), with them the deviation is less.
decides: What decides: the microphone close to each cone in turn, one time zero: both first
    half-waves must go the same way. Rewire nothing on less.
stops_at_range: The level stops where the knob ends, or at the 6 dB that are changed at once. Set it
    and measure again.
stops_at_drive: The level stops at the drive limit, which grants no further step.
arrival: What arrives first of the subwoofer comes {arrival_ms:.1f ms|later|earlier} than that of
    the mains (half of such rooms are within 1.2 ms of the truth, one in four is more than 2 ms
    off). It is no setting.
at_end: The delay lies at an end of what may be set: a better one may lie beyond.
longer: A change by more than a period ({setting}) would lose {loss_db:.1f} dB only. It is not
    proposed: so long a delay is heard.
offer_unknown: What delays can be set is not stated: 20 ms to either side were taken for possible.
few_seats: Only {seats} measured: in a quarter of such rooms other seats lost more than 0.3 dB.
polarities: The best of either polarity, before the bands: {one}, loses {normal.loss_db:.1f} dB;
    {other}, loses {inverted.loss_db:.1f} dB.{either_polarity:| Both settings sum equally well.|}
wiring_not_tested: Which way the subwoofer is wired was not tested: {polarity_obstacle}.
wiring_or_delay: An inverted subwoofer and one {half_period_ms:.1f} ms late cannot be told apart
    here.
wiring: The subwoofer is probably {inverted:|inverted|not inverted} (both tests agree,
    {phase_ratio:.1f} and {onset_ratio:.1f} to 1; right in {boxes:|nine of ten|three of four} such
    rooms).
quieter: Seat {seat} gets {by_db:.1f} dB quieter around the crossover.
worse: Seat {seat} loses {by_db:.1f} dB more than now.
differs: The measured sum differs from that of its parts by {percent:.0f} % ({lowest:.0f} to
    {highest:.0f} Hz).
loses: What the sum loses at each seat, {lowest:.0f} to {highest:.0f} Hz
seats: Seat = {seat} | >Weight = {share:.0f} % | >Loses now dB = {before_db:.1f} | >Then dB =
    {after_db:.1f} | >Level change dB = {level_gain_db:+.1f}
leave_delay: leave the delay as it is ({stated:|subwoofer {delay}|not stated})
delay_it: EITHER delay the {box} by {number} ms {stated:|(was {was})|more than now (not stated)}
    {back}OR, where distances are entered, subwoofer {distance}; never both
distances: Distances: 343.2 m/s (20 degrees Celsius); what is entered nearer is delayed.
delay_untold: Delays are changes from what is set now, which is not stated.
polarity_untold: Normal is the polarity as it is now, which is not stated; inverted the other one.
moved: Neither a level, nor a delay, nor the polarity of the subwoofer explains it: was the
    microphone or a door moved?
as_if: It is as if the subwoofer {told} while both were measured.
as_if_all: It is as if everything was {all_level_db:.1f dB|louder|quieter} while both were measured.
""")
"""What is said of a joining; that of notes and faults by their codes.

Of rooms in which the polarity was told, three of four were told rightly, and nine of ten where both
boxes were declared and taken out: the worse of what two makes of rooms gave;
`roomeq.optimiser.joining.polarity` has the figures.
"""


def joining_note_text(note: JoiningNote, record: JoiningRecord) -> str:
    """Return what a note says."""
    seats, worst_db = ", ".join(record.seats_left_out), record.sum_residual_db or 0.0
    return _say(note, seats=seats, worst_db=worst_db)


def reference_lines(stated: PresentRecord | None) -> list[str]:
    """Return what a distance means, and what a delay and a polarity that are changes only."""
    untold = {"delay_ms": "delay_untold", "polarity": "polarity_untold"}
    codes = ["distances", *(what for name, what in untold.items() if not is_stated(stated, name))]
    return ["  " + " ".join(_say(code) for code in codes)]


def setting_entries(
    record: JoiningRecord,
    stated: PresentRecord | None = None,
    *,
    level: bool = True,
    changes: bool = False,
) -> list[str]:
    """Return bypass, delay, polarity, phase and level in words, with what is set now.

    Of polarity and phase control, if asked for, only what changes.
    """
    settings, present = record.settings.settings(), record.present.settings()
    advice = delay_instruction(settings, present=present, stated=is_stated(stated, "delay_ms"))
    entries = [*(f"Bypass: {one}, one too many" for one in record.bypass), f"Delay: {advice}"]
    at = f" at {settings.phase_frequency or 0.0:g} Hz"
    for name, now, then in record.setting_rows(stated):
        kept = changes and then in (now, AS_IT_IS)
        if name in ("Polarity", "Phase control") and not kept:
            was = "" if now == then else f" (now {now})"
            entries.append(f"{name}: {then}{at if then.endswith('degrees') else ''}{was}")
    if level and settings.level_change_db:
        change_db = signed_setting(settings.level_change_db)
        entries.append(f"Level of the subwoofer: {change_db} dB against now")
    return entries


def joining_parts(
    record: JoiningRecord,
    stated: PresentRecord | None = None,
    *,
    with_bands: JoiningRecord | None = None,
) -> list[Part]:
    """Return verdict, doubts, settings, seats, evidence and notes of a joining.

    Where it is known what bands would still do, that is told as well.
    """
    found, test = record.alignment, record.polarity
    told = test if test is not None and test.inverted is not None else None
    sure = joining_sentences(record) + _say.each({"arrival": told, "at_end": found.at_end})
    notes = [note for note in record.notes if note is not JoiningNote.SUM_DISAGREES]
    title = "Settings of the subwoofer against the mains"
    return [
        joining_verdict(record),
        *joining_doubts(record, with_bands=with_bands),
        [*listed(title, setting_entries(record, stated)), *reference_lines(stated)],
        seat_loss_lines(record),
        listed("How sure the joining is", sure + [joining_note_text(n, record) for n in notes]),
        [] if with_bands is None else bands_lines(with_bands),
    ]


def joining_backing(record: JoiningRecord, stated: PresentRecord | None, *more: str) -> Part:
    """Return what backs a joining in a plan, less what its cautions say, and `more` sentences."""
    sentences = bullets([*joining_sentences(record), *more])
    return [*seat_loss_lines(record), *sentences, *reference_lines(stated)]


def joining_doubts(record: JoiningRecord, *, with_bands: JoiningRecord | None = None) -> list[str]:
    """Return what speaks against the settings, in sentences, to stand before them."""
    judged = record if with_bands is None else with_bands
    texts = [_say("loud", judged)] if judged.taken_off_db >= FAR_TOO_LOUD_DB else []
    if JoiningNote.SUM_DISAGREES in record.notes:
        texts.append(joining_note_text(JoiningNote.SUM_DISAGREES, record))
    if record.explanation is not None:
        texts.append(explanation_text(record.explanation, record.corner))
    return texts


def bands_lines(record: JoiningRecord) -> list[str]:
    """Return what bands and level would still do, for a joining in which they stay."""
    bands, text = record.bands, _say("no_bands")
    if JoiningNote.SUM_DISAGREES in record.notes:
        text = _say("bands_in_doubt")
    elif bands is not None and bands.no_change is None:
        settings = record.settings.settings()
        gains = zip(bands.labels, bands.gains_db, strict=True)
        moved = ", ".join(f"{label} Hz {signed_setting(gain)}" for label, gain in gains if gain)
        told = {"moved": moved or "all at 0", "delay": delay_text(settings)}
        told["level_db"] = signed_setting(settings.level_change_db)
        text = f"{_say('deviation', bands)} {_say('bands', record, **told)}"
    return ["What bands would still do", f"  {text}"]


def loss_text(
    corner: float, now_db: float, *, then_db: float | None = None, predicted_db: float | None = None
) -> str:
    """Return what the sum loses now, and with the settings or as it was predicted.

    Parameters
    ----------
    corner : float
        Hz.
    now_db : float
        As measured.
    then_db : float, optional
        With the settings proposed.
    predicted_db : float, optional
        What a plan predicted for the settings in force.
    """
    told = {"with these settings": then_db, "was predicted": predicted_db}
    more = [f"; {loss_db:.1f} dB {what}" for what, loss_db in told.items() if loss_db is not None]
    lost = f"the sum loses {now_db:.1f} dB of what both could give{''.join(more)}"
    return f"Around {corner:.0f} Hz {lost}."


def joining_verdict(record: JoiningRecord) -> str:
    """Return what the sum loses, now and with the settings."""
    now_db, then_db, bands = record.loss_before_db, record.loss_db, record.bands
    same = not record.changes and abs(then_db - now_db) < _SHOWN_DB
    texts = [loss_text(record.corner, now_db, then_db=None if same else then_db)]
    if record.bypass:
        gained_db = sum(row.weight * row.level_gain_db for row in record.seats)
        return f"{texts[0]} {_say('bypassed', gained_db=gained_db)}"
    if not record.changes:
        texts.append(_say("kept", record.alignment))
    chosen = record.alignment.chosen
    cost_db = then_db - chosen.loss_db
    if bands is not None and bands.chosen and not bands.no_change and cost_db >= NAMED_SEAT_DB:
        texts.append(_say("cost", chosen, cost_db=cost_db, more=then_db > now_db))
    return " ".join(texts)


def seat_loss_lines(record: JoiningRecord) -> Part:
    """Return what the sum loses at each seat, as a table."""
    shares = [{"share": 100 * seat.weight} for seat in record.seats]
    return [_say("loses", record), *_say.table("seats", record.seats, shares)]


def joining_sentences(record: JoiningRecord) -> list[str]:
    """Return what backs a joining, in sentences, less what the cautions of a plan say."""
    bands, found = record.bands, record.alignment
    texts = polarity_sentences(record)
    texts += _say.each({"decides": record.polarity, "deviation": bands})
    if bands is not None and bands.chosen and bands.no_change is None and bands.level_stops_at:
        texts.append(_say(f"stops_at_{bands.level_stops_at}"))
    texts += _worse_seats(record)
    if found.longer is not None:
        texts.append(_say("longer", found.longer, setting=_candidate_text(found.longer)))
    texts += [*_say.each({"offer_unknown": not record.delay_stated})]
    texts += meeting_sentences(record.meeting)
    if len(record.seats) < 3:
        texts.append(_say("few_seats", seats=counted(len(record.seats), "seat")))
    return texts


def polarity_sentences(record: JoiningRecord) -> list[str]:
    """Return what either polarity would give, and which it probably is."""
    found, test = record.alignment, record.polarity
    both = found.normal, found.inverted
    turned = any(best.settings.phase_deg for best in both)
    one, other = (_candidate_text(best, phase=turned) for best in both)
    code = "wiring_not_tested"
    if test is not None:
        code = "wiring" if test.inverted is not None else "wiring_or_delay"
    wiring = _say(code, test or record, half_period_ms=500.0 / record.corner)
    return [_say("polarities", found, one=one, other=other), wiring]


def _worse_seats(record: JoiningRecord) -> list[str]:
    """Name the seats that lose more than now; behind other filters those that get quieter."""
    what, lost = "worse", {row.seat: row.after_db - row.before_db for row in record.seats}
    if record.bypass:
        what, lost = "quieter", {row.seat: -row.level_gain_db for row in record.seats}
    worse = {seat: by_db for seat, by_db in lost.items() if by_db > NAMED_SEAT_DB}
    return [_say(what, seat=seat, by_db=by_db) for seat, by_db in worse.items()]


def _candidate_text(candidate: CandidateRecord, *, phase: bool = False) -> str:
    settings = candidate.settings.settings()
    text = f"{said(_WAY, settings)}, polarity {settings.polarity}"
    if settings.phase_frequency is not None and (phase or settings.phase_deg):
        text += f", phase control at {settings.phase_deg:g} degrees"
    return text


def meeting_sentences(meeting: Meeting | None) -> list[str]:
    """Say what is wrong with where both meet; nothing where that is right or not known."""
    if meeting is None:
        return []
    return [_say(fault, meeting, missing_db=-meeting.sum_db) for fault in meeting.faults]


def explanation_text(found: SumExplanation, corner: float) -> str:
    """Say what explains a measured sum that is not the sum of its parts."""
    span = {"lowest": 0.5 * corner, "highest": 2.0 * corner}
    differs = _say("differs", percent=100.0 * found.difference, **span)
    causes = {
        "had the other polarity": found.inverted,
        "was {level_db:.1f dB|louder|quieter}": found.level_db,
        "came {delay_ms:.1f ms|later|earlier}": found.delay_ms,
    }
    told = " and ".join(said(words, found) for words, holds in causes.items() if holds)
    why = "moved" if not found.explained else "as_if" if told else "as_if_all"
    return f"{differs} {_say(why, found, told=told)}"
