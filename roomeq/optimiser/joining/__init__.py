"""Subwoofer and mains together: polarity, delay, level, bands by the sum."""
