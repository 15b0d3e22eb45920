"""Why a measurement differs from a plan: what was observed, and what would explain it."""
