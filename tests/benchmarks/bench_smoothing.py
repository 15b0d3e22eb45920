"""Time of smoothing against one numpy cumsum over the same spectrum. Run by hand.

Figures to reach, for 480,000 bins on a 1/48-octave axis: the bass (10 to 300 Hz) at most 0.2
times, the whole band at most 1.5 times one cumsum; within 1e-6 dB of the direct sum.

Run it as ``python tests/benchmarks/bench_smoothing.py``.
"""

import math
import timeit

import numpy as np

from roomeq.analysis.smoothing import smooth_power, smooth_power_db
from roomeq.base.bands import logarithmic_axis

BINS, SPACING = 480_000, 0.05  # 0.05 Hz to 24 kHz
SPANS = {"bass": (10.0, 300.0, 0.2), "whole band": (10.0, 23_500.0, 1.5)}


def best_ms(call, repeats=40):
    """Return the least time of a call, in ms, once it is warm."""
    call()
    return min(timeit.repeat(call, number=3, repeat=repeats)) / 3 * 1e3


def direct_db(frequencies, power, *, at, fraction):
    """Return the level of the mean by its definition, summed with math.fsum."""
    half = 2.0 ** (0.5 / fraction)
    near = (frequencies > at / half - 1) & (frequencies < at * half + 1)
    x, y = np.log(frequencies[near]), power[near]
    places = np.log([at / half, min(at * half, frequencies[-1])])
    inside = x[(x > places[0]) & (x < places[1])]
    places = np.concatenate((places[:1], inside, places[1:]))
    heights = np.interp(places, x, y)
    total = math.fsum(np.diff(places) * (heights[1:] + heights[:-1]) / 2)
    return 10 * math.log10(total / (places[-1] - places[0]))


def main():
    rng = np.random.default_rng(1)
    frequencies = np.arange(1, BINS + 1) * SPACING
    power = rng.exponential(size=BINS)
    level_db = 10 * np.log10(power)
    cumsum = best_ms(lambda: np.cumsum(power))
    print(f"one cumsum of {BINS} bins: {cumsum:.3f} ms")
    print(f"{'axis':<12}{'points':>7}{'fraction':>9}{'power':>9}{'levels':>9}{'at most':>9}")
    for name, (lowest, highest, allowed) in SPANS.items():
        at = logarithmic_axis(lowest, highest, per_octave=48)
        for fraction in (1, 3, 12, 48):

            def of_power(at=at, fraction=fraction):
                return smooth_power(frequencies, power, at=at, fraction=fraction)

            def of_levels(at=at, fraction=fraction):
                return smooth_power_db(frequencies, level_db, at=at, fraction=fraction)

            ratios = [best_ms(call) / cumsum for call in (of_power, of_levels)]
            print(
                f"{name:<12}{at.size:>7}{f'1/{fraction}':>9}"
                f"{ratios[0]:>9.3f}{ratios[1]:>9.3f}{allowed:>9}"
            )
    print("largest difference from the direct sum, in dB (at most 1e-6):")
    at = logarithmic_axis(10.0, 23_500.0, per_octave=48)
    for slope_db_per_octave in (-96, 0, 96):
        tilted = power * 10 ** (slope_db_per_octave * np.log2(frequencies / 500) / 10)
        for fraction in (1, 48):
            found = 10 * np.log10(smooth_power(frequencies, tilted, at=at, fraction=fraction))
            worst = max(
                abs(found[i] - direct_db(frequencies, tilted, at=at[i], fraction=fraction))
                for i in range(0, at.size, 29)
            )
            print(f"{slope_db_per_octave:>5} dB/octave, 1/{fraction:<3} {worst:.1e}")


if __name__ == "__main__":
    main()
