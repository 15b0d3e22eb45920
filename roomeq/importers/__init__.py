"""Read what was measured: text exports, hand-typed levels, microphone and room files."""
