from functools import cache

import numpy as np
import pytest
import scipy.signal
from quality_recordings import (
    RATE,
    SWEEP,
    clean,
    codes,
    heard,
    noisy,
    place,
    recording,
    slam,
    voice,
)
from scipy.integrate import trapezoid

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.model import model_sweep, view_recording
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.recordings.residual import disturbance_findings

PEAK = 0.4


def disturbances(samples):
    quality = judge_recording(recording(samples), SWEEP)
    return quality.found(FindingCode.DISTURBANCE)


@cache
def disturbed(event, at, level_db):
    """What is found of an event beside a clean recording."""
    samples = clean()
    return disturbances(samples + PEAK * 10 ** (level_db / 20) * event(samples.size, at))


@pytest.mark.parametrize("event", [slam, voice])
@pytest.mark.parametrize(
    ("at", "level_db"), [(9.0, -20.0), (11.0, -20.0), (13.0, -20.0), (11.0, 0.0)]
)
def test_a_slam_or_a_voice_is_seen_and_placed(event, at, level_db):
    # Peak of the event relative to that of the sweep; 40 dB signal-to-noise ratio.
    found = disturbed(event, at, level_db)
    assert found
    longest = max(found, key=lambda one: one.stop - one.start)
    assert at - 0.4 < longest.start < at + 0.6
    assert longest.stop < at + (0.8 if event is slam else 2.0)


@pytest.mark.parametrize("event", [slam, voice])
def test_the_louder_the_worse_and_the_threshold(event):
    worst = []
    for level_db in (-10.0, -20.0, -30.0, -55.0):
        found = disturbed(event, 13.0, level_db)
        worst.append(max((one.value for one in found), default=-np.inf))
    assert worst == sorted(worst, reverse=True)
    assert worst[0] > -25.0
    assert worst[-1] == -np.inf


def test_what_is_heard_in_lead_in_or_after_the_tail_does_no_harm():
    for at in (3.0, 17.5):
        assert not disturbed(slam, at, -20.0)


def test_the_figure_is_the_energy_against_that_of_the_sweep():
    # A tone of 20 Hz and 0.4 s at 13 s, when the sweep has long passed it: energy a^2 / 2 times
    # 0.4 s (less its ramps), against the integral of (A |H|)^2 / 2 * L df / f over the octave.
    samples = noisy(heard(), snr_db=60.0)
    times = np.arange(samples.size) / RATE - 13.0
    tone = 0.05 * np.sin(2 * np.pi * 20.0 * times) * np.hanning(place(0.4)).max()
    ramp = np.clip(np.minimum(times, 0.4 - times) / 0.1, 0.0, 1.0)
    model = model_sweep(view_recording(recording(samples + tone * ramp), played=SWEEP))
    found = list(disturbance_findings(model))
    energy = float(np.sum((tone * ramp) ** 2) / RATE)
    axis, pressure = model.frequencies, model.spectrum
    low, high = model.band[0], model.band[1] / 16
    inside = (axis >= low) & (axis < high)
    heard_energy = trapezoid(
        0.5 * (SWEEP.amplitude * np.abs(pressure[inside])) ** 2 * SWEEP.growth / axis[inside],
        axis[inside],
    )
    assert found[0].value == pytest.approx(10 * np.log10(energy / heard_energy), abs=1.0)
    assert found[0].lowest == pytest.approx(low)


def test_distortion_of_the_driver_is_no_disturbance():
    from quality_recordings import convolved, played

    drive = played()
    for second, third in ((0.2, 0.0), (0.0, 0.5), (0.1, 0.3)):
        bent = convolved(drive + second * drive**2 + third * drive**3, RATE, 0.5, 1)
        bent *= PEAK / np.abs(bent).max()
        assert codes(judge_recording(recording(noisy(bent)), SWEEP)) == set()


@pytest.mark.parametrize(("low", "high"), [(1.0, 0.3), (1.5, 0.4)])
def test_a_bass_that_rings_three_times_as_long_is_no_disturbance(low, high):
    below = scipy.signal.butter(2, 80.0, "lowpass", fs=RATE, output="sos")
    above = scipy.signal.butter(2, 80.0, "highpass", fs=RATE, output="sos")
    for seat in range(2):
        samples = scipy.signal.sosfilt(below, heard(low, seat))
        samples -= scipy.signal.sosfilt(above, heard(high, seat))
        assert codes(judge_recording(recording(noisy(samples)), SWEEP)) == set()


def test_severity_follows_what_it_does_to_the_response():
    severities = [
        max((one.severity for one in disturbed(voice, 13.0, level_db)), default=None)
        for level_db in (-10.0, -20.0, -40.0)
    ]
    assert severities[2] is Severity.NOTE
    faults = disturbed(voice, 13.0, -10.0)
    assert Severity.FAULT in {one.severity for one in faults}
