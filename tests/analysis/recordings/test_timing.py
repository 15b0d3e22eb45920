from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import scipy.signal
from quality_recordings import (
    RATE,
    START,
    SWEEP,
    clean,
    codes,
    convolved,
    heard,
    noisy,
    played,
    recording,
)

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.model import view_recording
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.recordings.timing import LagTrend, estimate_lag_trend


def judged(samples, sweep=SWEEP, rate=RATE):
    return judge_recording(recording(samples, rate=rate), sweep)


@lru_cache(maxsize=8)
def loudest(decay_time, seat):
    return np.abs(convolved(played(), RATE, decay_time, seat)).max()


def through(signal, decay_time=0.5, seat=0):
    return noisy(convolved(signal, RATE, decay_time, seat) * 0.4 / loudest(decay_time, seat))


def frequency_after(seconds):
    return SWEEP.start * np.exp(seconds / SWEEP.growth)


@pytest.mark.parametrize(
    ("late", "severity"),
    [(0.03, None), (0.15, Severity.NOTE), (0.5, Severity.FAULT), (3.0, Severity.FAULT)],
)
def test_a_recording_that_begins_too_late(late, severity):
    found = judged(clean()[round((START + late) * RATE) :]).found(FindingCode.START_MISSING)
    assert [one.severity for one in found] == ([] if severity is None else [severity])
    for one in found:
        assert one.value == pytest.approx(late, abs=0.02)
        # An edge in time is felt over sqrt(df/dt) beside it.
        edge = frequency_after(late)
        assert f"below {frequency_after(one.value):.3g} Hz" in one.what
        assert one.highest == pytest.approx(edge + np.sqrt(edge / SWEEP.growth), rel=0.02)


@pytest.mark.parametrize(
    ("early", "severity"),
    [(0.02, None), (0.15, Severity.NOTE), (0.5, Severity.FAULT), (3.0, Severity.FAULT)],
)
def test_a_recording_that_ends_too_early(early, severity):
    stop = round((START + SWEEP.duration - early) * RATE)
    found = judged(clean()[:stop]).found(FindingCode.END_MISSING)
    assert [one.severity for one in found] == ([] if severity is None else [severity])
    for one in found:
        assert one.value == pytest.approx(early, abs=0.02)
        edge = frequency_after(SWEEP.duration - early)
        assert one.lowest == pytest.approx(edge - np.sqrt(edge / SWEEP.growth), rel=0.02)


@pytest.mark.parametrize(("late", "seen"), [(0.2, False), (0.6, True), (2.0, True)])
def test_an_amplifier_that_wakes_late(late, seen):
    signal = played().copy()
    signal[: round((START + late) * RATE)] = 0.0
    found = judged(through(signal)).found(FindingCode.START_MISSING)
    assert bool(found) is seen
    if seen:
        assert found[0].value == pytest.approx(late, abs=0.2)


@pytest.mark.parametrize(("early", "seen"), [(0.1, False), (1.2, True), (2.0, True)])
def test_a_sweep_that_stops_in_between(early, seen):
    signal = played().copy()
    signal[round((START + SWEEP.duration - early) * RATE) :] = 0.0
    found = judged(through(signal)).found(FindingCode.END_MISSING)
    assert bool(found) is seen
    if seen:
        assert found[0].value == pytest.approx(early, abs=0.2)


@pytest.mark.parametrize("order", [4, 8])
def test_crossover_and_high_pass_cut_nothing_off(order):
    # Up to 48 dB per octave (Butterworth, order 8), as steep as crossovers come.
    low = scipy.signal.butter(order, 100.0, "lowpass", fs=RATE, output="sos")
    high = scipy.signal.butter(order, 25.0, "highpass", fs=RATE, output="sos")
    sos = np.concatenate((low, high))
    for seat in range(3):
        quality = judged(through(scipy.signal.sosfilt(sos, played()), seat=seat))
        assert codes(quality) <= {"low_snr"}


@pytest.mark.parametrize("stated", [11025, 22050, 32000])
def test_a_wrong_sample_rate(stated):
    quality = judged(clean(), rate=stated)
    assert codes(quality) == {"wrong_sample_rate"}
    assert quality.findings[0].value == pytest.approx(stated / RATE, rel=0.02)
    assert f"16000 Hz were taken for {stated} Hz" in quality.findings[0].what


def test_a_wrong_rate_of_a_short_sweep():
    # 48 against 44.1 kHz over 4 s: the lags run by 0.28 s, no more than a large room's may.
    sweep = replace(SWEEP, sample_rate=48000, length=4.0)
    samples = noisy(heard(sweep=sweep), sweep=sweep)
    assert codes(judged(samples, sweep, rate=44100)) == {"wrong_sample_rate"}


def test_lags_run_along_a_line_or_lie_together():
    frequencies = np.geomspace(20.0, 400.0, 12)
    for slope, scatter, runs in ((0.0, 0.0, False), (0.2, 0.0, True), (0.2, 0.3, False)):
        trend = LagTrend(
            frequencies=frequencies, lags=frequencies, slope=slope, upper=slope, scatter=scatter
        )
        assert trend.runs(2.0) is runs
        assert not trend.together
    at_once = LagTrend(
        frequencies=frequencies, lags=frequencies, slope=-1.9, upper=-1.9, scatter=0.0
    )
    assert not at_once.runs(2.0)
    bass_is_late = replace(at_once, slope=-0.2, upper=-0.001)
    assert not bass_is_late.runs(2.0)
    some = np.concatenate((np.zeros(7), 9.0 * frequencies[7:]))
    trend = LagTrend(frequencies=frequencies, lags=some, slope=1.0, upper=1.0, scatter=9.0)
    assert trend.together
    nothing = LagTrend(
        frequencies=np.zeros(0), lags=np.zeros(0), slope=np.nan, upper=np.nan, scatter=np.nan
    )
    assert not nothing.runs(2.0)
    assert not nothing.together


def test_any_rate_that_is_true_is_right():
    shared = scipy.signal.resample_poly(clean(), 441, 160)
    assert codes(judged(shared, rate=44100)) == set()


@pytest.mark.parametrize(
    "changes",
    [
        {"length": 5.0},
        {"length": 10.0},
        {"start": 20.0},
        {"stop": 1000.0},
        {"start": 15.0, "stop": 400.0},
    ],
    ids=str,
)
def test_another_sweep(changes):
    quality = judged(clean(), replace(SWEEP, **changes))
    assert codes(quality) == {"wrong_sweep"}
    assert quality.findings[0].value == pytest.approx(SWEEP.growth, rel=0.03)
    assert quality.bands == ()


def test_a_linear_sweep_and_noise_are_other_excitations():
    length = round(8 * RATE)
    for excitation in (
        scipy.signal.chirp(np.arange(length) / RATE, 10.0, 8.0, 500.0),
        np.random.default_rng(1).standard_normal(length),
    ):
        signal = np.zeros(played().size)
        signal[7 * RATE : 7 * RATE + length] = 0.2 * excitation
        assert codes(judged(through(signal))) <= {"wrong_sweep", "sweep_not_found"}
        assert codes(judged(through(signal)))


def test_noise_alone_holds_no_sweep():
    samples = 0.01 * np.random.default_rng(0).standard_normal(15 * RATE)
    assert codes(judged(samples)) == {"sweep_not_found"}


def test_sweeps_that_are_missing():
    sweep = replace(SWEEP, length=4.0, repeats=2)
    one = convolved(played(replace(sweep, repeats=1)), RATE, 0.5, 0)
    quality = judged(noisy(one, sweep=sweep), sweep)
    assert FindingCode.SWEEPS_MISSING in {one.code for one in quality.findings}


@pytest.mark.parametrize("decay_time", [0.3, 1.0])
def test_lags_in_a_room_hardly_run(decay_time):
    for seat in range(3):
        view = view_recording(recording(clean(decay_time, seat)), played=SWEEP)
        trend = estimate_lag_trend(view)
        assert trend.lags.size >= 10
        assert trend.run < 0.1
        assert trend.scatter < 0.05


@pytest.mark.parametrize("length", [2.0, 2.5, 3.0, 6.0])
def test_a_linear_sweep_is_in_step_with_an_exponential_one_at_its_turn_only(length):
    """Instants of both from 10 to 500 Hz in closed form; twelve bands as they are looked at."""
    bands = np.geomspace(12.5, 400.0, 12)
    linear = length * (bands - 10.0) / 490.0
    exponential = length * np.log(bands / 10.0) / np.log(50.0)
    assert not LagTrend(frequencies=bands, lags=linear - exponential).together
    room = 0.03 * np.cos(np.arange(12.0))
    room[9:] += length * np.array([0.2, -0.3, 0.4])  # three bands of noise
    assert LagTrend(frequencies=bands, lags=room).together
