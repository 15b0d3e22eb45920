"""Costly functions that give the same for the same input: worked once a process for all tests."""

import functools
import pickle

import pytest

from roomeq.jobs.joining import solution
from roomeq.optimiser.path import estimation


@functools.cache
def remembered(function):
    """Return a function that works once for all calls with equal contents of all arguments."""
    known = {}

    @functools.wraps(function)
    def found(*arguments, **options):
        key = pickle.dumps((arguments, sorted(options.items())))
        if key not in known:
            known[key] = function(*arguments, **options)
        return known[key]

    return found


@pytest.fixture(scope="module")
def joining_once():
    """What low-passes are engaged, and what bands suit the sum, is found once for each input.

    For modules that change nothing within these searches.
    """
    with pytest.MonkeyPatch.context() as patch:
        for module, name in ((estimation, "estimate_path"), (solution, "solve_sum_bands")):
            patch.setattr(module, name, remembered(getattr(module, name)))
        yield
