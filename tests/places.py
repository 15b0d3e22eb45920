"""Where the tests find what they read."""

from pathlib import Path

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_measurements"
SAVED_PLANS = ROOT / "tests" / "saved_plans"
