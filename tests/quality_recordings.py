"""Clean recordings of sweeps in modal rooms, at the full rate, and faults to put into them."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import scipy.fft
import scipy.signal
from recorded_rooms import room_response

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.recording import Recording, SweepDescription

RATE = 16000  # carries the bass and the harmonics that are looked at; quick
SWEEP = SweepDescription(
    start=10.0,
    stop=500.0,
    length=8.0,
    level_dbfs=-12.0,
    sample_rate=RATE,
    lead_in=5.0,
    pause=2.0,
    tail=4.0,
)
FULL_RATE = replace(SWEEP, sample_rate=48000)
SEATS = ((4.0, 2.3, 1.2), (2.9, 1.4, 1.1), (5.2, 3.1, 1.25), (3.4, 2.0, 0.9))
START = 7.0  # s: lead-in and pause


@lru_cache(maxsize=32)
def impulse_spectrum(decay_time, seat):
    """The room's response on a grid of 1 / (4 decay times), from the modal sum."""
    span = 4.0 * decay_time
    frequencies = np.arange(1, int(2900.0 * span)) / span
    modal = frequencies < 800.0
    transfer = np.zeros(frequencies.size, dtype=complex)
    transfer[modal] = room_response(frequencies[modal], decay_time=decay_time, seat=SEATS[seat])
    transfer *= 0.5 + 0.5 * np.cos(np.pi * np.clip((frequencies - 550.0) / 250.0, 0.0, 1.0))
    # Above 640 Hz the sum knows no modes any more: there the direct sound carries on.
    rise = 1j * frequencies / 500.0
    direct = np.exp(-2j * np.pi * frequencies * 0.011) * rise / (1.0 + rise)
    level = np.sqrt(np.mean(np.abs(transfer[frequencies < 500.0]) ** 2))
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequencies - 2000.0) / 900.0, 0.0, 1.0))
    return frequencies, (transfer + level * direct) * taper


@lru_cache(maxsize=16)
def impulse_response(rate, decay_time, seat):
    span = 4.0 * decay_time
    frames = round(span * rate)
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    _, transfer = impulse_spectrum(decay_time, seat)
    spectrum[1 : transfer.size + 1] = transfer
    # beyond that, what rings ahead of time zero has wrapped round
    return scipy.fft.irfft(spectrum, frames)[: round(0.8 * frames)]


def convolved(signal, rate, decay_time, seat):
    impulse = impulse_response(rate, decay_time, seat)
    return scipy.signal.oaconvolve(signal, impulse)[: signal.size]


@lru_cache(maxsize=8)
def played(sweep=SWEEP):
    return playback_signal(sweep)[sweep.channel - 1]


@lru_cache(maxsize=24)
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


def pink_noise(frames, rng, *, rate=RATE):
    """Noise of unit rms whose power falls as 1 / f from 2 Hz on."""
    frequencies = scipy.fft.rfftfreq(frames, 1.0 / rate)
    spectrum = rng.standard_normal(frequencies.size) + 1j * rng.standard_normal(frequencies.size)
    noise = scipy.fft.irfft(spectrum / np.sqrt(np.maximum(frequencies, 2.0)), frames)
    return noise / np.sqrt(np.mean(noise**2))


def recording(samples, *, rate=None, sweep=SWEEP, **more):
    return Recording(samples=samples, sample_rate=rate or sweep.sample_rate, **more)


@lru_cache(maxsize=16)
def clean(decay_time=0.5, seat=0, seed=0, snr_db=40.0, sweep=SWEEP):
    samples = noisy(heard(decay_time, seat, sweep), seed=seed, snr_db=snr_db, sweep=sweep)
    samples.setflags(write=False)  # the next caller gets the same
    return samples


def codes(quality):
    return {finding.code.value for finding in quality.findings}


def place(at, *, rate=RATE):
    """Sample of a time within the recording."""
    return round(at * rate)


@lru_cache(maxsize=4)
def slam(frames, at, *, seed=5):
    """A burst of low noise that dies away within a quarter of a second; peak 1."""
    times = np.arange(frames) / RATE - at
    noise = np.random.default_rng(seed).standard_normal(frames)
    noise *= np.exp(-np.maximum(times, 0.0) * 28.0) * (times >= 0)
    sos = scipy.signal.butter(2, (25.0, 150.0), "bandpass", fs=RATE, output="sos")
    samples = scipy.signal.sosfilt(sos, noise)
    return samples / np.abs(samples).max()


@lru_cache(maxsize=4)
def voice(frames, at):
    """A second and a half of a gliding tone of 120 Hz with fourteen harmonics; peak 1."""
    times = np.arange(frames) / RATE - at
    loudness = np.sin(2 * np.pi * 3 * times) ** 2 * ((times > 0) & (times < 1.5))
    phase = 2 * np.pi * np.cumsum(120.0 + 15.0 * np.sin(4 * np.pi * times)) / RATE
    samples = loudness * sum(np.sin(order * phase) / order for order in range(1, 15))
    return samples / np.abs(samples).max()


def lost(samples, at, count, *, rate=RATE):
    first = place(at, rate=rate)
    return np.concatenate((samples[:first], samples[first + count :], samples[-count:]))


def repeated(samples, at, count, *, rate=RATE):
    first, changed = place(at, rate=rate), samples.copy()
    changed[first : first + count] = changed[first - count : first]
    return changed


def held(samples, at, count, *, rate=RATE):
    first, changed = place(at, rate=rate), samples.copy()
    changed[first : first + count] = 0.0
    return changed
