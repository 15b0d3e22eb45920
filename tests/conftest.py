"""Put the shared test material on the import path; one thread for the linear algebra library.

Many small matrix products: threads only get in each other's way, as in `roomeq.cli.main`.
"""

import gc
import os
import sys
from collections.abc import Generator
from pathlib import Path

import pytest

WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")  # gw0, gw1 ...
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
gc.disable()  # until all is collected: the syntax trees of all tests would be gone through in vain
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "benchmarks")]


def pytest_configure(config: pytest.Config) -> None:
    """Import hypothesis as it is: pytest would rewrite all of it, as every plugin's package."""
    getattr(config.pluginmanager.rewrite_hook, "_must_rewrite", set()).discard("hypothesis")


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Every other process begins at the end: each finds half of the bytecode made by another."""
    report = yield
    if isinstance(collector, pytest.Directory) and WORKER and int(WORKER[2:]) % 2:
        report.result.reverse()
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The file that takes longest comes first: no processor is to wait for it at the end."""
    items.sort(key=lambda item: (item.path.name != "test_notebooks.py", WORKER and item.path))


def pytest_collection_finish() -> None:
    """What was collected stays: the garbage collector need not look through it after each test.

    And it may come more seldom than after every 700 objects: tests make many that soon go.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    gc.enable()
