"""Recordings of sweeps in rooms whose response is known exactly."""

from functools import lru_cache

import numpy as np
import scipy.fft

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.recording import Recording, SweepDescription

ROOM = (6.0, 4.0, 2.5)
SPEED = 343.2
SILENT = -300.0  # dBFS of the lead-in, for recordings that are to hold the sweep alone


def room_response(frequencies, **places):
    """Damped modal sum (Kuttruff, Room Acoustics, ch. 3; check values, section 13)."""
    return _modal_sum(np.asarray(frequencies, dtype=float).tobytes(), **places)


@lru_cache(maxsize=32)  # many recordings are read at the same frequencies
def _modal_sum(frequencies, *, decay_time, source=(0.3, 0.3, 0.3), seat=(4.0, 2.3, 1.2)):
    highest = 640.0
    orders = np.stack(
        np.meshgrid(
            *(np.arange(int(2 * highest * side / SPEED) + 2) for side in ROOM), indexing="ij"
        )
    ).reshape(3, -1)
    numbers = np.pi * orders / np.array(ROOM)[:, np.newaxis]
    omega_n = SPEED * np.sqrt((numbers**2).sum(axis=0))
    inside = omega_n < 2 * np.pi * highest
    orders, numbers, omega_n = orders[:, inside], numbers[:, inside], omega_n[inside]
    shapes = np.prod(
        np.cos(numbers * np.array(source)[:, np.newaxis])
        * np.cos(numbers * np.array(seat)[:, np.newaxis]),
        axis=0,
    )
    weights = 2.0 ** (orders > 0).sum(axis=0) * shapes
    damping = 3 * np.log(10) / decay_time
    omega = 2 * np.pi * np.frombuffer(frequencies)
    total = np.zeros(omega.size, dtype=complex)
    for first in range(0, omega.size, 256):
        part = omega[first : first + 256, np.newaxis]
        # weights / (real + 1j * imaginary), in real numbers: three times as quick
        real, imaginary = omega_n**2 + damping**2 - part**2, 2 * damping * part
        shares = weights / (real**2 + imaginary**2)
        row = np.einsum("ij,ij->i", shares, real) - 1j * imaginary[:, 0] * shares.sum(axis=1)
        total[first : first + 256] = row
    total *= 1j * omega * SPEED**2 / np.prod(ROOM)
    total.setflags(write=False)  # the next caller gets the same
    return total


def heard(signal, sample_rate, transfer):
    """The signal through a transfer function, by one long circular convolution, as long."""
    length = scipy.fft.next_fast_len(signal.size + 4 * sample_rate, real=True)
    frequencies = scipy.fft.rfftfreq(length, 1 / sample_rate)
    carried = (frequencies > 0) & (frequencies < 700.0)
    factor = np.zeros(frequencies.size, dtype=complex)
    factor[carried] = transfer(frequencies[carried])
    spectrum = scipy.fft.rfft(signal, length) * factor
    return scipy.fft.irfft(spectrum, length)[: signal.size]


def plain_sweep(**changes):
    settings = {
        "start": 8.0,
        "stop": 600.0,
        "length": 10.0,
        "level_dbfs": -20.0,
        "sample_rate": 6000,
        "lead_in": 5.0,
        "pause": 1.0,
        "tail": 5.0,
        "lead_in_level_dbfs": SILENT,
    }
    return SweepDescription(**{**settings, **changes})


@lru_cache(maxsize=8)
def room_recording(decay_time, repeats=1):
    """Sweep, what was played, and what was heard, noise-free."""
    sweep = plain_sweep(repeats=repeats)
    played = playback_signal(sweep)[0]
    samples = heard(played, sweep.sample_rate, lambda f: room_response(f, decay_time=decay_time))
    return (
        sweep,
        Recording(samples=played, sample_rate=sweep.sample_rate),
        Recording(samples=samples, sample_rate=sweep.sample_rate),
    )
