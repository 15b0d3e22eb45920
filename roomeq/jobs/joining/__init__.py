"""The steps of a joining."""
