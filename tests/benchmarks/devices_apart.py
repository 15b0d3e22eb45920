"""Devices and their responses, made by code that shares nothing with the library.

Bands are the peaking sections of R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Working Group Note, 8
June 2021), digital at 48 kHz, evaluated by scipy.signal; filters are those of scipy.signal. The
loudspeaker is a second-order high-pass, the microphone near its cone adds a slope and a bump that
are in every response. Noise is white over the points and has, against the signal, the same level at
all of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import signal

FAULTS = (
    "another band moved by 3 dB as well",
    "another band moved by 1 dB as well",
    "smoothed over 1/3 octave",
    "smoothed over 1/6 octave",
    "smoothed over 1/12 octave",
    "smoothed over 1/24 octave",
    "the microphone moved",
    "the next band was moved",
    "the sign is wrong",
    "half a dB louder",
    "noise of 25 dB",
)
CALLED = {"20": 20, "25": 25, "31.5": 31.5, "40": 40, "50": 50, "63": 63, "80": 80, "100": 100}


def peaking(frequencies, centre, q, gain_db, rate=48000.0):
    """Return the Cookbook's peakingEQ, complex."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * centre / rate
    alpha = np.sin(w0) / (2.0 * q)
    b = [1.0 + alpha * a, -2.0 * np.cos(w0), 1.0 - alpha * a]
    d = [1.0 + alpha / a, -2.0 * np.cos(w0), 1.0 - alpha / a]
    return signal.freqz(b, d, worN=2.0 * np.pi * frequencies / rate)[1]


def passing(frequencies, kind, family, order, corner):
    """Return an analogue filter; Linkwitz-Riley is a Butterworth filter of half the order twice."""
    twice = family == "linkwitz_riley"
    low_or_high = kind.removesuffix("_pass")
    poly = signal.butter(order // (1 + twice), 2.0 * np.pi * corner, low_or_high, analog=True)
    return signal.freqs(*poly, worN=2.0 * np.pi * frequencies)[1] ** (1 + twice)


@dataclass(frozen=True, kw_only=True)
class Device:
    """Three of its bands, with two settings each."""

    labels: tuple[str, ...]
    settings: tuple[float, float]
    centres: Mapping[str, float]
    q: float
    follows: float
    """By which share the Q grows with each dB."""
    gain: float

    @classmethod
    def drawn(cls, rng):
        labels = tuple(str(x) for x in rng.choice(list(CALLED), 3, replace=False))
        return cls(
            labels=labels,
            settings=[(-6.0, 3.0), (-9.0, 4.5), (6.0, -4.0), (-12.0, -6.0)][rng.integers(4)],
            centres={k: v * (1.0 + rng.uniform(-0.05, 0.05)) for k, v in CALLED.items()},
            q=float(np.exp(rng.uniform(0.0, np.log(8.0)))),
            follows=float(rng.choice([0.0, rng.uniform(0.04, 0.1)])),
            gain=float(rng.uniform(0.9, 1.05)),
        )

    def setting(self, label, setting_db):
        """Return the real gain and Q."""
        q = self.q * (1.0 + self.follows * (abs(setting_db) - 6.0))
        return self.gain * setting_db, max(q, 0.5)

    def response(self, frequencies, label, setting_db):
        gain_db, q = self.setting(label, setting_db)
        return peaking(frequencies, self.centres[label], q, gain_db)


def heard(frequencies, response, rng, snr_db, *, further=0.0):
    """Return the level near the cone, in dB."""
    s = 1j * frequencies / 32.0
    speaker = s**2 / (1.0 + s / 0.8 + s**2)
    bump = 1.5 * np.exp(-0.5 * (np.log2(frequencies / 55.0) / 0.3) ** 2) + 0.3 * np.log2(
        frequencies / 50
    )
    echo = 1.0 + further * np.exp(-2j * np.pi * frequencies * 0.006)
    noise = rng.normal(size=frequencies.size) + 1j * rng.normal(size=frequencies.size)
    noisy = response * speaker * echo * (1.0 + 10.0 ** (-snr_db / 20.0) * noise / 2.0**0.5)
    return 90.0 + 20.0 * np.log10(np.abs(noisy)) + bump


def smoothed(frequencies, level_db, fraction):
    """Return the power mean over 1/N octave around each point."""
    octaves = np.log2(frequencies)
    near = np.abs(octaves[:, None] - octaves) <= 0.5 / fraction
    return 10.0 * np.log10((near * 10.0 ** (level_db / 10.0)).sum(axis=1) / near.sum(axis=1))


def write_export(path: Path, frequencies, level_db):
    rows = "".join(f"{f:.5f}\t{v:.3f}\n" for f, v in zip(frequencies, level_db, strict=True))
    path.write_text(f"Frequency (Hz)\tLevel (dB SPL)\n{rows}", "utf-8")
    return path


def measured(device, folder, rng, *, snr_db, fault=None):
    """Write the flat response and one for each setting, and return them as they are given.

    A fault spoils the first setting of the first band; smoothing all responses.
    """
    axis = np.geomspace(8.0, 400.0, 48 * 5 + 30)
    if rng.random() < 0.4:
        axis = np.arange(8.0, 400.0, 0.5)
    width = int(fault.split("/")[1].split()[0]) if fault and fault.startswith("smoothed") else None

    def put(name, response, snr_db=snr_db, louder_db=0.0, further=0.0):
        level = heard(axis, response, rng, snr_db, further=further) + louder_db
        return write_export(folder / name, axis, smoothed(axis, level, width) if width else level)

    flat, moved = put("flat.txt", np.ones(axis.size)), []
    for label in device.labels:
        for setting in device.settings:
            response, said, more = device.response(axis, label, setting), setting, {}
            if not moved and fault:
                names = list(CALLED)
                other = names[(names.index(label) + 1) % len(names)]
                if fault.startswith("another band"):
                    far = names[(names.index(label) + 3) % len(names)]
                    by = 3.0 if "3 dB" in fault else 1.0
                    response = response * device.response(axis, far, by)
                elif fault.startswith("the next band"):
                    response = device.response(axis, other, setting)
                elif fault.startswith("the sign"):
                    response = 1.0 / response
                elif fault.startswith("half"):
                    more = {"louder_db": 0.5}
                elif fault.startswith("noise"):
                    more = {"snr_db": 25.0}
                elif fault.startswith("the microphone"):
                    more = {"further": 0.1}
            path = put(f"{label}_{setting:g}.txt", response, **more)
            moved.append((f"{label}:{said:g}", path))
    return flat, moved
