"""Play many studies with a known cause: error rates and coupons of the search against fixed plans. Run on request:

python -m pytest tests/benchmarks/test_isolation_studies.py -s     (LABBENCH_STUDIES=1000 for more of them)
"""

from __future__ import annotations

import os
import time

import numpy as np
import pytest

from labbench.science.isolation import isolate
from labbench.science.isolation_simulation import TRUTHS, Scenario, Strategy, Truth, play, summary
from tests.science.sheets import random_sheet

STUDIES = int(os.environ.get("LABBENCH_STUDIES", "100"))


@pytest.mark.parametrize("truth", TRUTHS)
@pytest.mark.parametrize("strategy", ["sequential", "one at a time", "factorial", "array"])
def test_error_rates_and_coupons(strategy: Strategy, truth: Truth) -> None:
    studies = [play(Scenario(truth), strategy=strategy, rng=np.random.default_rng([7, n])) for n in range(STUDIES)]
    found = summary(studies)
    print(
        f"\n{strategy}, {truth}: false {found.false.share:.3f} +- {found.false.standard_error:.3f}, "
        f"missed {found.missed.share:.3f} +- {found.missed.standard_error:.3f}, guilty cleared "
        f"{found.guilty_cleared.share:.3f}, coupons median {found.median_coupons:g}, mean {found.mean_coupons:.1f}, "
        f"90 % {found.ninety_percent_coupons:g}"
    )
    if strategy == "sequential":
        assert found.false.share <= 0.05


@pytest.mark.parametrize(("coupons", "factors", "levels"), [(24, 6, 4), (100, 10, 4), (400, 6, 40), (50_000, 6, 4)])
def test_time_of_a_search(coupons: int, factors: int, levels: int) -> None:
    table = random_sheet(coupons, factors, levels)
    began = time.perf_counter(), time.process_time()
    isolate(table, next_count=12, rng=np.random.default_rng(1))
    took = time.perf_counter() - began[0], time.process_time() - began[1]
    print(f"\n{coupons} coupons, {factors} factors of {levels}: {took[0]:.2f} s, {took[1]:.2f} s of processor time")
    assert took[1] < 30
