"""Sweeps, rooms, noise and faults for `bench_wrong_sweeps`, sharing nothing with the library.

A room is a sum of decaying modes of a box, a direct sound and a diffuse tail, through the high-pass
of a subwoofer and perhaps a low-pass; its impulse response is known sample by sample, so that the
truth is its Fourier transform. Samples are fractions of full scale, times in s, frequencies in Hz.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal

SPEED = 343.0


def exponential(start, stop, length, rate, *, peak=0.5, fade=0.01):
    """A sweep whose frequency grows exponentially, exactly `length` long, from phase 0 on."""
    times = np.arange(round(length * rate)) / rate
    growth = length / np.log(stop / start)
    signal = peak * np.sin(2 * np.pi * start * growth * np.expm1(times / growth))
    return _faded(signal, round(fade * rate))


def linear(start, stop, length, rate, *, peak=0.5, fade=0.01):
    """A sweep whose frequency grows steadily."""
    times = np.arange(round(length * rate)) / rate
    phase = 2 * np.pi * (start * times + 0.5 * (stop - start) / length * times**2)
    return _faded(peak * np.sin(phase), round(fade * rate))


def _faded(signal, count):
    ramp = np.arange(count) / count
    signal[:count] *= ramp
    signal[signal.size - count :] *= ramp[::-1]
    return signal


def room(rng, rate, *, decay=0.5, subwoofer=True):
    """An impulse response, from the moment of emission on."""
    sides = rng.uniform((3.2, 2.8, 2.2), (8.0, 5.5, 3.2))
    source = rng.uniform(0.05, 0.3, 3) * sides
    seat = rng.uniform(0.3, 0.9, 3) * sides
    times = np.arange(round(3.2 * decay * rate)) / rate
    order = np.stack(np.meshgrid(*[np.arange(14)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    frequency = 0.5 * SPEED * np.sqrt(((order / sides) ** 2).sum(axis=1))
    known = (frequency > 1.0) & (frequency < 320.0)
    order, frequency = order[known], frequency[known]
    weight = np.cos(np.pi * order * source / sides).prod(axis=1)
    weight *= np.cos(np.pi * order * seat / sides).prod(axis=1) * 2.0 ** np.count_nonzero(
        order, axis=1
    )
    damping = 6.91 / (decay * rng.uniform(0.6, 1.3, frequency.size))
    coarse = np.arange(-(-times.size // 16)) * (16 / rate)
    turns = np.exp(np.outer(coarse[:64], 2j * np.pi * frequency - damping))
    jumps = np.exp(np.outer(coarse[::64], 2j * np.pi * frequency - damping)) * weight
    modal = (turns[None] * jumps[:, None]).sum(axis=2).imag.ravel()[: coarse.size]
    modal = 0.02 * scipy.signal.resample_poly(modal, 16, 1)[: times.size]
    travel = np.linalg.norm(seat - source) / SPEED
    more = 48000.0 / rate  # the same room at every rate
    modal *= 0.02 * more
    diffuse = rng.standard_normal(times.size) * np.exp(-6.91 * times / (0.7 * decay))
    diffuse *= np.sqrt(more)
    high = scipy.signal.butter(4, 250.0, "highpass", fs=rate, output="sos")
    impulse = modal + 0.02 * scipy.signal.sosfilt(high, diffuse)
    impulse[0] += 1.0
    corner, steep = rng.uniform(16.0, 30.0), int(rng.choice([2, 4]))
    impulse = scipy.signal.sosfilt(
        scipy.signal.butter(steep, corner, "highpass", fs=rate, output="sos"), impulse
    )
    if subwoofer:
        low = scipy.signal.butter(2, rng.uniform(80.0, 140.0), fs=rate, output="sos")
        impulse = scipy.signal.sosfilt(low, scipy.signal.sosfilt(low, impulse))
    return np.concatenate((np.zeros(round(travel * rate)), impulse))


def through(signal, impulse):
    """What arrives, as long as signal and impulse response together."""
    return scipy.signal.oaconvolve(signal, impulse)


def truth(impulse, rate, frequencies):
    """Level of an impulse response in dB."""
    size = max(2**18, scipy.fft.next_fast_len(8 * impulse.size, real=True))
    size = scipy.fft.next_fast_len(max(size, round(rate / 0.05)), real=True)
    axis = scipy.fft.rfftfreq(size, 1.0 / rate)
    upto = int(np.searchsorted(axis, 1.1 * frequencies[-1])) + 2
    spectrum = scipy.fft.rfft(impulse, size)[:upto]
    axis = axis[:upto]
    value = np.interp(frequencies, axis, spectrum.real) + 1j * np.interp(
        frequencies, axis, spectrum.imag
    )
    return 20.0 * np.log10(np.maximum(np.abs(value), 1e-12))


def noise(rng, count, rate, colour):
    """White, pink or brown noise of unit rms over 10 to 500 Hz."""
    size = scipy.fft.next_fast_len(count, real=True)
    axis = scipy.fft.rfftfreq(size, 1.0 / rate)
    spectrum = rng.standard_normal(axis.size) + 1j * rng.standard_normal(axis.size)
    slope = {"white": 0.0, "pink": -0.5, "brown": -1.0}[colour]
    spectrum *= np.maximum(axis, 8.0) ** slope
    inside = (axis >= 10) & (axis <= 500)
    power = np.sum(np.abs(spectrum[inside]) ** 2) * 2.0 / size**2
    return scipy.fft.irfft(spectrum, size)[:count] / np.sqrt(power)


def hum(rng, count, rate, mains):
    """Mains hum with harmonics; the fundamental's amplitude is 1."""
    times = np.arange(count) / rate
    mains = mains * (1.0 + rng.uniform(-4e-4, 4e-4))
    parts = {1: 1.0, 2: 0.5, 3: 0.4, 5: 0.2}
    return sum(
        level * np.sin(2 * np.pi * order * mains * times + rng.uniform(0, 6.3))
        for order, level in parts.items()
    )


def slam(rng, count, rate, at):
    """A door: band noise that dies away within a third of a second; peak 1."""
    times = np.arange(count) / rate - at
    burst = rng.standard_normal(count) * np.exp(-np.maximum(times, 0.0) * 20.0) * (times >= 0)
    sos = scipy.signal.butter(2, (30.0, 260.0), "bandpass", fs=rate, output="sos")
    burst = scipy.signal.sosfilt(sos, burst)
    return burst / np.abs(burst).max()


def voice(rng, count, rate, at):
    """Two seconds of a gliding tone with many harmonics; peak 1."""
    times = np.arange(count) / rate - at
    loud = np.sin(2 * np.pi * 2.5 * times) ** 2 * ((times > 0) & (times < 2.0))
    pitch = rng.uniform(95.0, 180.0)
    phase = 2 * np.pi * np.cumsum(pitch + 12.0 * np.sin(4 * np.pi * times)) / rate
    talk = loud * sum(np.sin(order * phase) / order for order in range(1, 12))
    return talk / np.abs(talk).max()


def gain_control(samples, rate, *, most_db, attack=0.05, release=1.5):
    """A recorder that turns itself down when it gets loud: by `most_db` at the loudest."""
    hop = round(0.01 * rate)
    frames = -(-samples.size // hop)
    padded = np.pad(samples, (0, frames * hop - samples.size)).reshape(frames, hop)
    level = np.sqrt((padded**2).mean(axis=1))
    held, envelope = 0.0, np.empty(frames)
    for index, value in enumerate(level):
        rate_of = attack if value > held else release
        held += (value - held) * (1.0 - np.exp(-0.01 / rate_of))
        envelope[index] = held
    loudest = envelope.max()
    over_db = np.maximum(20 * np.log10(np.maximum(envelope, 1e-9) / loudest) + 30.0, 0.0)
    gain_db = -most_db * over_db / 30.0
    at = (np.arange(frames) + 0.5) * hop
    return samples * 10 ** (np.interp(np.arange(samples.size), at, gain_db) / 20.0)


def gain_step(samples, rate, *, at, step_db):
    """A recorder whose gain is turned within a fifth of a second."""
    times = np.arange(samples.size) / rate
    return samples * 10 ** (np.interp(times, (at, at + 0.2), (0.0, step_db)) / 20.0)


def compressed(samples, *, mu=255.0):
    """What is left after eight bits of mu-law."""
    peak = 1.0
    code = np.sign(samples) * np.log1p(mu * np.abs(samples) / peak) / np.log1p(mu)
    code = np.round(code * 127.0) / 127.0
    return np.sign(code) * np.expm1(np.abs(code) * np.log1p(mu)) / mu


def bent(drive, share):
    """A loudspeaker that bends: `share` is about its total distortion at the sweep's peak.

    The fundamental of a sine at the peak keeps its level.
    """
    peak = np.abs(drive).max()
    unit = drive / peak
    cubic = -3.4 * share / (1.0 + 2.55 * share)
    first = 1.0 + 0.75 * cubic
    return peak * (unit + share * first * unit**2 + cubic * unit**3) / first


def clipped(drive, limit):
    """An amplifier that clips at a share of the sweep's peak; the fundamental keeps its level."""
    peak = np.abs(drive).max()
    first = 2.0 / np.pi * (np.arcsin(limit) + limit * np.sqrt(1.0 - limit**2))
    return np.clip(drive, -limit * peak, limit * peak) / first


def stretched(samples, factor):
    """The same, `factor` times as long, by band-limited interpolation in the Fourier domain."""
    size = scipy.fft.next_fast_len(samples.size + 4096, real=True)
    new = round(size * factor)
    spectrum = scipy.fft.rfft(np.pad(samples, (0, size - samples.size)))
    kept = min(spectrum.size, new // 2 + 1)
    return scipy.fft.irfft(spectrum[:kept], new)[: round(samples.size * factor)] * (new / size)
