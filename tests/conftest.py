"""Put the shared test material on the import path; one thread for the linear algebra library.

Many small matrix products: threads only get in each other's way, as in `roomeq.cli.main`.
"""

import gc
import os
import sys
from pathlib import Path

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
gc.disable()  # until all is collected: the syntax trees of all tests would be gone through in vain
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "benchmarks")]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The file that takes longest comes first: no processor is to wait for it at the end."""
    items.sort(key=lambda item: item.path.name != "test_notebooks.py")


def pytest_collection_finish() -> None:
    """What was collected stays: the garbage collector need not look through it after each test.

    And it may come more seldom than after every 700 objects: tests make many that soon go.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    gc.enable()
