"""Bytes changed at random in files of every kind: only our own errors come out, never a warning."""

import pytest
from mutated_files import SEEDS, failures


@pytest.mark.parametrize("name", SEEDS)
def test_only_our_own_errors_come_out(tmp_path, name):
    for data, error in failures(name, runs=400, seed=20, folder=tmp_path):
        raise AssertionError(f"{name}: {data!r}") from error
