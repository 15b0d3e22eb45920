"""Closed forms that tests compare with, written out here and shared with nothing in the package."""

import math

import numpy as np

AIR_DENSITY = 1.204  # kg per cubic metre, dry air at 20 degrees Celsius


def peaking_coefficients(*, centre, q, gain_db, sample_rate):
    """peakingEQ of the W3C Audio EQ Cookbook: numerator and denominator, a[0] = 1."""
    ratio, angle = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * centre / sample_rate
    alpha, middle = math.sin(angle) / (2.0 * q), -2.0 * math.cos(angle)
    numerator = np.array([1.0 + alpha * ratio, middle, 1.0 - alpha * ratio])
    denominator = np.array([1.0 + alpha / ratio, middle, 1.0 - alpha / ratio])
    return numerator / denominator[0], denominator / denominator[0]


def piston_level_db(volume_displacement_m3, frequencies):
    """Level at 1 m in half space: p_rms = rho (2 pi f)**2 Vd / (sqrt(2) 2 pi), Vd peak."""
    acceleration = (2.0 * math.pi * np.asarray(frequencies)) ** 2 / math.sqrt(2.0)
    pressure = AIR_DENSITY * acceleration * np.asarray(volume_displacement_m3) / (2.0 * math.pi)
    return 20.0 * np.log10(pressure / 20e-6)
