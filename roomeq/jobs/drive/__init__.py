"""Protective high-pass and headroom in a proposal."""
