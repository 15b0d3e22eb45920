"""The whole judgement: no false alarms, all of it kept, nothing changed, memory bounded."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from quality_recordings import (
    FULL_RATE,
    RATE,
    SWEEP,
    clean,
    codes,
    heard,
    noisy,
    pink_noise,
    recording,
    slam,
)

from roomeq.analysis.recordings.quality import (
    Severity,
    judge_recording,
)
from roomeq.base.recording import Recording


@pytest.mark.parametrize("decay_time", [0.3, 1.0])
@pytest.mark.parametrize("seat", range(4))
def test_a_clean_recording_has_no_finding(decay_time, seat):
    # 40 dB signal-to-noise ratio; many more, and other kinds, in the benchmark.
    quality = judge_recording(recording(clean(decay_time, seat, seed=seat)), SWEEP)
    assert quality.findings == ()
    assert quality.snr_db.min() > 25.0


@pytest.mark.parametrize("kind", ["noise-free", "pink", "16 bits", "24 bits", "two sweeps"])
def test_other_clean_recordings_have_none_either(kind):
    sweep, samples = SWEEP, heard(0.5, 2)
    if kind == "pink":
        rms = np.sqrt(np.mean(samples**2))
        samples = samples + 0.01 * rms * pink_noise(samples.size, np.random.default_rng(2))
    elif kind.endswith("bits"):
        steps = 2.0 ** (int(kind[:2]) - 1)
        samples = np.round(0.2 * noisy(samples) * steps) / steps
    elif kind == "two sweeps":
        sweep = replace(SWEEP, length=5.0, repeats=2)
        samples = noisy(heard(0.5, 2, sweep), sweep=sweep)
    assert codes(judge_recording(recording(samples), sweep)) == set()


def test_findings_come_worst_first_and_the_figures_are_kept():
    samples = clean() + 0.012 * slam(clean().size, 13.0) + 0.02
    quality = judge_recording(recording(samples, path="seat.flac"), SWEEP)
    ranks = [list(reversed(Severity)).index(one.severity) for one in quality.findings]
    assert ranks == sorted(ranks)
    assert len(quality.bands) == quality.snr_db.size
    assert not quality.snr_db.flags.writeable
    assert quality.starts[0] == pytest.approx(7.0, abs=0.03)
    assert quality.duration == pytest.approx(samples.size / RATE)


def test_memory_stays_below_three_times_a_channel():
    one = recording(clean(sweep=FULL_RATE), sweep=FULL_RATE)
    judge_recording(one, FULL_RATE)
    tracemalloc.start()
    judge_recording(one, FULL_RATE)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert one.samples.nbytes + peak < 3 * one.samples.nbytes


def test_the_recording_stays_as_it_is():
    samples = clean()
    one = recording(samples)
    judge_recording(one, SWEEP)
    assert np.array_equal(one.samples, samples)


def test_channels_of_two_files_are_refused():
    one = recording(clean())
    for other in (
        Recording(samples=clean()[1:], sample_rate=RATE),
        Recording(samples=clean(), sample_rate=RATE + 1),
    ):
        with pytest.raises(ValueError, match="channels of one file"):
            judge_recording(one, SWEEP, loopback=other)


def test_one_after_the_other_they_are_judged_against_the_earlier():
    several = [
        recording(clean(seat=seat, seed=seed), path=f"{seat}{seed}.wav")
        for seat, seed in ((0, 0), (1, 1), (0, 0))
    ]
    earlier = []
    alone = [judge_recording(one, SWEEP, earlier=earlier) for one in several]
    assert [codes(one) for one in alone] == [set(), set(), {"same_recording"}]
