"""Time of a search, and the next load of 12 within a second. Run on request:

python -m pytest tests/benchmarks/test_isolation_studies.py -s     (error rates: manage.py simulate_isolation)
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from labbench.science.isolation import isolate
from labbench.science.sheet import RunnableLevels
from tests.science.sheets import random_sheet, sheet


def complaint():
    """Two failed coupons of one combination; all levels can be run: nothing is ruled out yet."""
    columns = {f"factor{number}": ["A", "A"] for number in range(5)} | {"cure_time_s": [60.0, 60.0]}
    levels = {name: tuple("ABCD") for name in columns} | {"cure_time_s": (30.0, 60.0, 120.0, 240.0)}
    return sheet(columns, [1, 1]), RunnableLevels(levels, ())


@pytest.mark.parametrize("known", ["complaint", "26 coupons"])
def test_next_coupons_of_six_factors_of_four_levels_take_less_than_a_second(known: str) -> None:
    """A load of 12, on one core."""
    table, runnable = complaint() if known == "complaint" else (random_sheet(26, 6, 4), None)
    isolate(table, next_count=12, runnable=runnable, rng=np.random.default_rng(1))
    began = time.process_time()
    isolate(table, next_count=12, runnable=runnable, rng=np.random.default_rng(1))
    took = time.process_time() - began
    print(f"\nnext load of 12, 6 factors of 4 levels, {known}: {took:.2f} s of processor time")
    assert took < 1


@pytest.mark.parametrize(("coupons", "factors", "levels"), [(24, 6, 4), (100, 10, 4), (400, 6, 40), (50_000, 6, 4)])
def test_time_of_a_search(coupons: int, factors: int, levels: int) -> None:
    table = random_sheet(coupons, factors, levels)
    began = time.perf_counter(), time.process_time()
    isolate(table, next_count=12, rng=np.random.default_rng(1))
    took = time.perf_counter() - began[0], time.process_time() - began[1]
    print(f"\n{coupons} coupons, {factors} factors of {levels}: {took[0]:.2f} s, {took[1]:.2f} s of processor time")
    assert took[1] < 30
