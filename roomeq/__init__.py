"""Calibrate bass in real rooms."""
