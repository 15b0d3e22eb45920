"""Text exports, hand-typed tables, microphone files."""
