"""Sheets nobody would plan: whatever is in them, the document is strict JSON, says why where it has no number, and warns of nothing."""

import json

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests.science.sheets import sheet

settings.register_profile("science", deadline=None, max_examples=40, derandomize=True)
settings.load_profile("science")

NAN = float("nan")
ODD_STRENGTHS = [NAN, 1e-300, 1e300, 0.0, -5.0, 50.0, 50.0, 61.5, float("inf"), 5e-324, 1e9, 40.0]
ODD_DOSES = [0.0, 1.0, 1e-300, 1e308, -1e308, float("inf"), 60.0, 120.0, 5e-324]


@st.composite
def odd_sheets(draw):
    n = draw(st.integers(0, 40))
    random = np.random.default_rng(draw(st.integers(0, 10_000)))
    columns = {}
    for number in range(draw(st.integers(0, 4))):
        levels = draw(st.sampled_from([1, 2, 2, 3, 5, 40]))
        unknown = draw(st.sampled_from([0.0, 0.0, 0.2, 1.0]))
        if draw(st.booleans()):
            names, values = f"dose{number}_mj_cm2", random.choice(ODD_DOSES[:levels], n)
        else:
            names, values = f"factor{number}", random.integers(0, levels, n)
        if draw(st.booleans()) and columns:
            values = np.unique(list(map(str, next(iter(columns.values())))), return_inverse=True)[1]
            names = f"twin{number}"
        plain = [float(v) if names.startswith("dose") else f"L{v}" for v in values]
        columns[names] = [None if gone else v for v, gone in zip(plain, random.random(n) < unknown, strict=True)]
    rounds = draw(st.sampled_from([0, 1, 3, 3, 30, 900]))
    share = draw(st.sampled_from([0.0, 0.05, 0.5, 1.0]))
    failed = np.where(random.random(n) < share, random.integers(1, max(rounds, 1) + 1, n), 0)
    survived = np.where(failed > 0, random.integers(0, np.maximum(failed, 1)), random.integers(0, rounds + 1, n))
    usual = draw(st.sampled_from([0.0, 0.5, 1.0]))
    strength = np.where(random.random(n) < usual, 60 + 8 * random.standard_normal(n), random.choice(ODD_STRENGTHS, n))
    roles = random.choice(["test", "pristine", "unrepaired", "reference"], n, p=draw(
        st.sampled_from([[1.0, 0, 0, 0], [0.6, 0.2, 0.1, 0.1], [0.0, 0.4, 0.3, 0.3]])
    ))  # fmt: skip
    blocks = random.choice(["one", "two", None], n) if draw(st.booleans()) else None
    origins = list(random.choice(["at_repair", "elsewhere", "machine_limit", None], n)) if draw(st.booleans()) else None
    return sheet(
        columns,
        list(failed),
        rounds_survived=list(survived),
        rounds=rounds,
        strength_mpa=list(strength),
        roles=list(roles),
        blocks=None if blocks is None else list(blocks),
        origins=origins,
    )


def without_reason(value, path="factor"):
    """Where a null stands without a sentence beside it."""
    if isinstance(value, list):
        return [found for number, part in enumerate(value) for found in without_reason(part, f"{path}[{number}]")]
    if not isinstance(value, dict):
        return []
    found = [found for key, part in value.items() for found in without_reason(part, f"{path}.{key}")]
    nulls = [key for key, part in value.items() if part is None]
    if path.endswith("].survival"):
        # That no block is known stands with the factor.
        nulls = [key for key in nulls if key != "by_block"]
    if nulls and len(value.get("reason") or "") < 10:
        found += [f"{path}.{key}" for key in nulls]
    return found


def p_values(value):
    """Every p-value of a document."""
    if isinstance(value, list):
        return [p for part in value for p in p_values(part)]
    if not isinstance(value, dict):
        return []
    own = [part for key, part in value.items() if key.endswith("p_value") and part is not None]
    return own + [p for part in value.values() for p in p_values(part)]


def assert_in_order(found):
    json.dumps(found, allow_nan=False)
    assert without_reason(found["factors"]) == []
    assert all(0 <= p <= 1 for p in p_values(found))


@given(odd_sheets(), st.sampled_from([0.15, 0.001, 0.999]), st.sampled_from([0.95, 0.5, 0.999]))
def test_any_sheet_gives_numbers_or_reasons(coupons, margin, confidence):
    assert_in_order(document(evaluate(coupons, margin=margin, confidence=confidence, next_count=2)))
