"""Words for the codes of a plan.

Conventions
-----------
Every code has its words here and nowhere else; a test holds that none is missing.
"""

from __future__ import annotations

from roomeq.base.cautions import Caution, CautionCode
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.bands.reasons import BandSetting
from roomeq.plan.plan import Plan
from roomeq.report.text.headroom import hertz_text
from roomeq.report.text.layout import counted, joined, worded
from roomeq.wanted.limits import DRIVE_BELOW_FLOOR_DB

_MOST_LOWER_LIMITS = 45.0  # Hz: few subwoofers end higher
SOURCES = {
    "sub": "the subwoofer",
    "mains": "the mains",
    "both": "subwoofer and mains",
    "difference": "subwoofer and mains, one of them reversed",
    "joined": "the subwoofer alone and the mains alone",
}
"""What was measured, or plays."""


_reason = worded("""
within_tolerance: within tolerance
seats_disagree: few seats are short: they differ by {spread_db:.1f} dB
cancellation: deep dip{cut:| beside an excess|: {raised:|neighbours' cut made good|not filled}}
noise: in noise
not_measured: not measured
roll_off: own roll-off{cut:|, beside an excess|: not filled}
below_limit: no boost below {evidence.no_boost_below:.0f} Hz
near_crossover: too near the crossover to tell
above_crossover: above crossover, {target.corner:.0f} Hz
held_by_filter_boost: held by the boost limit, {evidence.filter_boost_limit_db:+g} dB
held_by_drive_boost: held by the drive limit, {flat:|{evidence.drive_boost_limit_db:+g}
    dB|{known:|{limit_db:+.1f} dB by its headroom|its headroom}}
held_by_range: at the end of its range
locked: {joined:|left as it is, only joined|locked}
not_worth_moving: not worth a {kept:||further }move
many_rooms: as suits all rooms
sum_with_mains: {joined:|left as it is, only joined|joins the mains}
""")


def reason_text(band: BandSetting, plan: Plan) -> str:
    """Say why a band was left alone, or what held it back; empty where it does what it is asked."""
    if band.reason is None:
        return ""
    headroom = plan.headroom
    limit_db = None if headroom is None else headroom.drive_limit_at_db(band.label)
    return _reason(
        band.reason,
        plan,
        cut=band.gain_db < 0,
        raised=band.gain_db > max(band.present_db, 0.0),
        kept=band.gain_db == band.present_db,
        joined=plan.only_joined,
        spread_db=band.spread_db,
        flat=headroom is None or headroom.drive_limit == "flat",
        known=limit_db is not None,
        limit_db=limit_db,
    )


KEEPS_LOUDNESS = "keeps loudness"


def level_purpose(plan: Plan) -> str:
    """Say what the level knob's change is for."""
    codes = [caution.code for caution in plan.cautions]
    purposes = {
        "against the others, and for all together": plan.set_together is not None,
        "joins the mains": plan.joining is not None,
        "stays, for the sum with the mains is in doubt": CautionCode.SUM_DISAGREES in codes,
        "all that the drive limit grants": CautionCode.LOUDNESS_CUT in codes,
        "reaches the wanted level": plan.target.level_db is not None,
        KEEPS_LOUDNESS: True,
    }
    return next(words for words, holds in purposes.items() if holds)


_no_change = worded("""
improvement_too_small: As good as this device can make it: the best setting within the limits
    betters the weighted deviation by {gained_db:.2f} dB, from {deviation_before_db:.1f} dB. {keep}
keep: {others:|Keep the bands as they are set; change only {others}.|Keep what is set.}
what_could: What is left is cancellation, differs from seat to seat, or is held back by a limit (see
    why at each band): moving the subwoofer or the seats, a second one or damping can change it.
roll_off: What is short at the low end may be the subwoofer's own roll-off, whose lower limit is not
    stated, and beside it nothing is worth a change. {keep} State the limit to know.
within_repeatability: The best change betters the deviation by {gained_db:.2f} dB, which is within
    the repeatability of the measurement ({repeatability_db:.2f} dB). {keep} Or measure better.
joined: The sum of subwoofer and mains is as good as delay, polarity and bands can make it: what
    they could still change is {why}. {keep}
improvement_too_small_joined: too little to be worth a change
within_repeatability_joined: within the repeatability of the measurement
roll_off_joined: what the subwoofer's own roll-off may explain
""")


def beside_bands(plan: Plan) -> list[str]:
    """Return what is to change though the bands stay; empty where nothing is."""
    found = {"the level": plan.level.changes, "the protective high-pass": plan.moves_high_pass}
    return [what for what, holds in found.items() if holds]


def no_change_text(plan: Plan) -> str:
    """Say why nothing is proposed."""
    assert plan.no_change is not None
    evidence = plan.evidence
    keep = _no_change("keep", others=joined(beside_bands(plan)))
    if plan.joining is not None:
        return _no_change("joined", why=_no_change(f"{plan.no_change}_joined"), keep=keep)
    gained_db = max(evidence.deviation_before_db - evidence.best_deviation_db, 0.0)
    text = _no_change(plan.no_change, evidence, gained_db=gained_db, keep=keep)
    small = plan.no_change is NoChange.IMPROVEMENT_TOO_SMALL
    more = small and evidence.deviation_before_db > 1.0
    return f"{text} {_no_change('what_could')}" if more else text


_caution = worded("""
band_levels_only: Only third-octave levels were measured: phase, cancellations and narrow peaks
    cannot be told from them, and what is predicted is good to half a dB.
bands_in_noise: Bands near the noise count less in the fit: {name} Hz (x {value:.2f} at the worst).
boost_below_high_pass: Boost of {value:.1f} dB at {band}, below the protective high-pass: it fights
    the protection and moves the driver; take it out.
boost_into_cancellation: Boost of {value:.1f} dB at {band}, where the seats have a cancellation: it
    eats headroom and fills nothing; take it out.
check_wiring: The subwoofer is probably inverted against the mains. Rewire nothing on this: the
    microphone close to each cone in turn decides. Where wires are mended, the polarity stays.
distortion_extrapolated: The wanted level asks up to {value:.1f} dB more drive (at {band}) than the
    sweep had: near a driver's stop distortion grows faster than was reckoned. Measure louder, in
    steps, but never below the subwoofer's lower limit.
few_seats: Only {seats} measured: what suits it may harm others; measure three at least.
high_pass_first: Set the other protective high-pass first{name:| ({name})|}, measure again and
    propose again: delay, polarity and what is predicted of all together are without it.
improvement_lost_at_other_q: If the bands' Q is {value:g} times the assumed one, most of the
    improvement is lost: measure one band of the device before trusting this proposal.
join_again: The other high-pass turns the subwoofer's phase by {value:+.0f} degrees at {band}: with
    it set, delay, polarity and phase are to be chosen anew.
joining_ambiguous: Both polarities sum equally well, each with a delay of its own, and which one the
    wires have cannot be told: measure both together again after setting.
joining_at_end: Before the bands, the best {name} of the subwoofer lies at an end of what may be
    set: better settings may lie beyond.
level_outside_range: The level knob does not reach: set {value:+.1f} dB upstream.
level_too_high: The wanted level asks {value:.1f} dB more at {band} than there is: play it that much
    quieter, or let the drive follow the headroom (drive_limit = "headroom").
licensed_mains_work: Mains work is for licensed people under local codes. Switch the amplifier off
    before touching its terminals.
lock_beyond_limit: Bands that are to stay boost {value:.1f} dB more than is allowed at
    {frequency:.0f} Hz, by themselves. They stay as they are; release a lock if it is not meant.
loudness_cut: {value:.1f} dB quieter than {name:|{name}|now}: the drive limit grants no
    more{frequency:| at {frequency:.0f} Hz|}{low:| ({below_floor_db:g} dB below the lower limit)|},
    nor when measured again: turn the mains down as much, or use a stronger subwoofer.
low_pass_twice: A low-pass too many: bypass {name}, as decided by the filters.
low_pass_twice_left: A low-pass too many: {name}. What is proposed holds with it engaged: bypass it
    and measure again first, or leave it on.
lower_limit_unknown: The subwoofer's lower limit is not known: nothing is boosted below
    {frequency:.0f} Hz{costs:|, which may cost up to {value:.1f} dB|}. State lower_limit, Hz where
    it is 6 dB down.
measuring_voltage_unknown: The voltage at the terminals while measuring is not stated: volts and
    watts at the wanted level cannot be told.
minimum_impedance_assumed: The load's lowest impedance is taken for {value:.2f} ohm, 0.8 times
    nominal.
never_lift_earth: Hum is never cured by lifting the protective earth: that can kill. Use balanced
    lines, an isolation transformer in the signal line, or one common outlet.
noise_unknown: The noise is not known: was the room quiet, above all below 30 Hz?
not_proven: The search stopped early: a better setting by up to {value:.2f} dB may exist.
one_seat_stands_out: Seat {name} differs from the others by {value:.1f} dB (r.m.s.): measured alike?
q_assumed: {name:|The Q of {name} Hz was not measured on this device; it is assumed from the
    others.|The bands' Q was not measured on this device, but taken from its profile.}
recording_counts_less: Recording {name} is spoilt: its seat counts x {value:g} of its weight.
    Measure that seat again before trusting what is proposed.
recording_left_out: Recording {name} is left out of everything: see what was found in it.
room_gain_unknown: The table of maximum output holds outdoors; what the room adds is taken for 0 dB,
    which rooms mostly better in the lowest bass and worsen in their dips.
seat_gets_worse: Seat {name} gets worse by {value:.1f} dB.
sum_disagrees: The measured sum of subwoofer and mains differs from the predicted one by {value:.1f}
    dB (s.d.): the time reference was not common, or something was set otherwise or moved. They are
    not joined; roomeq join tells what may explain it.
unmeasured_seat_may_get_worse: Other places may get worse: seats left out do, by {value:.1f} dB.
works_harder: Up to {value:.1f} dB more drive ({times:.1f} times the power): listen for strain.
works_harder_as_set: Up to {value:.1f} dB more drive than with all bands at 0 and the level as it
    was ({times:.1f} times the power): listen for strain.
""")


def caution_text(caution: Caution) -> str:
    """Return a caution in words."""
    frequency, value = caution.frequency, caution.value or 0.0
    return _caution(
        caution.code,
        caution,
        band=None if frequency is None else hertz_text(frequency),
        seats=counted(round(value), "seat"),
        costs=value >= 0.05,
        low=frequency is not None and frequency < _MOST_LOWER_LIMITS,
        below_floor_db=DRIVE_BELOW_FLOOR_DB,
        times=10.0 ** (value / 10.0),
    )
