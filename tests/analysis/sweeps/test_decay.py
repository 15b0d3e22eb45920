import math
import subprocess
import sys
import tarfile
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from roomeq.analysis.sweeps.decay import _band_filter, decay_curve_db, estimate_decay
from roomeq.analysis.sweeps.deconvolution import prepare_inverse
from roomeq.analysis.sweeps.response import estimate_sweep_response
from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.recording import ImpulseResponse, Recording, SweepDescription
from roomeq.importers.sweep_files import read_recording


def decaying_noise(decay_time, *, rate=4000.0, end=4.0, floor_db=-math.inf, seed=0):
    rng = np.random.default_rng(seed)
    times = np.arange(-0.2, end, 1 / rate)
    samples = rng.standard_normal(times.size) * 10 ** (-3 * np.maximum(times, 0) / decay_time)
    samples[times < 0] = 0.0
    samples += 10 ** (floor_db / 20) * rng.standard_normal(times.size)
    return ImpulseResponse(
        samples=samples, sample_rate=rate, start=-0.2, lowest=40.0, highest=1500.0
    )


@pytest.mark.parametrize("decay_time", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("floor_db", [-math.inf, -60.0, -52.0])
def test_a_known_decay_is_found(decay_time, floor_db):
    # Gaussian noise under an exponential: T20 = T30 = T by construction. Mean of six seeds and of
    # the octaves from 250 Hz, within three standard errors: 0.88 sqrt(1.19 / BT) for T20 and
    # 0.55 sqrt(1.152 / BT) for T30 of one (ISO 3382-2, integrated impulse response; from memory),
    # B = 0.71 f. That of the mean curvature was seen over 24 seeds.
    found = [
        estimate_decay(decaying_noise(decay_time, floor_db=floor_db, seed=s)) for s in range(6)
    ]
    t20 = np.array([d.t20 for d in found])[:, 2:]
    t30 = np.array([d.t30 for d in found])[:, 2:]
    bands = np.mean(1 / (0.71 * np.array([250.0, 500.0, 1000.0]) * decay_time)) / (3 * 6)
    assert t20.mean() == pytest.approx(decay_time, rel=3 * 0.88 * np.sqrt(1.19 * bands))
    assert t30.mean() == pytest.approx(decay_time, rel=3 * 0.55 * np.sqrt(1.152 * bands))
    error_percent = {0.5: 1.5, 1.0: 0.92, 2.0: 0.54}[decay_time]
    assert np.abs(np.mean(100.0 * (t30 / t20 - 1.0))) < 3 * error_percent


def test_noise_does_not_lengthen_the_decay():
    # As above, with the noise only just low enough for T30: 1 % over 12 realisations, of which one
    # standard error is 0.8 % at 0.5 s and 0.5 % at 1 s. Left in, the
    # noise would lengthen it by 1.3 to 1.8 % (seen when it was).
    for decay_time in (0.5, 1.0):
        found = [
            estimate_decay(decaying_noise(decay_time, floor_db=-49.0, seed=s)).t30[2:]
            for s in range(12)
        ]
        assert np.mean(found) == pytest.approx(decay_time, rel=0.01)


def test_a_straight_decay_has_a_straight_curve():
    # Schroeder integral of an exponential is that exponential.
    times = np.arange(0, 3, 1e-4)
    curve = decay_curve_db(10 ** (-6.0 * times / 1.0))
    assert curve[0] == 0.0
    inner = times < 1.5
    np.testing.assert_allclose(curve[inner], -60.0 * times[inner], atol=0.01)


def test_too_little_range_is_nan_and_said():
    # ISO 3382-2: the noise must lie 10 dB below the range: 35 dB for T20, 45 dB for T30.
    # The floor of -38 dB is that of the whole spectrum, so it is that of each band as well.
    found = estimate_decay(decaying_noise(1.0, floor_db=-38.0))
    assert np.isfinite(found.t20[2:]).all()
    assert np.isnan(found.t30).all()
    none = estimate_decay(decaying_noise(1.0, floor_db=-20.0))
    assert np.isnan(none.t20).all()
    assert np.isnan(none.longest)
    assert none.governed_by_filter.all()


def test_where_the_filter_governs_it_is_said():
    # ISO 3382-2:2008, 7.3: bandwidth times decay time above 16.
    found = estimate_decay(decaying_noise(0.3), bands_per_octave=3)
    product = found.bandwidths * found.times
    np.testing.assert_array_equal(found.governed_by_filter, ~(product >= 16.0))
    assert found.governed_by_filter[0]
    assert not found.governed_by_filter[-1]
    # A third octave at 63 Hz is 14.56 Hz wide (IEC 61260-1): 0.3 s make 4.4, so it is governed.
    at_63 = int(np.argmin(np.abs(found.frequencies - 63.1)))
    assert found.bandwidths[at_63] == pytest.approx(14.5604, abs=1e-3)
    assert found.governed_by_filter[at_63]


def test_bands_are_whole_and_standard():
    octaves = estimate_decay(decaying_noise(1.0))
    np.testing.assert_allclose(
        octaves.frequencies, [63.0957, 125.8925, 251.1886, 501.1872, 1000.0], rtol=1e-5
    )
    thirds = estimate_decay(decaying_noise(1.0), bands_per_octave=3)
    assert thirds.frequencies[0] == pytest.approx(50.1187, rel=1e-5)
    assert thirds.frequencies[-1] == pytest.approx(1258.925, rel=1e-5)


# IEC 61260-1:2014, Table 1, class 1, third octaves (check values, section 1): frequency over
# mid-band frequency, least and greatest attenuation in dB.
CLASS_1 = [
    (1.0, -0.4, 0.4),
    (1.02667, -0.4, 0.5),
    (1.05575, -0.4, 0.7),
    (1.08746, -0.4, 1.4),
    (1.12201, -0.4, 5.3),
    (1.12203, 1.2, math.inf),
    (1.29437, 16.6, math.inf),
    (1.88173, 40.5, math.inf),
    (3.05365, 60.0, math.inf),
    (5.39195, 70.0, math.inf),
]


@pytest.mark.parametrize(("ratio", "least", "greatest"), CLASS_1)
def test_band_filters_are_of_class_1(ratio, least, greatest):
    centre, rate = 100.0, 4000.0
    sections = _band_filter(centre * 10**-0.05, centre * 10**0.05, rate)
    for frequency in (centre * ratio, centre / ratio):
        _, response = scipy.signal.sosfreqz(sections, [frequency], fs=rate)
        attenuation = -20 * np.log10(np.abs(response[0]))
        assert least <= attenuation + 1e-6
        assert attenuation <= greatest + 1e-6


def test_misuse():
    response = decaying_noise(1.0)
    with pytest.raises(ValueError, match="no whole band"):
        estimate_decay(
            ImpulseResponse(
                samples=response.samples, sample_rate=4000.0, start=0.0, lowest=50.0, highest=60.0
            )
        )
    with pytest.raises(ValueError, match="one impulse response"):
        estimate_decay(
            ImpulseResponse(
                samples=np.zeros((2, 99)), sample_rate=4000.0, start=0.0, lowest=50.0, highest=600.0
            )
        )
    with pytest.raises(ValueError, match="beyond time zero"):
        estimate_decay(
            ImpulseResponse(
                samples=np.zeros(99), sample_rate=4000.0, start=-9.0, lowest=50.0, highest=600.0
            )
        )


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Measured responses that the source distribution of acoustics 0.2.6 (BSD) carries."""
    folder = tmp_path_factory.mktemp("measured")
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:"]
    command += ["-q", "-d", str(folder), "acoustics==0.2.6"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip("the package registry does not answer")
    archives = list(folder.glob("*.tar.gz"))
    if not archives:
        pytest.skip(f"acoustics 0.2.6 is not to be had: {done.stderr.strip()[-200:]}")
    with tarfile.open(archives[0]) as archive:
        archive.extractall(folder, filter="data")
    return folder / "acoustics-0.2.6" / "tests" / "data"


def read_measured(path):
    recording = read_recording(path)
    magnitude = np.abs(recording.samples)
    onset = int(np.argmax(magnitude > 0.1 * magnitude.max()))
    return ImpulseResponse(
        samples=recording.samples,
        sample_rate=recording.sample_rate,
        start=-onset / recording.sample_rate,
        lowest=40.0,
        highest=12000.0,
    )


@pytest.mark.network
def test_a_measured_living_room(measured):
    # T30 and T20 by octave from 63 Hz, as published in that package's own tests. The lowest octave
    # is governed by the filter (44 Hz wide, 0.27 s), whose order differs; 5 % elsewhere.
    found = estimate_decay(read_measured(measured / "living_room_1.wav"))
    t30 = [0.274, 0.365, 0.303, 0.259, 0.227, 0.211, 0.204, 0.181]
    t20 = [0.300, 0.365, 0.151, 0.156, 0.102, 0.076, 0.146, 0.152]
    np.testing.assert_allclose(found.t30[1:], t30[1:], rtol=0.05)
    np.testing.assert_allclose(found.t20[1:], t20[1:], rtol=0.05)
    assert found.governed_by_filter.tolist() == [True] + 7 * [False]


@pytest.mark.network
def test_a_measured_hall(measured):
    # As published, 1 to 4 kHz, where the noise lies 60 dB down. Below, the published figures do
    # not take the noise out and are too long: 7.4 s at 125 Hz against 5.3 s here and 4.9 s by
    # pyrato 1.1.0 (energy_decay_curve_chu_lundeby), whose values at 250 Hz and up stand here too.
    found = estimate_decay(read_measured(measured / "ir_sportscentre_omni.wav"))
    np.testing.assert_allclose(found.t30[4:7], [6.518, 4.797, 4.089], rtol=0.02)
    by_pyrato = [6.0215, 6.5357, 6.4341, 4.7947, 4.0101]
    np.testing.assert_allclose(found.t30[2:7], by_pyrato, rtol=0.04)


@pytest.mark.network
def test_a_measured_room_through_a_sweep(measured):
    # The measured living room heard through a sweep at its own 44.1 kHz, noise 120 dB down: the
    # response that comes back decays as the measured one does.
    direct = read_measured(measured / "living_room_1.wav")
    rate = int(direct.sample_rate)
    sweep = SweepDescription(start=20.0, stop=15000.0, length=6.0, sample_rate=rate, tail=3.0)
    heard = scipy.signal.fftconvolve(playback_signal(sweep)[0], direct.samples)
    heard *= 0.1 / np.abs(heard).max()
    heard += 1e-7 * np.random.default_rng(1).standard_normal(heard.size)
    recording = Recording(samples=heard, sample_rate=rate)
    inverse = prepare_inverse(sweep, sample_rate=rate, frames=heard.size)
    found = estimate_sweep_response(recording, inverse=inverse)
    # What was measured ends after 0.9 s with its own noise: look at the same stretch.
    impulse, frames = (
        found.impulse_response,
        round((direct.end - found.impulse_response.start) * rate),
    )
    cut = replace(impulse, samples=impulse.samples[:frames], lowest=40.0, highest=12000.0)
    decay = estimate_decay(cut)
    expected = estimate_decay(direct)
    np.testing.assert_allclose(decay.t20[1:], expected.t20[1:], rtol=0.03)
    np.testing.assert_allclose(decay.t30[1:], expected.t30[1:], rtol=0.03)
