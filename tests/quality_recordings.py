"""Clean recordings of sweeps in modal rooms, at the full rate, and faults to put into them."""

from functools import lru_cache

import numpy as np
import scipy.fft
import scipy.signal
from recorded_rooms import room_response

from roomeq.analysis.sweep import playback_signal
from roomeq.recording import Recording, SweepDescription

RATE = 48000
SWEEP = SweepDescription(
    start=10.0, stop=500.0, length=8.0, level_dbfs=-12.0, lead_in=5.0, pause=2.0, tail=4.0
)
SEATS = ((4.0, 2.3, 1.2), (2.9, 1.4, 1.1), (5.2, 3.1, 1.25), (3.4, 2.0, 0.9))
START = 7.0  # s: lead-in and pause


@lru_cache(maxsize=16)
def impulse_spectrum(decay_time, seat):
    """The room's response on a grid of 1 / (4 decay times), from the modal sum."""
    span = 4.0 * decay_time
    frequencies = np.arange(1, int(2900.0 * span)) / span
    transfer = room_response(frequencies, decay_time=decay_time, seat=SEATS[seat])
    # Above 640 Hz the sum knows no modes any more: there the direct sound carries on.
    rise = 1j * frequencies / 500.0
    direct = np.exp(-2j * np.pi * frequencies * 0.011) * rise / (1.0 + rise)
    level = np.sqrt(np.mean(np.abs(transfer[frequencies < 500.0]) ** 2))
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequencies - 2000.0) / 900.0, 0.0, 1.0))
    return frequencies, (transfer + level * direct) * taper


def convolved(signal, rate, decay_time, seat):
    span = 4.0 * decay_time
    frames = round(span * rate)
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    _, transfer = impulse_spectrum(decay_time, seat)
    spectrum[1 : transfer.size + 1] = transfer
    impulse = scipy.fft.irfft(spectrum, frames)
    impulse[round(0.8 * frames) :] = 0.0  # what rings ahead of time zero has wrapped round to here
    return scipy.signal.fftconvolve(signal, impulse)[: signal.size]


@lru_cache(maxsize=8)
def played(sweep=SWEEP):
    return playback_signal(sweep)[sweep.channel - 1]


@lru_cache(maxsize=12)
def heard(decay_time=0.5, seat=0, sweep=SWEEP, peak=0.4):
    """What the microphone hears, noise-free."""
    samples = convolved(played(sweep), sweep.sample_rate, decay_time, seat)
    return samples * peak / np.abs(samples).max()


def noise_sigma(samples, sweep=SWEEP, *, snr_db=40.0):
    """Standard deviation of white noise that lies `snr_db` below, rms over 10 to 500 Hz."""
    rate = sweep.sample_rate
    first = round((sweep.lead_in + sweep.pause) * rate)
    part = samples[first : first + round(sweep.duration * rate)]
    level = np.sqrt(np.mean(part**2))
    return 10 ** (-snr_db / 20) * level / np.sqrt(490.0 / (rate / 2))


def noisy(samples, *, seed=0, snr_db=40.0, sweep=SWEEP):
    sigma = noise_sigma(samples, sweep, snr_db=snr_db)
    return samples + sigma * np.random.default_rng(seed).standard_normal(samples.size)


def pink_noise(frames, rng):
    """Noise of unit rms whose power falls as 1 / f from 2 Hz on."""
    frequencies = scipy.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum = rng.standard_normal(frequencies.size) + 1j * rng.standard_normal(frequencies.size)
    noise = scipy.fft.irfft(spectrum / np.sqrt(np.maximum(frequencies, 2.0)), frames)
    return noise / np.sqrt(np.mean(noise**2))


def recording(samples, *, rate=None, sweep=SWEEP, **more):
    return Recording(samples=samples, sample_rate=rate or sweep.sample_rate, **more)


def clean(decay_time=0.5, seat=0, seed=0, snr_db=40.0):
    return noisy(heard(decay_time, seat), seed=seed, snr_db=snr_db)


def codes(quality):
    return {finding.code.value for finding in quality.findings}
