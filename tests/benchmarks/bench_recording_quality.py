"""False alarms, time and memory of judging a recording; run by hand.

False alarms: findings on clean recordings of modal rooms, white or pink noise at 40 dB below the
sweep (rms over 10 to 500 Hz), over decay times, seats, seeds, rates, sample formats, sweeps and
distortion by the driver. Time: processor time for a 20 s recording at 48 kHz against three real
FFTs of it, zero-padded to the common length of recording and sweep, by scipy.fft in the same
process. Memory: the most that a judgement holds beyond the recording.
"""

from __future__ import annotations

import statistics
import sys
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import scipy
import scipy.fft
import scipy.signal

sys.path.insert(0, str(Path(__file__).parents[1]))

from quality_recordings import FULL_RATE as SWEEP
from quality_recordings import convolved as through_room
from quality_recordings import heard, noisy, pink_noise, played, recording

from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.sweeps.deconvolution import prepare_inverse
from roomeq.base.recording import Recording, SweepDescription

RATE = 48000
SWEEPS = {
    "8 s, 10 to 500 Hz": SWEEP,
    "44.1 kHz": replace(SWEEP, sample_rate=44100),
    "96 kHz": replace(SWEEP, sample_rate=96000, length=5.0),
    "3 sweeps of 5 s": replace(SWEEP, length=5.0, repeats=3),
    "15 to 240 Hz": replace(SWEEP, start=15.0, stop=240.0),
    "10 Hz to 20 kHz": replace(SWEEP, stop=20000.0, length=10.0),
}


def clean_recordings(seeds: int) -> Iterator[tuple[str, SweepDescription, Recording]]:
    """Yield clean recordings with a name for their kind."""
    for name, sweep in SWEEPS.items():
        for decay_time in (0.2, 0.4, 0.7, 1.2):
            for seat in range(4):
                signal = heard(decay_time, seat, sweep)
                for seed in range(seeds):
                    yield name, sweep, recording(noisy(signal, seed=seed, sweep=sweep), sweep=sweep)
    for low, high, corner in ((1.0, 0.3, 80.0), (0.8, 0.25, 100.0), (2.0, 0.4, 50.0)):
        below = scipy.signal.butter(2, corner, "lowpass", fs=RATE, output="sos")
        above = scipy.signal.butter(2, corner, "highpass", fs=RATE, output="sos")
        for seat in range(4):
            bass = scipy.signal.sosfilt(below, heard(low, seat, SWEEP))
            signal = bass - scipy.signal.sosfilt(above, heard(high, seat, SWEEP))
            samples = noisy(signal, seed=seat, sweep=SWEEP)
            yield "bass rings up to 5 times as long", SWEEP, recording(samples, sweep=SWEEP)
    for decay_time in (0.3, 0.6, 1.0):
        for seat in range(4):
            signal = heard(decay_time, seat, SWEEP)
            rng = np.random.default_rng(seat)
            pink = pink_noise(signal.size, rng, rate=RATE) * 0.01 * np.sqrt(np.mean(signal**2))
            drive = played(SWEEP)
            bent = through_room(drive + 0.1 * drive**2 + 0.3 * drive**3, RATE, decay_time, seat)
            bent *= 0.4 / np.abs(bent).max()
            yield "noise-free", SWEEP, recording(signal, sweep=SWEEP)
            yield "pink noise", SWEEP, recording(signal + pink, sweep=SWEEP)
            yield (
                "distorted by the driver",
                SWEEP,
                recording(noisy(bent, seed=seat, sweep=SWEEP), sweep=SWEEP),
            )
            for bits in (16, 24):
                steps = 2.0 ** (bits - 1)
                whole = np.round(noisy(signal, seed=seat, sweep=SWEEP) * steps) / steps
                yield f"{bits} bits", SWEEP, recording(whole, sweep=SWEEP)
            low = np.round(0.05 * noisy(signal, seed=seat, sweep=SWEEP) * 2**15) / 2**15
            yield "16 bits, peak at -34 dBFS", SWEEP, recording(low, sweep=SWEEP)


def false_alarms(seeds: int) -> None:
    """Print how many clean recordings of each kind have a finding, and which."""
    judged: Counter[str] = Counter()
    alarmed: Counter[str] = Counter()
    codes: Counter[str] = Counter()
    for name, sweep, one in clean_recordings(seeds):
        quality = judge_recording(one, sweep)
        judged[name] += 1
        alarmed[name] += bool(quality.findings)
        for finding in quality.findings:
            codes[f"{name}: {finding.code.value}, {finding.what}"] += 1
    print(f"{'clean recordings':32}{'judged':>8}{'with a finding':>16}")
    for name, count in judged.items():
        print(f"{name:32}{count:>8}{alarmed[name]:>16}")
    print(f"{'all':32}{sum(judged.values()):>8}{sum(alarmed.values()):>16}")
    for text, count in codes.items():
        print(f"  {count} times {text}")


def median_time(job: Callable[[], object], rounds: int = 15) -> float:
    """Return the median processor time of a job."""
    job()
    spent = []
    for _ in range(rounds):
        begin = time.process_time()
        job()
        spent.append(time.process_time() - begin)
    return statistics.median(spent)


def costs() -> None:
    """Print time and memory for 20 s at 48 kHz."""
    sweep = replace(SWEEP, length=9.0, lead_in=5.0, pause=2.0, tail=4.0)
    samples = np.zeros(20 * 48000)
    signal = noisy(heard(0.5, 0, sweep), sweep=sweep)[: samples.size]
    samples[: signal.size] = signal
    one = recording(samples, sweep=sweep)
    loopback = np.zeros(samples.size)
    loopback[: min(samples.size, played(sweep).size)] = played(sweep)[: samples.size]
    other = Recording(samples=loopback, sample_rate=48000, channel=2, channels=2)

    def first_call() -> object:
        prepare_inverse.cache_clear()
        return judge_recording(one, sweep)

    padded = scipy.fft.next_fast_len(samples.size + round(sweep.duration * 48000), real=True)

    def three() -> object:
        return [scipy.fft.rfft(samples, padded) for _ in range(3)]

    unit = median_time(three)
    jobs: dict[str, Callable[[], object]] = {
        "three real FFTs, padded": three,
        "three real FFTs, unpadded": lambda: [scipy.fft.rfft(samples) for _ in range(3)],
        "judge_recording": lambda: judge_recording(one, sweep),
        "the sweep's inverse not kept": first_call,
        "with a loopback": lambda: judge_recording(one, sweep, loopback=other),
    }
    print(f"\n20 s at 48 kHz, numpy {np.__version__}, scipy {scipy.__version__}")
    print(f"{'':32}{'ms':>8}{'ratio':>8}{'limit':>8}{'memory / channel':>18}")
    for name, job in jobs.items():
        spent = median_time(job)
        tracemalloc.start()
        job()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        limit = "1" if name == "judge_recording" else ""
        print(
            f"{name:32}{1e3 * spent:8.1f}{spent / unit:8.2f}{limit:>8}{peak / samples.nbytes:18.2f}"
        )


if __name__ == "__main__":
    costs()
    false_alarms(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
