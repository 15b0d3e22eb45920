"""Which polarity is it: two tests on what arrives first, told only where both agree.

Conventions
-----------
Complex responses of subwoofer and mains, seats by frequencies, against one time zero, with the
known filters of both paths taken out and the subwoofer's present settings too: what is told is how
the subwoofer is wired against the mains. Over the octave around the crossover an inverted
subwoofer and one that is late by half a period look alike; what arrives first, over three octaves,
sometimes tells them apart. Delays in s, positive where the subwoofer is later.

(a) Phase: unit phasors of ``S conj(M)`` over 25 to 195 Hz on a logarithmic axis, weighted by level
    where that is low, summed over seats and turned through delays of up to 20 ms.
(b) Onset: impulse responses of 25 to 195 Hz with third-octave cosine edges, each from 8 ms before
    its own onset (25 % of its peak) to 20 ms after it, correlated and summed over seats.

Each gives the sign of its largest magnitude, and the ratio of that to the best of the other sign.
Told is the polarity if both agree and both ratios are 1.2 or more. In 450 random rooms made by
other code (`tests/benchmarks/joining_cases.py`, none of which it was tuned on) that was right in
36, wrong in 4 and untold in 60 of 100 with the electrical filters known, 42, 3 and 54 with both
boxes known as well: where it is told, it is right in nine of ten. In 240 further rooms of other
make it was right in all 61 that were told with both boxes known, but in 28 of 36 without: three of
four is what is promised there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomeq.base.bands import logarithmic_axis
from roomeq.base.levels import ComplexArray, FloatArray

LOWEST = 25.0
HIGHEST = 195.0
LEAST_RATIO = 1.2
LONGEST = 0.020
_STEP = 1.0  # Hz: responses of 1 s
_RATE = 4096.0
_PER_OCTAVE = 48
_EDGE = 2.0 ** (1.0 / 3.0)
_ONSET = 0.25
_BEFORE, _AFTER = 0.008, 0.020


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarityTest:
    """What the two tests found.

    Attributes
    ----------
    phase_inverted, onset_inverted : bool
        Sign of either test.
    phase_ratio, onset_ratio : float
        Of the largest magnitude to the best of the other sign, at least 1.
    arrival : float
        By how much the subwoofer arrives later than the mains, in s, by the second test.
    """

    phase_inverted: bool
    onset_inverted: bool
    phase_ratio: float
    onset_ratio: float
    arrival: float

    @property
    def inverted(self) -> bool | None:
        """Whether the subwoofer is inverted against the mains; None where it cannot be told."""
        agree = self.phase_inverted == self.onset_inverted
        told = agree and min(self.phase_ratio, self.onset_ratio) >= LEAST_RATIO
        return self.phase_inverted if told else None


def polarity_axis() -> FloatArray:
    """Return the frequencies at which both are needed, in Hz, equally spaced, shape (F,)."""
    return np.arange(np.ceil(LOWEST), np.floor(HIGHEST) + _STEP / 2, _STEP)


def judge_polarity(
    sub: ComplexArray, mains: ComplexArray, *, seat_weights: FloatArray
) -> PolarityTest:
    """Test the polarity of a subwoofer against the mains.

    Parameters
    ----------
    sub, mains : ndarray of complex, shape (S, F)
        At `polarity_axis`, known filters and present settings taken out.
    seat_weights : ndarray, shape (S,)

    Returns
    -------
    PolarityTest
    """
    delays = np.arange(-LONGEST, LONGEST + 0.5 / _RATE, 1.0 / _RATE)
    phase_inverted, phase_ratio = _told(_phase_agreement(sub, mains, seat_weights, delays))
    onset = _onset_agreement(sub, mains, seat_weights, delays)
    onset_inverted, onset_ratio = _told(onset)
    return PolarityTest(
        phase_inverted=phase_inverted,
        onset_inverted=onset_inverted,
        phase_ratio=phase_ratio,
        onset_ratio=onset_ratio,
        arrival=float(delays[np.argmax(np.abs(onset))]),
    )


def _told(agreement: FloatArray) -> tuple[bool, float]:
    """Return whether the largest magnitude is negative, and its ratio to the other sign's best."""
    normal, inverted = float(agreement.max()), float(-agreement.min())
    best, other = max(normal, inverted), min(normal, inverted)
    return inverted > normal, best / max(other, 1e-9 * best) if best > 0 else 1.0


def _phase_agreement(
    sub: ComplexArray, mains: ComplexArray, weights: FloatArray, delays: FloatArray
) -> FloatArray:
    """Return test (a) over delays, shape (D,): positive where the subwoofer is not inverted."""
    axis = polarity_axis()
    points = logarithmic_axis(axis[0], axis[-1], per_octave=_PER_OCTAVE)
    total = np.zeros(points.size, dtype=np.complex128)
    for one, other, weight in zip(sub, mains, weights, strict=True):
        cross = one * np.conj(other)
        level = np.interp(points, axis, np.abs(one) * np.abs(other))
        level /= max(float(np.sqrt(np.mean(level**2))), np.finfo(np.float64).tiny)
        phase = np.interp(points, axis, np.unwrap(np.angle(cross)))
        total += weight * np.minimum(1.0, level) * np.exp(1j * phase)
    return np.asarray((np.exp(2j * np.pi * np.outer(delays, points)) @ total).real)


def _onset_agreement(
    sub: ComplexArray, mains: ComplexArray, weights: FloatArray, delays: FloatArray
) -> FloatArray:
    """Return test (b) over delays, shape (D,): positive where the subwoofer is not inverted."""
    size = int(_RATE / _STEP)
    total = np.zeros(delays.size)
    lags = np.round(delays * _RATE).astype(np.intp)
    for one, other, weight in zip(sub, mains, weights, strict=True):
        first, second = (_gated(_impulse(row, size)) for row in (one, other))
        spectrum = np.fft.rfft(first) * np.conj(np.fft.rfft(second))
        scale = float(np.linalg.norm(first) * np.linalg.norm(second))
        correlation = np.fft.irfft(spectrum, size) / max(scale, np.finfo(np.float64).tiny)
        total += weight * correlation[lags]
    return total


def _impulse(row: ComplexArray, size: int) -> FloatArray:
    """Return the impulse response of 25 to 195 Hz with third-octave cosine edges."""
    axis = polarity_axis()
    low = np.clip(np.log(axis / LOWEST) / np.log(_EDGE), 0.0, 1.0)
    high = np.clip(np.log(HIGHEST / axis) / np.log(_EDGE), 0.0, 1.0)
    window = np.sin(0.5 * np.pi * low) ** 2 * np.sin(0.5 * np.pi * high) ** 2
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    spectrum[np.round(axis / _STEP).astype(np.intp)] = row * window
    return np.fft.irfft(spectrum, size)


def _gated(response: FloatArray) -> FloatArray:
    """Return a response from 8 ms before its onset to 20 ms after it; time runs in a circle."""
    size, envelope = response.size, np.abs(response)
    peak = int(np.argmax(envelope))
    reach = int(0.1 * _RATE)
    before = np.roll(envelope, reach - peak)[: reach + 1]
    onset = peak - reach + int(np.argmax(before >= _ONSET * envelope[peak]))
    time = (np.arange(size) - onset + size // 2) % size - size // 2
    seconds = time / _RATE
    gate = np.where(seconds < 0, 1.0, 0.5 + 0.5 * np.cos(np.pi * seconds / _AFTER))
    return np.where((seconds >= -_BEFORE) & (seconds <= _AFTER), gate, 0.0) * response
