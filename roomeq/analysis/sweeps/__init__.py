"""Recorded sweeps: from a recording to a response, its distortion and its decay."""
