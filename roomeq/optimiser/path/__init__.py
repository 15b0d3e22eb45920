"""Which filters are in the path."""
