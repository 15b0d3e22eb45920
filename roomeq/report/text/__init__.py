"""Words and plain-text tables."""
