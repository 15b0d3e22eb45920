"""Recordings, impulse responses and the description of a sweep: small frozen values.

Conventions
-----------
Time is in seconds, the last axis is samples. Samples are fractions of full scale: 1.0 is the
largest the converter can say, and 0 dBFS is a sine whose peaks reach it (AES17). Channels are
counted from 1. Time zero of an impulse response is the moment the excitation entered the system
(``absolute_time``), or merely the first arrival where that moment is not known. Distortion products
of a sweep lie at negative times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio, readonly, require_positive
from roomeq.base.response import LevelReference

CHAIN_QUESTIONS = {
    "dynamic_range_compression": "--compression",
    "upstream_correction": "--correction",
    "crossover": "--crossover",
    "volume": "--volume",
    "output": "--connection",
    "equaliser": "--equaliser",
}
"""Options of ``roomeq sweep`` that answer the conditions."""

LARGEST_SAMPLE = 1e12
"""Times full scale: no file of unscaled integers has more; squares stay finite."""
_MOST_VALUES = 1e8  # 0.8 GB while the sweep is made


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainConditions:
    """What else in the chain must be off or known while a sweep is recorded.

    Every entry is free text as the person answered it; an empty entry was not answered.

    Attributes
    ----------
    dynamic_range_compression, upstream_correction, crossover, volume, output, equaliser : str
        Whether compression and correction are off; the state of the crossover; the volume setting;
        the output used; whether the equaliser is bypassed or what it is set to.
    """

    dynamic_range_compression: str = ""
    upstream_correction: str = ""
    crossover: str = ""
    volume: str = ""
    output: str = ""
    equaliser: str = ""

    @property
    def in_words(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """What was answered, and what was not, each as one sentence or none."""
        answers = [
            f"{CHAIN_QUESTIONS[entry.name]}: {answer.strip()}"
            for entry in fields(self)
            if (answer := getattr(self, entry.name)).strip()
        ]
        left_open = ", ".join(CHAIN_QUESTIONS[name] for name in self.unanswered)
        said = (f"the chain, as answered when the sweep was described: {'; '.join(answers)}",)
        unsaid = (f"nothing was answered for {left_open} when the sweep was described",)
        return said if answers else (), unsaid if left_open else ()

    @property
    def unanswered(self) -> tuple[str, ...]:
        """Names of the entries that nobody answered."""
        return tuple(entry.name for entry in fields(self) if not getattr(self, entry.name).strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepDescription:
    """An exponential sweep, with what is played before and after it.

    The file holds, in this order: quiet noise (`lead_in`), silence (`pause`, which tells the noise
    of the room), the sweep, silence (`tail`); sweep and tail `repeats` times.

    Attributes
    ----------
    start, stop : float
        First and last frequency, in Hz.
    length : float
        Length asked for, in s. A synchronised sweep's own is `duration`, rounded to a whole f1·L.
    level_dbfs : float
        Level of the sweep, not above 0 dBFS.
    sample_rate : int
        Rate of the file, in Hz.
    lead_in, pause, tail : float
        In s; 0 where there is none.
    lead_in_level_dbfs : float, optional
        Level of the quiet noise (rms of a sine of that level); 20 dB below the sweep by default.
    fade_in, fade_out : float
        Raised-cosine fades at the ends of the sweep, in s.
    repeats : int
        How many sweeps.
    channels, channel : int
        Channels of the file, and the one, counted from 1, that carries the sweep.
    conditions : ChainConditions
        What was asked about the rest of the chain.
    synchronised : bool
        Whether f1·L is whole, as of Novak et al. 2015; else the length is kept as it is.

    Raises
    ------
    ValueError
        If a value is not usable; the message names it.
    """

    start: float = 10.0
    stop: float = 500.0
    length: float = 10.0
    level_dbfs: float = -30.0
    sample_rate: int = 48000
    lead_in: float = 6.0
    pause: float = 2.0
    tail: float = 4.0
    lead_in_level_dbfs: float | None = None
    fade_in: float = 0.15
    fade_out: float = 0.02
    repeats: int = 1
    channels: int = 1
    channel: int = 1
    conditions: ChainConditions = field(default_factory=ChainConditions)
    synchronised: bool = True

    def __post_init__(self) -> None:
        if not (isinstance(self.sample_rate, int) and self.sample_rate > 0):
            raise ValueError(f"sample_rate must be a positive whole number: {self.sample_rate!r}")
        if not (math.isfinite(self.stop) and 0 < self.start < self.stop <= self.sample_rate / 2):
            raise ValueError(
                f"needs 0 < start < stop <= {self.sample_rate / 2:g} Hz (half the rate), "
                f"got {self.start!r} and {self.stop!r}"
            )
        if not (math.isfinite(self.level_dbfs) and self.level_dbfs <= 0):
            raise ValueError(f"level_dbfs must not lie above 0 dBFS, got {self.level_dbfs!r}")
        if self.lead_in_level_dbfs is None:
            object.__setattr__(self, "lead_in_level_dbfs", self.level_dbfs - 20.0)
        elif not self.lead_in_level_dbfs <= self.level_dbfs:
            raise ValueError(
                f"the lead-in must not be louder than the sweep: {self.lead_in_level_dbfs!r} dBFS "
                f"against {self.level_dbfs:g} dBFS"
            )
        self._check_times()
        if not (self.repeats >= 1 and 1 <= self.channel <= self.channels):
            raise ValueError(
                "needs repeats >= 1 and 1 <= channel <= channels, got "
                f"{self.repeats!r}, {self.channel!r} of {self.channels!r}"
            )

    def _check_times(self) -> None:
        for name in ("length", "lead_in", "pause", "tail", "fade_in", "fade_out"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must be finite and not negative, got {value!r} s")
        if self.periods < 1 or self.fade_in + self.fade_out >= self.duration:
            raise ValueError(f"length ({self.length:g} s) is too short for this sweep")
        values = self.total * self.sample_rate * self.channels
        if values > _MOST_VALUES:
            raise ValueError(
                f"{self.total:.3g} s, {self.sample_rate} Hz and {self.channels} channels make "
                f"{values:.2g} values; up to {_MOST_VALUES:.2g} are played (a minute of 8 channels "
                "at 192 kHz has 9.2e+07)"
            )

    @property
    def periods(self) -> float:
        """f1·L: of a synchronised sweep a whole number (Novak et al. 2015, eq. 49)."""
        periods = self.start * self.length / math.log(self.stop / self.start)
        return round(periods) if self.synchronised else periods

    @property
    def growth(self) -> float:
        """L of Novak et al. 2015: time in which the frequency grows e-fold, in s."""
        return self.periods / self.start

    @property
    def duration(self) -> float:
        """Length of the sweep proper, T = L ln(f2/f1), in s."""
        return self.growth * math.log(self.stop / self.start)

    @property
    def amplitude(self) -> float:
        """Peak of the sweep as a fraction of full scale."""
        return float(amplitude_ratio(self.level_dbfs))

    @property
    def period(self) -> float:
        """From one sweep to the next, in s: whole samples."""
        rate = self.sample_rate
        return (round(self.duration * rate) + round(self.tail * rate)) / rate

    @property
    def total(self) -> float:
        """Length of the whole file, in s."""
        return self.lead_in + self.pause + self.repeats * (self.duration + self.tail)

    def harmonic_advance(self, order: int) -> float:
        """Return how far ahead of the linear response a harmonic lies, in s.

        L ln n of Novak et al. 2015, eq. 18.
        """
        return self.growth * math.log(order)

    def time_of(self, frequency: float) -> float:
        """Return when the sweep passes a frequency, in s after its start (may lie outside it)."""
        return self.growth * math.log(frequency / self.start)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """One channel of what was recorded.

    Attributes
    ----------
    samples : ndarray, shape (N,)
        Fractions of full scale, finite, at most `LARGEST_SAMPLE`.
    sample_rate : int
        Hz.
    channel, channels : int
        Which channel of the file this is, counted from 1, and how many it has.
    path : str, optional
        The file.
    sample_format : str, optional
        Sample format of the file, such as ``PCM_24``.

    Raises
    ------
    ValueError
        If the samples are not one-dimensional, none, not finite or absurdly large, or the rate is
        not positive.
    """

    samples: FloatArray
    sample_rate: int
    channel: int = 1
    channels: int = 1
    path: str | None = None
    sample_format: str | None = None

    def __post_init__(self) -> None:
        samples = np.asarray(self.samples)
        if samples.ndim != 1 or samples.size == 0:
            raise ValueError(f"samples must be one-dimensional and not empty, got {samples.shape}")
        with np.errstate(over="ignore", invalid="ignore"):
            largest = max(abs(samples.min()), abs(samples.max()))  # NaN where one is
        if not largest <= LARGEST_SAMPLE:
            index = int(np.argmin(np.abs(samples) <= LARGEST_SAMPLE))
            raise ValueError(
                f"samples must be finite, at most {LARGEST_SAMPLE:g} times full scale: "
                f"sample {index} is {samples[index]:g}"
            )
        require_positive(self.sample_rate, "sample_rate")
        if not 1 <= self.channel <= self.channels:
            raise ValueError(f"channel {self.channel} of {self.channels} does not exist")
        if samples.dtype != np.float64 or samples.flags.writeable or not samples.flags.owndata:
            samples = readonly(samples)
        object.__setattr__(self, "samples", samples)

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.samples.size / self.sample_rate

    @property
    def place(self) -> str:
        """The file and channel, for messages."""
        return f"{self.path or 'recording'}, channel {self.channel} of {self.channels}"

    def __repr__(self) -> str:
        return f"<Recording {self.duration:.3f} s at {self.sample_rate} Hz, {self.place}>"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImpulseResponse:
    """A deconvolved response in time.

    Attributes
    ----------
    samples : ndarray, shape (..., N)
        Response; its discrete Fourier transform is the complex pressure ratio.
    sample_rate : float
        Hz; after decimation not always whole.
    start : float
        Time of the first sample, in s; negative where the response begins before time zero.
    lowest, highest : float
        The band, in Hz, over which the response can be used.
    absolute_time : bool
        Whether time zero is the moment the excitation entered the system. If not, it is the first
        arrival, and delays between responses cannot be read from it.
    level_reference : {"relative", "spl"}
        Whether a magnitude of 1 is 20 micropascals at the recorded drive level, or arbitrary.
    told : tuple of ndarray, shape (K,), optional
        Rising frequencies in Hz, and until when the recording tells the response there, in s: the
        earlier a sweep passes a frequency, the longer. By default everywhere to the end.

    Raises
    ------
    ValueError
        If the samples are not finite or none, or rate and band are not usable.
    """

    samples: FloatArray
    sample_rate: float
    start: float
    lowest: float
    highest: float
    absolute_time: bool = False
    level_reference: LevelReference = "relative"
    told: tuple[FloatArray, FloatArray] | None = None

    def __post_init__(self) -> None:
        samples = readonly(self.samples)
        if samples.ndim == 0 or samples.size == 0 or not np.isfinite(samples).all():
            raise ValueError(f"samples must be finite and not empty, got shape {samples.shape}")
        require_positive(self.sample_rate, "sample_rate")
        if not 0 < self.lowest < self.highest <= self.sample_rate / 2:
            raise ValueError(
                f"needs 0 < lowest < highest <= {self.sample_rate / 2:g} Hz, "
                f"got {self.lowest!r} and {self.highest!r}"
            )
        if not math.isfinite(self.start):
            raise ValueError(f"start must be finite, got {self.start!r}")
        object.__setattr__(self, "samples", samples)

    @property
    def times(self) -> FloatArray:
        """Time of each sample, shape (N,), in s."""
        return self.start + np.arange(self.samples.shape[-1]) / self.sample_rate

    @property
    def end(self) -> float:
        """Time just after the last sample, in s."""
        return float(self.start + self.samples.shape[-1] / self.sample_rate)

    def told_until(self, frequencies: FloatArray | float) -> FloatArray:
        """Return until when the recording tells the response at given frequencies, in s."""
        if self.told is None:
            return np.full(np.shape(frequencies), self.end)
        axis, times = self.told
        return np.minimum(np.interp(np.log(frequencies), np.log(axis), times), self.end)

    def __repr__(self) -> str:
        zero = "absolute time" if self.absolute_time else "time from the first arrival"
        return (
            f"<ImpulseResponse {self.start:.3f} to {self.end:.3f} s at {self.sample_rate:g} Hz, "
            f"{self.lowest:.4g} to {self.highest:.4g} Hz, {zero}, {self.level_reference}>"
        )
