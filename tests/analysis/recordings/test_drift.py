from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from quality_recordings import RATE, SWEEP, clean, codes, heard, noisy, played, recording

from roomeq.analysis.recordings.drift import mend_clock_drift, mended_finding
from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.base.recording import Recording


@lru_cache(maxsize=32)
def drifted(ppm, *, wire=False, sweep=SWEEP):
    """What a recorder with a faster clock makes of it; the resampling is checked below."""
    samples = 0.5 * played(sweep) if wire else heard(sweep=sweep)
    if ppm == 0.0:
        return samples
    ratio = 1.0 / (1.0 + 1e-6 * ppm)
    return mend_clock_drift(recording(samples), drift_ppm=1e6 * (ratio - 1.0)).samples


@lru_cache(maxsize=32)
def judged(ppm, *, loopback=False, sweep=SWEEP, seed=0):
    samples = noisy(drifted(ppm, sweep=sweep), seed=seed, sweep=sweep)
    if not loopback:
        return judge_recording(recording(samples), sweep)
    wire = drifted(ppm, wire=True, sweep=sweep)
    wire = wire + 1e-5 * np.random.default_rng(seed + 9).standard_normal(wire.size)
    return judge_recording(
        recording(samples), sweep, loopback=recording(wire, channel=2, channels=2)
    )


@pytest.mark.parametrize("drift_ppm", [-150.0, 3.0, 1000.0])
def test_resampling_against_the_closed_form(drift_ppm):
    # Sample n of the result is the signal at time n (1 + drift) / rate.
    times = np.arange(20000) / RATE
    for frequency in (50.0, 5000.0, 0.4 * RATE):
        sine = Recording(samples=np.sin(2 * np.pi * frequency * times), sample_rate=RATE)
        mended = mend_clock_drift(sine, drift_ppm=drift_ppm).samples
        inner = slice(100, 19800)
        exact = np.sin(2 * np.pi * frequency * times[inner] * (1 + 1e-6 * drift_ppm))
        assert np.abs(mended[inner] - exact).max() < 1e-4
        if frequency < 0.3 * RATE:
            assert np.abs(mended[inner] - exact).max() < 1e-5


def test_the_recording_itself_stays_as_it_is():
    one = recording(clean())
    before = one.samples.copy()
    mended = mend_clock_drift(one, drift_ppm=100.0)
    assert np.array_equal(one.samples, before)
    assert mended.samples.size == np.ceil(before.size / 1.0001)
    for drift_ppm in (np.nan, 1001.0, -1001.0):
        with pytest.raises(ValueError, match="drift_ppm"):
            mend_clock_drift(one, drift_ppm=drift_ppm)


@pytest.mark.parametrize("ppm", [-100.0, 0.0, 6.0, 200.0])
def test_drift_by_the_lead_in(ppm):
    drift = judged(ppm).drift
    assert drift.basis == "lead-in"
    assert drift.ppm == pytest.approx(ppm, abs=max(1.0, 0.01 * abs(ppm)))
    assert abs(drift.ppm - ppm) < 4 * drift.uncertainty_ppm


@pytest.mark.parametrize("ppm", [-100.0, 0.0, 1.0, 190.0])
def test_drift_by_the_loopback(ppm):
    drift = judged(ppm, loopback=True).drift
    assert drift.basis == "loopback"
    assert drift.ppm == pytest.approx(ppm, abs=0.2)


@pytest.mark.parametrize("ppm", [0.0, -5.0, 50.0])
def test_drift_by_the_distance_of_sweeps(ppm):
    drift = judged(ppm, sweep=replace(SWEEP, length=4.0, repeats=3)).drift
    assert drift.basis == "repeats"
    assert drift.ppm == pytest.approx(ppm, abs=0.05)


@pytest.mark.parametrize(
    ("ppm", "severity"), [(1.0, None), (6.0, Severity.NOTE), (-100.0, Severity.WARNING)]
)
@pytest.mark.parametrize("loopback", [False, True])
def test_from_where_on_drift_is_named(ppm, severity, loopback):
    found = judged(ppm, loopback=loopback).found(FindingCode.CLOCK_DRIFT)
    assert [one.severity for one in found] == ([] if severity is None else [severity])
    assert all("not mended" in one.what for one in found)
    # Half a millisecond lost at once looks like drift to the lead-in: never more than likely.
    assert all(loopback or one.confidence <= 0.7 for one in found)


def test_mended_by_the_estimate_nothing_is_left():
    samples = noisy(drifted(80.0))
    drift = judge_recording(recording(samples), SWEEP).drift
    mended = mend_clock_drift(recording(samples), drift_ppm=drift.ppm)
    quality = judge_recording(mended, SWEEP)
    assert codes(quality) == set()
    assert abs(quality.drift.ppm) < 1.0


def test_a_single_sweep_without_lead_in_tells_no_drift():
    silent = replace(SWEEP, lead_in_level_dbfs=-300.0)
    assert judge_recording(recording(noisy(heard(sweep=silent))), silent).drift is None


@pytest.mark.parametrize("loopback", [False, True])
def test_what_is_said_of_a_mended_drift(loopback):
    (drift,) = judged(-100.0, loopback=loopback).found(FindingCode.CLOCK_DRIFT)
    said = mended_finding(drift, by="a friend")
    assert said.severity is Severity.NOTE
    assert said.what.endswith("over the sweep; mended by a friend")
    assert "not mended" not in said.what
    kept = ("value", "channel", "start", "stop", "lowest", "highest", "confidence")
    assert [getattr(said, name) for name in kept] == [getattr(drift, name) for name in kept]
