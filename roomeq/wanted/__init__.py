"""What is wanted of the bass: target, limits, loss, and the span that is fitted."""
