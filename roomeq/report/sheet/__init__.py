"""The settings sheet."""
