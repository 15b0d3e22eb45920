"""Time and memory of deconvolution, as ratios; run by hand.

A 20 s recording at 48 kHz. The unit of time is one real FFT and one inverse of the recording,
zero-padded to the common length of recording and sweep, by scipy.fft in the same process. Times are
processor times, so that other work on the machine counts less.
"""

from __future__ import annotations

import statistics
import time
import tracemalloc
import warnings
from collections.abc import Callable

import numpy as np
import scipy.fft

from roomeq.analysis.sweeps.deconvolution import ExcitationInverse, deconvolve, prepare_inverse
from roomeq.analysis.sweeps.distortion import estimate_distortion
from roomeq.analysis.sweeps.response import estimate_sweep_response
from roomeq.analysis.sweeps.sweep import playback_signal, sweep_signal
from roomeq.analysis.sweeps.windowing import ImpulseWindow, apply_window
from roomeq.base.recording import Recording, SweepDescription

RATE = 48000
SECONDS = 20
HIGHEST = 300.0
ROUNDS = 15


def recorded(sweep: SweepDescription) -> Recording:
    """Return 20 s of a decaying response to the sweep, with noise."""
    rng = np.random.default_rng(3)
    played = playback_signal(sweep)[0]
    frames = SECONDS * RATE
    times = np.arange(RATE) / RATE
    impulse = sum(
        np.exp(-6.9 * times / 0.6) * np.sin(2 * np.pi * f * times + f)
        for f in (31, 43, 57, 86, 140)
    )
    padded = scipy.fft.next_fast_len(played.size + impulse.size, real=True)
    heard = scipy.fft.irfft(
        scipy.fft.rfft(played, padded) * scipy.fft.rfft(impulse, padded), padded
    )
    samples = np.zeros(frames)
    samples[: min(frames, heard.size)] = heard[:frames]
    samples *= 0.3 / np.abs(samples).max()
    return Recording(samples=samples + 1e-5 * rng.standard_normal(frames), sample_rate=RATE)


def medians(*jobs: Callable[[], object]) -> list[float]:
    """Return the median processor time of each job; they take turns, so all share the weather."""
    spent: list[list[float]] = [[] for _ in jobs]
    for turn in range(ROUNDS + 2):
        for times, job in zip(spent, jobs, strict=True):
            begin = time.process_time()
            job()
            if turn >= 2:
                times.append(time.process_time() - begin)
    return [statistics.median(times) for times in spent]


def peak_bytes(job: Callable[[], object]) -> int:
    """Return the most memory a job held beyond what was there before."""
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def sweep_up_to(stop: float) -> SweepDescription:
    return SweepDescription(start=10.0, stop=stop, lead_in=5.0, pause=1.0, tail=4.0)


def main() -> None:
    """Print the tables: a bass sweep for the bass, a sweep of the whole range for the full band."""
    warnings.filterwarnings("ignore")
    print(f"recording of {SECONDS} s at {RATE} Hz, {versions()}")
    table("sweep 10 to 500 Hz", sweep_up_to(500.0), first_call=2.4)
    table("sweep 10 to 22000 Hz", sweep_up_to(22000.0), first_call=2.4)


def versions() -> str:
    return f"numpy {np.__version__}, scipy {scipy.__version__}"


def table(title: str, sweep: SweepDescription, *, first_call: float) -> None:
    import pyfar

    recording = recorded(sweep)
    samples, frames = recording.samples, recording.samples.size
    excitation = sweep_signal(sweep)
    padded = scipy.fft.next_fast_len(frames + excitation.size, real=True)

    def inverse_to(highest: float | None) -> ExcitationInverse:
        prepare_inverse.cache_clear()
        return prepare_inverse(sweep, sample_rate=RATE, frames=frames, highest=highest)

    def unit() -> object:
        spectrum = scipy.fft.rfft(samples, padded)
        return scipy.fft.irfft(spectrum, padded, overwrite_x=True)

    def by_pyfar() -> object:
        return pyfar.dsp.deconvolve(
            pyfar.Signal(samples, RATE),
            pyfar.Signal(excitation, RATE),
            fft_length=padded,
            frequency_range=(sweep.start, sweep.stop),
        )

    bass, full = inverse_to(HIGHEST), inverse_to(None)
    jobs: dict[str, tuple[str, Callable[[], object]]] = {
        "one rfft plus one irfft, padded": ("", unit),
        "bass response, inverse kept": (
            "0.4",
            lambda: estimate_sweep_response(recording, inverse=bass),
        ),
        "bass deconvolution alone": ("", lambda: deconvolve(samples, inverse=bass)),
        "bass response, first call": (
            f"{first_call}",
            lambda: estimate_sweep_response(recording, inverse=inverse_to(HIGHEST)),
        ),
        "full band, inverse kept": (
            "1.1",
            lambda: estimate_sweep_response(recording, inverse=full),
        ),
        "full band, first call": (
            f"{first_call}",
            lambda: estimate_sweep_response(recording, inverse=inverse_to(None)),
        ),
        "distortion, second to fifth": (
            "",
            lambda: estimate_distortion(recording, sweep=sweep, start=6.0),
        ),
        "pyfar, deconvolution alone": ("", by_pyfar),
    }
    times = medians(*(job for _, job in jobs.values()))
    peaks = [peak_bytes(job) for _, job in jobs.values()]
    columns = ("ms", 8), ("ratio", 8), ("limit", 7), ("of pyfar", 10), ("MB", 8), ("of pyfar", 10)
    print(f"\n{title:34}" + "".join(f"{name:>{width}}" for name, width in columns))
    for (name, (limit, _)), spent, peak in zip(jobs.items(), times, peaks, strict=True):
        print(
            f"{name:34}{1e3 * spent:8.1f}{spent / times[0]:8.3f}{limit:>7}"
            f"{spent / times[-1]:10.3f}{peak / 1e6:8.1f}{peak / peaks[-1]:10.3f}"
        )
    print(f"bass against full band: {difference_db(sweep):.1e} dB at most (limit 1e-3)")


def difference_db(sweep: SweepDescription) -> float:
    """Return the largest difference of level between bass and full-band processing.

    Both are timed by the same loopback and have the same window; the full band's spectrum is taken
    at the very frequencies of the bass.
    """
    recording = recorded(sweep)
    frames = recording.samples.size
    played = np.zeros(frames)
    signal = playback_signal(sweep)[0]
    played[: min(frames, signal.size)] = signal[:frames]
    loopback = Recording(samples=played, sample_rate=RATE)
    low, high = (
        estimate_sweep_response(
            recording,
            inverse=prepare_inverse(sweep, sample_rate=RATE, frames=frames, highest=highest),
            loopback=loopback,
            window=ImpulseWindow(before=0.4, length=1.5),
        )
        for highest in (HIGHEST, None)
    )
    axis = low.response.frequencies[low.response.frequencies >= 15.0][::7]
    cut = apply_window(high.impulse_response, window=high.window)
    exact = [abs(np.exp(-2j * np.pi * f * cut.times) @ cut.samples) for f in axis]
    level_db = low.response.level_db[low.response.frequencies >= 15.0][::7]
    return float(np.abs(level_db - 20.0 * np.log10(exact)).max())


if __name__ == "__main__":
    main()
