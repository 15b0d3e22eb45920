"""A sweep that is cut, missing, another one, or played at another rate; channels swapped.

Conventions
-----------
Time in s after the start of the recording, frequency in Hz. The *lag* of a frequency is when it was
heard, less when the sweep plays it. In a room they lie together (in 60 clean ones of
`bench_wrong_sweeps.py --seed 5` a line through them ran by 0.05 s at most), and what box and room
delay is delayed in the bass; a sweep whose frequency
grows e-fold in L' instead of L makes them run as ``(L' - L) ln f``, and a recording whose rate is r
times the stated one has ``L' = L / r``. What happens at once, such as an amplifier that wakes or a
recording that ends, has ``L' = 0`` and is no sweep.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import RecordingView, SweepModel
from roomeq.analysis.recordings.noise import NoiseLevels, quiet_stretches
from roomeq.analysis.sweeps.windowing import band_envelopes
from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray, power_ratio_db
from roomeq.base.recording import SweepDescription

_COMMON_RATES = sorted(
    base * 2**times for base, most in ((8000, 3), (11025, 5), (12000, 5)) for times in range(most)
)
_RATE_TOLERANCE = 0.02, 0.05  # of the ratio: below 1.75 and above, where lags are blurred
_BANDS = 12
_BAND_WIDTH = 0.16  # of ln f, standard deviation
_PROMINENT = 6.0  # peak of a band's envelope over its median; of noise it reaches 4
_FEWEST_BANDS = 4
_EARLY = 0.6  # the first moment with this much of the strongest counts
_LARGEST_RUN = 0.08  # s, of the lags in a room
_STRAIGHT = 0.22  # of the run: three of four bands lie that near to the line
_TOGETHER = 0.16  # s
_LEAST_COMPANY = 0.5
_AT_ONCE = 0.1  # of the growth: a third of the distance of neighbouring bands
_FEWEST_AT_ONCE = 3
_LEAST_GROWTH = 0.2  # of the growth
_NEGLIGIBLE_CUT = 0.05  # s
_FRAME = 0.05  # s
_HEARD_DB, _LOUD_DB = 6.0, 25.0  # above the noise
_SURE = 0.1  # s
_SURE_END = 0.3  # s
_CLIFF_DB = 34.0
_CUT_DB = -30.0
_MASKED_DB, _UNMASKED_DB, _MASKED_RISE_DB = 3.0, 25.0, 32.0
_LAST_HEARD = 0.05  # s
_ELECTRICAL_SPREAD_DB = 1.0
_ELECTRICAL_AFTER = 0.06  # s
_ELECTRICAL_REST = 1e-3
_LATE = 0.5  # s
ROOM_LATE = 5e-3
"""Share of late energy from which on a channel holds a room; no wire with filters has it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LagTrend:
    """When each part of the spectrum was heard, against when the sweep plays it.

    Attributes
    ----------
    frequencies, lags : ndarray, shape (K,)
        Bands in which something stands out, in Hz, and their lags in s.
    slope : float
        Of the lags against ln f, in s (Theil-Sen); nan with fewer than four bands.
    upper : float
        The same of the upper half of the bands, where neither box nor room delays.
    scatter : float
        Upper quartile of their distances from that line, in s.
    """

    frequencies: FloatArray
    lags: FloatArray
    slope: float = math.nan
    upper: float = math.nan
    scatter: float = math.nan

    @property
    def run(self) -> float:
        """How far both lines run from the first to the last band, in s; 0 where there is none."""
        if not (math.isfinite(self.slope) and self.slope * self.upper > 0):
            return 0.0
        return min(abs(self.slope), abs(self.upper)) * math.log(
            self.frequencies[-1] / self.frequencies[0]
        )

    def runs(self, growth: float) -> bool:
        """Whether the lags run along a line further than in any room, as of another sweep."""
        sweeps = not growth + self.slope < _LEAST_GROWTH * growth
        return self.run > _LARGEST_RUN and self.scatter < _STRAIGHT * self.run and sweeps

    @property
    def together(self) -> bool:
        """Whether four bands were heard when the sweep plays them, and most with two others.

        Another sweep is in step with this one at times. Of 273 recordings, faulty or not, those of
        the described sweep had company in seven bands of ten at least, others in less than
        half of them.
        """
        near = (np.abs(self.lags[:, np.newaxis] - self.lags) <= 0.5 * _TOGETHER).sum(axis=1)
        return bool(near.max(initial=0) >= _FEWEST_BANDS and np.mean(near >= 3) > _LEAST_COMPANY)


def estimate_lag_trend(view: RecordingView) -> LagTrend:
    """Return the lags of twelve bands between the ends of the usable band."""
    inverse, sweep = view.inverse, view.excitation
    span = inverse.fft_length / inverse.low_rate
    # Of several sweeps the first: the earliest moment about as strong as the strongest.
    share = 1.0 if sweep.repeats == 1 else _EARLY
    centres = np.geomspace(1.25 * inverse.lowest, inverse.highest / 1.25, _BANDS)
    envelopes = band_envelopes(view.deconvolved, inverse.low_rate, centres, width=_BAND_WIDTH)
    found = [
        (centre, instants[int(np.argmax(envelope >= share * envelope.max()))])
        for centre, (instants, envelope) in zip(centres, envelopes, strict=True)
        if envelope.max() > _PROMINENT * np.median(envelope)
    ]
    frequencies, lags = np.array(found).reshape(-1, 2).T
    # Brought to within half the circle of their median direction.
    turns = np.exp(2j * np.pi * lags / span)
    middle = float(np.angle(turns.sum())) * span / (2.0 * np.pi)
    lags = (lags - middle + 0.5 * span) % span + middle - 0.5 * span
    # Three bands heard at one moment: no sweep does that.
    instants = sweep.time_of(frequencies) + lags
    near = np.abs(instants[:, np.newaxis] - instants) < _AT_ONCE * sweep.growth_at(frequencies)
    swept = near.sum(axis=1) < _FEWEST_AT_ONCE
    frequencies, lags = frequencies[swept], lags[swept]
    if lags.size < _FEWEST_BANDS:
        return LagTrend(frequencies=frequencies, lags=lags)
    axis, half = np.log(frequencies), (lags.size - 1) // 2
    first, second = np.triu_indices(lags.size, 1)
    slopes = (lags[second] - lags[first]) / (axis[second] - axis[first])
    slope, upper = float(np.median(slopes)), float(np.median(slopes[first >= half]))
    rest = lags - slope * axis
    scatter = float(np.quantile(np.abs(rest - np.median(rest)), 0.75))
    return LagTrend(frequencies=frequencies, lags=lags, slope=slope, upper=upper, scatter=scatter)


def sweep_findings(view: RecordingView, model: SweepModel | None) -> Iterator[Finding]:
    """Return whether this is another sweep, or one at another rate, or none at all."""
    trend, recording, sweep = estimate_lag_trend(view), view.recording, view.excitation
    code, value, sure = FindingCode.WRONG_SWEEP, None, 0.7
    what = "another sweep than the one described: its frequency does not grow as described"
    if trend.runs(sweep.growth):
        growth = sweep.growth + trend.slope
        ratio, value, sure = sweep.growth / growth, growth, confidence_of(trend.run / _LARGEST_RUN)
        what = (
            f"another sweep than the one described: its frequency grows e-fold in {growth:.3g} s "
            f"instead of {sweep.growth:.3g} s, or one machine runs {ratio:.3f} times as fast as "
            "the other"
        )
        named = _rate_names(ratio, (recording.sample_rate, sweep.played.sample_rate))
        if named is not None:
            code, value = FindingCode.WRONG_SAMPLE_RATE, ratio
            what = (
                f"the sweep runs {ratio:.3f} times as fast as described, as if what has "
                f"{named[0]} Hz were taken for {named[1]} Hz"
            )
    elif model is None or trend.lags.size < _FEWEST_BANDS:
        code, sure = FindingCode.SWEEP_NOT_FOUND, 0.9
        what = "no sweep stands out from the noise"
    elif trend.together:
        return
    yield Finding.of(code, Severity.FAULT, recording, what, sure, value=value)


def _rate_names(ratio: float, rates: tuple[int, int]) -> tuple[int, int] | None:
    """Return the true and the stated rate of the usual pair that has this ratio.

    One of them is the rate of the recording or of the sweep, as of `rates`.
    """
    tolerance = _RATE_TOLERANCE[abs(math.log(ratio)) > math.log(1.75)]
    pairs = [
        (stated != rates[0], away, true, stated)
        for true, stated in itertools.permutations(_COMMON_RATES, 2)
        if {true, stated} & set(rates)
        and (away := abs(math.log(stated / true / ratio))) < tolerance
    ]
    return min(pairs)[2:] if pairs else None


def cut_findings(model: SweepModel, noise: NoiseLevels) -> Iterator[Finding]:
    """Return what is missing of sweeps and decay: cut by the recording's ends, or never heard."""
    sweep, recording, missing = model.view.excitation, model.recording, -model.starts[0]
    exponential = sweep.growth > 0  # another one spends little on its lowest octave
    if missing > _NEGLIGIBLE_CUT:
        yield _missing(model, missing, "the recording begins {:.2f} s too late", at_start=True)
    elif exponential and (silent := _silent_start(model) or _masked_start(model, noise)) > 0:
        yield _missing(model, silent, "nothing is heard for {:.2f} s", at_start=True)
    over = model.starts[-1] + sweep.duration - recording.duration
    if over > _NEGLIGIBLE_CUT:
        yield _missing(model, over, "the recording ends {:.2f} s too early", at_start=False)
    elif (silent := _silent_end(model)) > 0:
        yield _missing(model, silent, "the sweep stops {:.2f} s too early", at_start=False)
    found = model.segments.found
    said = isinstance(sweep.played, SweepDescription)  # a reference may be played many times
    if found < sweep.repeats or (said and found > sweep.repeats):
        what = f"{found} sweeps were found, and {sweep.repeats} said to be played"
        code = FindingCode.SWEEPS_MISSING
        yield Finding.of(code, Severity.WARNING, recording, what, 0.9, value=found)
    yield from _cut_decay(model, noise)


def _cut_decay(model: SweepModel, noise: NoiseLevels) -> Iterator[Finding]:
    """Return which third octaves the recording leaves before they have decayed by 30 dB.

    What is left out of a decaying mode then is a thirtieth of its peak, 0.3 dB.
    """
    response, rate = model.impulse_response, model.low_rate
    centres = np.array([band.centre for band in noise.bands])
    envelopes = band_envelopes(response.samples, rate, centres, width=0.12)
    cut: list[tuple[ThirdOctaveBand, float]] = []
    for band, floor, (instants, envelope) in zip(noise.bands, noise.floor, envelopes, strict=True):
        told = float(response.told_until(band.upper))
        pace = 1.0 / instants[1]
        last = round((told - response.start) * pace)
        if last >= envelope.size or told < 0:
            continue
        first = max(0, last - max(1, round(_LAST_HEARD * pace)))
        heard = float(np.sqrt(np.mean(envelope[first:last] ** 2)))
        quiet = math.sqrt(np.nan_to_num(floor) * 2.0 * (band.upper - band.lower) / rate)
        level = heard * envelope.size / response.samples.size
        relative_db = 20.0 * math.log10(max(heard, 1e-30) / float(envelope.max()))
        if relative_db > _CUT_DB and level > 2.0 * quiet:
            cut.append((band, relative_db))
    if not cut:
        return
    names = cut[0][0].label if len(cut) == 1 else f"{cut[0][0].label} to {cut[-1][0].label}"
    worst = max(level for _, level in cut)
    recording = model.recording
    what = (
        f"the recording ends while the room still rings at {names} Hz, by {worst:.0f} dB below the "
        "loudest: levels there are wrong"
    )
    code, sure = FindingCode.DECAY_CUT, confidence_of(1.0 + (worst - _CUT_DB) / 10.0)
    span, ended = (cut[0][0].lower, cut[-1][0].upper), recording.duration
    yield Finding.of(
        code, Severity.FAULT, recording, what, sure, seconds=(ended, ended), band=span, value=worst
    )


def _missing(model: SweepModel, missing: float, words: str, *, at_start: bool) -> Finding:
    sweep = model.view.excitation
    at = float(sweep.frequency_at(missing if at_start else sweep.duration - missing))
    blur = math.sqrt(at / float(sweep.growth_at(np.array(at))))  # Hz over which the edge is felt
    if at_start:
        code, begin, side = FindingCode.START_MISSING, max(model.starts[0], 0.0), "below"
        inaudible, band = at < model.band[0], (min(float(sweep.axis[0]), at), at + blur)
    else:
        code, begin = FindingCode.END_MISSING, model.starts[-1] + sweep.duration - missing
        inaudible, side = at > model.band[1], "above"
        band = (max(0.5 * at, at - blur), max(float(sweep.axis[-1]), at))
    severity = Severity.NOTE if inaudible else Severity.FAULT
    what = f"{words.format(missing)}: what lies {side} {at:.3g} Hz is missing"
    sure, seconds = confidence_of(max(1.0, missing / _NEGLIGIBLE_CUT)), (begin, begin + missing)
    return Finding.of(
        code, severity, model.recording, what, sure, seconds=seconds, band=band, value=missing
    )


def _silent_start(model: SweepModel) -> float:
    """Return for how long the first sweep is not heard at its start, in s.

    Only where it sets in abruptly, by 25 dB within a fifth of a second or a quarter of an octave:
    what a driver, its box or a filter takes away comes gradually.
    """
    rate, signal, sweep = model.low_rate, model.band_signal, model.view.excitation
    quiet = [signal[round(a * rate) : round(b * rate)] for a, b in quiet_stretches(model)]
    hop, first = round(_FRAME * rate), max(0, round(model.starts[0] * rate))
    count = min(int(sweep.duration * rate), signal.size - first) // hop
    if not quiet or count < 20:
        return 0.0
    power = (signal[first : first + count * hop].reshape(count, hop) ** 2).mean(axis=1)
    noise = float(np.mean(np.concatenate(quiet) ** 2))
    level = power_ratio_db(np.maximum(power, 1e-20) / max(noise, 1e-20))
    begin = int(np.argmax(level > _HEARD_DB))
    rise = max(2, round(min(0.2, 0.17 * float(sweep.growth_at(sweep.axis)[0])) / _FRAME)) + 1
    abrupt = level[begin : begin + rise].max() > _LOUD_DB
    return begin * _FRAME if abrupt and begin * _FRAME > sweep.fade_in + _SURE else 0.0


def _masked_start(model: SweepModel, noise: NoiseLevels) -> float:
    """Return the same where noise hides what went before, in s.

    Only where the signal-to-noise ratio rises from 3 dB or less by 32 dB over two third octaves: a
    box of fourth order in the rumble of a house makes 20 dB of that.
    """
    rise = noise.snr_db[2:] - noise.snr_db[:-2]
    hidden, heard = noise.snr_db[:-2] < _MASKED_DB, noise.snr_db[2:] > _UNMASKED_DB
    found = np.flatnonzero((rise > _MASKED_RISE_DB) & hidden & heard)
    if not found.size:
        return 0.0
    return model.instant_of(noise.bands[int(found[-1]) + 2].lower)


def _silent_end(model: SweepModel) -> float:
    """Return for how long the sweeps are not heard at their end, in s.

    Only where the response falls by 34 dB within half an octave and stays there to the end of the
    band: more than a crossover of 48 dB per octave and the modes of a room do.
    """
    axis, power = model.frequencies, np.abs(model.spectrum) ** 2
    edges = model.band[1] * 2.0 ** (-np.arange(13 * 12) / 12.0)
    edges = edges[edges >= model.band[0]][::-1]
    index = np.searchsorted(axis, edges)
    bands = [slice(a, b) for a, b in itertools.pairwise(index) if b - a >= 2]
    level = power_ratio_db([float(power[one].mean()) for one in bands])
    for at in range(2, level.size - 5):
        if level[at - 2 : at].min() - level[at + 5 :].max() > _CLIFF_DB:
            stops = float(axis[bands[at].start])
            missing = model.view.excitation.duration - model.instant_of(stops)
            return missing if missing > model.view.excitation.fade_out + _SURE_END else 0.0
    return 0.0


def looks_electrical(model: SweepModel) -> float:
    """Return how much a channel looks like a loopback: evidence over its threshold.

    At least 1 where the level varies by less than 1 dB (standard deviation over the usable band)
    and less than a thousandth of the energy comes later than 60 ms. No room does that.
    """
    axis, pressure = model.frequencies, model.spectrum
    level = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-12))
    weight = 1.0 / axis
    mean = float(np.average(level, weights=weight))
    spread = math.sqrt(float(np.average((level - mean) ** 2, weights=weight)))
    rest = late_share(model)
    return min(_ELECTRICAL_SPREAD_DB / max(spread, 1e-3), _ELECTRICAL_REST / max(rest, 1e-9))


def late_share(model: SweepModel) -> float:
    """Return the share of a response's energy that comes 60 to 560 ms after its peak.

    What comes in the half second before, noise and harmonics, is taken off.
    """
    response = model.impulse_response
    energy, times = response.samples**2, response.times
    times = times - times[int(np.argmax(energy))]
    late, ahead = (
        float(energy[(times > begin) & (times <= begin + _LATE)].sum())
        for begin in (_ELECTRICAL_AFTER, -_ELECTRICAL_AFTER - _LATE)
    )
    return max(0.0, late - ahead) / max(float(energy.sum()), 1e-300)
