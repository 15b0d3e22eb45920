"""Words for the codes of a plan.

Conventions
-----------
Every code has its words here and nowhere else; a test holds that none is missing.
"""

from __future__ import annotations

from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import signed
from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.bands.reasons import BandSetting, Reason
from roomeq.plan.plan import Plan
from roomeq.report.text.headroom import drive_words
from roomeq.wanted.limits import DRIVE_BELOW_FLOOR_DB

_MOST_LOWER_LIMITS = 45.0  # Hz: few subwoofers end higher
SOURCES = {
    "sub": "the subwoofer alone",
    "mains": "the mains",
    "both": "subwoofer and mains",
    "joined": "the subwoofer alone and the mains alone",
}
"""What was measured, or plays."""


def reason_text(band: BandSetting, plan: Plan) -> str:
    """Say why a band was left alone, or what held it back; empty where it does what it is asked."""
    evidence = plan.evidence
    words: dict[Reason | None, str] = {
        None: "",
        Reason.WITHIN_TOLERANCE: "within tolerance",
        Reason.SEATS_DISAGREE: (
            f"few seats are short here: they differ by {band.spread_db or 0:.1f} dB"
        ),
        Reason.CANCELLATION: (
            "deep dip beside an excess"
            if band.gain_db < 0
            else "deep dip: neighbours' cut made good"
            if band.gain_db > max(band.present_db, 0.0)
            else "deep dip: not filled"
        ),
        Reason.NOISE: "in noise",
        Reason.NOT_MEASURED: "not measured",
        Reason.ROLL_OFF: (
            "own roll-off: not filled" if band.gain_db >= 0 else "own roll-off, beside an excess"
        ),
        Reason.BELOW_LIMIT: f"no boost below {evidence.no_boost_below:.0f} Hz",
        Reason.NEAR_CROSSOVER: "too near the crossover to tell",
        Reason.ABOVE_CROSSOVER: f"above crossover, {plan.target.corner or 0:.0f} Hz",
        Reason.HELD_BY_FILTER_BOOST: (
            f"held by the boost limit, {evidence.filter_boost_limit_db:+g} dB"
        ),
        Reason.HELD_BY_DRIVE_BOOST: f"held by the drive limit, {_drive_limit_text(band, plan)}",
        Reason.HELD_BY_RANGE: "at the end of its range",
        Reason.LOCKED: "left as it is, only joined" if only_joined(plan) else "locked",
        Reason.NOT_WORTH_MOVING: (
            "not worth a move" if band.gain_db == band.present_db else "not worth a further move"
        ),
        Reason.MANY_ROOMS: "as suits all rooms",
        Reason.SUM_WITH_MAINS: (
            "left as it is, only joined" if only_joined(plan) else "joins the mains"
        ),
    }
    return words[band.reason]


def only_joined(plan: Plan) -> bool:
    """Return whether bands and level were left as they are on request."""
    joining = plan.joining
    return joining is not None and (joining.bands is None or not joining.bands.chosen)


def _drive_limit_text(band: BandSetting, plan: Plan) -> str:
    """Say what the drive may rise in a band: one figure, or what the headroom leaves there."""
    headroom = plan.headroom
    if headroom is None or headroom.drive_limit == "flat":
        return f"{plan.evidence.drive_boost_limit_db:+g} dB"
    limit_db = headroom.drive_limit_at_db(band.label)
    return "its headroom" if limit_db is None else f"{signed(limit_db)} dB by its headroom"


_WHAT_COULD = (
    " What is left is cancellation, differs from seat to seat, or is held back by a limit (see why "
    "at each band): moving the subwoofer or the seats, a second subwoofer or damping can change it."
)
KEEPS_LOUDNESS = "keeps loudness"


def level_purpose(plan: Plan) -> str:
    """Say what the level knob's change is for."""
    if plan.set_together is not None:
        return "against the others, and for all together"
    if plan.joining is not None:
        return "joins the mains"
    if any(caution.code is CautionCode.SUM_DISAGREES for caution in plan.cautions):
        return "stays, for the sum with the mains is in doubt"
    if any(caution.code is CautionCode.LOUDNESS_CUT for caution in plan.cautions):
        return "all that the drive limit grants"
    return "reaches the wanted level" if plan.target.level_db is not None else KEEPS_LOUDNESS


def no_change_text(plan: Plan) -> str:
    """Say why nothing is proposed."""
    assert plan.no_change is not None
    evidence = plan.evidence
    if plan.joining is not None:
        why = {
            NoChange.IMPROVEMENT_TOO_SMALL: "too little to be worth a change",
            NoChange.WITHIN_REPEATABILITY: "within the repeatability of the measurement",
            NoChange.ROLL_OFF: "what the subwoofer's own roll-off may explain",
        }
        return (
            "The sum of subwoofer and mains is as good as delay, polarity and bands can make it: "
            f"what they could still change is {why[plan.no_change]}. Keep what is set."
        )
    gained = evidence.deviation_before_db - evidence.best_deviation_db
    keep = "Keep what is set."
    if plan.level.changes:
        keep = "Keep the bands as they are set; only the level is to change."
    words = {
        NoChange.IMPROVEMENT_TOO_SMALL: (
            "As good as this device can make it: the best setting within the limits betters the "
            f"weighted deviation by {max(gained, 0.0):.2f} dB, from "
            f"{evidence.deviation_before_db:.1f} dB. {keep}"
            + (_WHAT_COULD if evidence.deviation_before_db > 1.0 else "")
        ),
        NoChange.ROLL_OFF: (
            "What is short at the low end may be the subwoofer's own roll-off, whose lower limit "
            f"is not stated, and beside it nothing is worth a change. {keep} State the limit to "
            "know."
        ),
        NoChange.WITHIN_REPEATABILITY: (
            f"The best change betters the deviation by {gained:.2f} dB, which is within the "
            f"repeatability of the measurement ({evidence.repeatability_db or 0:.2f} dB). {keep} "
            "Or measure more carefully."
        ),
    }
    return words[plan.no_change]


def caution_text(caution: Caution) -> str:
    """Return a caution in words; `roomeq.report.text.headroom` has those on drive and wiring."""
    value = caution.value if caution.value is not None else 0.0
    name = caution.name or ""
    at = "" if caution.frequency is None else f" at {caution.frequency:.0f} Hz"
    low = caution.frequency is not None and caution.frequency < _MOST_LOWER_LIMITS
    below = f" ({DRIVE_BELOW_FLOOR_DB:g} dB below the lower limit)" if low else ""
    cost = ""
    if value >= 0.05:
        cost = f", which may cost up to {value:.1f} dB of the weighted deviation"
    words = drive_words(caution) | {
        CautionCode.BAND_LEVELS_ONLY: (
            "Only third-octave band levels were measured: phase, cancellations and peaks narrower "
            "than a band cannot be told from them, and what is predicted is good to half a dB."
        ),
        CautionCode.BANDS_IN_NOISE: (
            f"Bands near the noise count less in the fit: {name} Hz (x {value:.2f} at the worst)."
        ),
        CautionCode.FEW_SEATS: (
            f"Only {value:.0f} seat{'s' if value != 1 else ''} measured: what suits it may harm "
            "others; measure at least three places."
        ),
        CautionCode.IMPROVEMENT_LOST_AT_OTHER_Q: (
            f"If the bands' Q is {value:g} times the assumed one, most of the improvement is lost: "
            "measure one band of the device before trusting this proposal."
        ),
        CautionCode.CHECK_WIRING: (
            "The subwoofer is probably inverted against the mains. Rewire nothing on this: the "
            "microphone close to each cone in turn decides. Where wires are mended, the polarity "
            "stays as it was."
        ),
        CautionCode.JOINING_AMBIGUOUS: (
            "Both polarities sum equally well, each with a delay of its own, and which one the "
            "wires have cannot be told: measure both together again after setting."
        ),
        CautionCode.JOINING_AT_END: (
            f"The {name} of the subwoofer lies at an end of what may be set: better settings may "
            "lie beyond."
        ),
        CautionCode.LOW_PASS_TWICE: (
            f"A low-pass too many: bypass {name}, as decided by the filters."
        ),
        CautionCode.LOW_PASS_TWICE_LEFT: (
            f"A low-pass too many: {name}. What is proposed holds with it engaged: bypass it and "
            "measure again first, or leave it on."
        ),
        CautionCode.SUM_DISAGREES: (
            "The measured sum of subwoofer and mains differs from the predicted one by "
            f"{value:.1f} dB (s.d.): the time reference was not common, or something was set "
            "otherwise or moved. They are not joined; roomeq join tells what may explain it."
        ),
        CautionCode.LEVEL_OUTSIDE_RANGE: (
            f"The level knob does not reach: set {value:+.1f} dB upstream."
        ),
        CautionCode.LOCK_BEYOND_LIMIT: (
            f"Bands that are to stay boost {value:.1f} dB more than is allowed at "
            f"{caution.frequency or 0:.0f} Hz, by themselves. They stay as they are; release a "
            "lock if it is not meant."
        ),
        CautionCode.LOUDNESS_CUT: (
            f"It will be {value:.1f} dB quieter than {name or 'now'}: the drive limit grants no "
            f"more{at}{below}. Measured "
            "again, it would only count from a higher level: turn the mains down by as much, or "
            "use a stronger subwoofer."
        ),
        CautionCode.LOWER_LIMIT_UNKNOWN: (
            f"The subwoofer's lower limit is not known, so nothing is boosted below "
            f"{caution.frequency or 0:.0f} Hz{cost}. State it (lower_limit: Hz "
            "where the subwoofer itself is 6 dB down, from its data sheet or measured close to "
            "the cone)."
        ),
        CautionCode.NOISE_UNKNOWN: (
            "The noise is not known, and every band was trusted. Check that the room was quiet, "
            "above all below 30 Hz."
        ),
        CautionCode.NOT_PROVEN: (
            f"The search stopped early: a better setting by up to {value:.2f} dB may exist."
        ),
        CautionCode.ONE_SEAT_STANDS_OUT: (
            f"Seat {name} differs from the others by {value:.1f} dB (r.m.s.): check that it was "
            "measured like them."
        ),
        CautionCode.Q_ASSUMED: (
            f"The Q of {name} Hz was not measured on this device; it is assumed from the others."
            if name
            else "The bands' Q was not measured on this device, but taken from its profile."
        ),
        CautionCode.RECORDING_COUNTS_LESS: (
            f"Recording {name} is spoilt: its seat counts x {value:g} of its weight. Measure that "
            "seat again before trusting what is proposed."
        ),
        CautionCode.RECORDING_LEFT_OUT: (
            f"Recording {name} is left out of everything: see what was found in it."
        ),
        CautionCode.SEAT_GETS_WORSE: f"Seat {name} gets worse by {value:.1f} dB.",
        CautionCode.UNMEASURED_SEAT_MAY_GET_WORSE: (
            "Gains chosen without one seat do not help at that seat, on average: a place that was "
            f"not measured may get worse (by {value:.1f} dB)."
        ),
        CautionCode.WORKS_HARDER_AS_SET: (
            f"The subwoofer works up to {value:.1f} dB harder than with all bands at 0 and the "
            f"level as it was ({10 ** (value / 10):.1f} times the power): listen for strain."
        ),
        CautionCode.WORKS_HARDER: (
            f"The subwoofer works up to {value:.1f} dB harder ({10 ** (value / 10):.1f} times the "
            "power): listen for strain."
        ),
    }
    return words[caution.code]
