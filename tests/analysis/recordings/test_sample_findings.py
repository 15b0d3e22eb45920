import numpy as np
import pytest
from quality_recordings import FULL_RATE as SWEEP
from quality_recordings import clean, codes, heard, held, lost, noisy, recording, repeated

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.recordings.samples import sample_facts, sample_findings
from roomeq.base.recording import Recording

RATE = 48000


def judged(samples):
    return judge_recording(recording(samples, sweep=SWEEP), SWEEP)


def clipped(samples, depth_db):
    limit = np.abs(samples).max() * 10 ** (-depth_db / 20)
    return np.clip(samples, -limit, limit)


def test_facts_are_those_of_numpy():
    samples = 0.1 + 0.3 * np.random.default_rng(0).standard_normal(200_000)
    facts = sample_facts(Recording(samples=samples, sample_rate=RATE))
    assert (facts.lowest, facts.highest) == (samples.min(), samples.max())
    assert facts.mean == pytest.approx(samples.mean())
    assert facts.peak_dbfs == pytest.approx(20 * np.log10(np.abs(samples - samples.mean()).max()))


@pytest.mark.parametrize(
    ("depth_db", "seen"), [(0.05, False), (0.5, True), (1.0, True), (6.0, True)]
)
def test_clipping_well_below_full_scale(depth_db, seen):
    # Clipped by the converter, so the noise is clipped with it; the limit lies at -8 dBFS or below.
    samples = clipped(clean(sweep=SWEEP), depth_db)
    found = judged(samples).found(FindingCode.CLIPPING)
    assert bool(found) is seen
    for finding in found:
        assert finding.value == pytest.approx(20 * np.log10(np.abs(samples).max()), abs=0.02)
        assert finding.severity is Severity.FAULT
        inside = np.flatnonzero(np.abs(samples) >= np.abs(samples).max() * (1 - 1e-9)) / RATE
        assert finding.start >= inside[0] - 0.02
        assert finding.stop <= inside[-1] + 0.02


@pytest.mark.parametrize(("depth_db", "seen"), [(0.02, False), (1.0, True)])
def test_clipping_ahead_of_the_converter_is_blurred_by_noise(depth_db, seen):
    samples = noisy(clipped(heard(sweep=SWEEP), depth_db), snr_db=60.0, sweep=SWEEP)
    assert bool(judged(samples).found(FindingCode.CLIPPING)) is seen


@pytest.mark.parametrize("frequency", [10.3, 97.3, 441.7])
def test_a_steady_sine_is_not_clipped(frequency):
    # Arcsine law: 2.4 times as many samples within d of the top as within the next d.
    times = np.arange(4 * RATE) / RATE
    sine = Recording(samples=np.sin(2 * np.pi * frequency * times), sample_rate=RATE)
    assert list(sample_findings(sine, sample_facts(sine), None)) == []


@pytest.mark.parametrize("level", [0.3, 0.003])
def test_the_top_code_of_a_quantiser_is_no_clipping(level):
    times = np.arange(4 * RATE) / RATE
    samples = np.round(level * np.sin(2 * np.pi * 10.3 * times) * 2**15) / 2**15
    one = Recording(samples=samples, sample_rate=RATE)
    assert not [
        found
        for found in sample_findings(one, sample_facts(one), None)
        if found.code is FindingCode.CLIPPING
    ]


def test_the_corners_of_clipping_are_no_jumps():
    assert codes(judged(clipped(heard(sweep=SWEEP), 1.0))) == {"clipping"}


@pytest.mark.parametrize(("offset", "seen"), [(0.002, False), (0.008, True), (-0.2, True)])
def test_direct_current(offset, seen):
    found = judged(clean(sweep=SWEEP) + offset).found(FindingCode.DC_OFFSET)
    assert bool(found) is seen
    if seen:
        assert found[0].value == pytest.approx(offset, abs=2e-4)


@pytest.mark.parametrize(("peak_dbfs", "seen"), [(-44.0, False), (-52.0, True)])
def test_too_little_level_in_16_bits(peak_dbfs, seen):
    samples = clean(sweep=SWEEP).copy()
    samples *= 10 ** (peak_dbfs / 20) / np.abs(samples).max()
    quality = judged(np.round(samples * 2**15) / 2**15)
    assert codes(quality) == ({"low_level", "gain_unknown"} if seen else set())


def test_a_silent_channel_says_nothing_else():
    for samples in (np.zeros(RATE), np.full(RATE, 0.3)):
        quality = judged(samples)
        assert codes(quality) == {"silent_channel"}
        assert quality.findings[0].severity is Severity.FAULT
        assert quality.bands == ()


@pytest.mark.parametrize("change", [held, repeated])
@pytest.mark.parametrize("count", [64, 256, 1024])
def test_held_and_repeated_blocks_are_seen_and_placed(change, count):
    quality = judged(change(clean(sweep=SWEEP), 10.3, count, rate=RATE))
    found = quality.found(FindingCode.DROPPED_SAMPLES)
    assert len(quality.findings) == len(found) == 1  # what it does to the sweep is not told twice
    assert found[0].value == count
    assert found[0].start == pytest.approx(10.3, abs=1e-3)
    # The sweep passes 52 Hz 3.3 s after its start.
    assert found[0].lowest == pytest.approx(10.0 * np.exp(3.3 / SWEEP.growth), rel=0.02)


def test_a_loss_is_seen_as_a_jump_where_the_noise_is_low():
    found = judged(
        lost(noisy(heard(sweep=SWEEP), snr_db=80.0, sweep=SWEEP), 10.3, 300, rate=RATE)
    ).found(FindingCode.DROPPED_SAMPLES)
    jumps = [one for one in found if "jump" in one.what]
    assert jumps
    assert jumps[0].start == pytest.approx(10.3, abs=1e-3)


def test_direct_current_is_judged_by_the_peak_too():
    # 0.2 % of full scale, but a quarter of the peak.
    assert codes(judged(0.02 * clean(sweep=SWEEP) + 0.002)) == {"dc_offset"}
