"""The whole evaluation: keys, plain numbers, repeatability, and sheets at the edge of sense."""

import json

import numpy as np
import pytest

from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests.science.sheets import random_sheet, sheet

NAN = float("nan")


def analysed(coupons, **options):
    return document(evaluate(coupons, **options))


def factor(found, name):
    return next(row for row in found["factors"] if row["factor"] == name)


def assert_plain(value, *, beside=None, path="document"):
    """No NaN, no library types."""
    if isinstance(value, dict):
        for key, inner in value.items():
            assert isinstance(key, str)
            assert_plain(inner, beside=value, path=f"{path}.{key}")
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            assert_plain(inner, path=f"{path}[{number}]")
    else:
        assert value is None or type(value) in (str, int, float, bool), f"{path} is a {type(value)}"
        json.dumps(value, allow_nan=False)


def test_keys_are_those_of_the_document():
    found = analysed(random_sheet(60, 3, 2))
    assert {"sheet", "factors", "confounded", "cause", "next_coupons", "warnings"} <= set(found)
    assert set(found["sheet"]) == {"coupons", "test", "failed", "rounds_planned", "controls"}
    first = found["factors"][0]
    assert {
        *("factor", "kind", "missing", "levels", "association", "unconditional", "trend", "stratified"),
        *("survival", "adjusted", "strength", "verdict"),
    } <= set(first)
    level = first["levels"][0]
    assert {
        *(
            "level",
            "coupons",
            "failed",
            "failure_share",
            "clopper_pearson",
            "wilson",
            "survival",
            "turnbull",
            "strength",
        ),
    } <= set(level)
    assert {"round", "survival", "low", "high"} <= set(level["survival"][0])
    assert {"after_round", "up_to_round", "mass"} <= set(level["turnbull"][0])
    assert {
        *("n", "mean_mpa", "sd_mpa", "median_mpa", "weibull_modulus", "characteristic_strength_mpa"),
        "percent_of_pristine",
    } <= set(level["strength"])
    assert {"ratio", "low", "high"} <= set(level["strength"]["percent_of_pristine"])
    assert {"method", "p_value", "p_value_holm"} <= set(first["association"])
    assert {"method", "p_value"} <= set(first["unconditional"])
    assert {"method", "statistic", "p_value"} <= set(found["factors"][2]["trend"])
    assert [row["by"] for row in first["stratified"]] == ["factor1", "block"]
    assert {"method", "statistic", "df", "p_value", "common_odds_ratio", "homogeneity_p_value"} <= set(
        first["stratified"][0]
    )
    assert {"method", "statistic", "df", "p_value", "by_block"} <= set(first["survival"])
    assert {"statistic", "df", "p_value"} <= set(first["survival"]["by_block"])
    assert {"method", "statistic", "df", "p_value"} <= set(first["adjusted"])
    assert {"statistic", "df", "p_value"} <= set(first["strength"]["kruskal_wallis"])
    assert {"statistic", "df1", "df2", "p_value"} <= set(first["strength"]["welch"])
    assert {"statistic", "df", "p_value"} <= set(first["strength"]["worst_rank"])
    assert_plain(found)


def test_same_seed_gives_the_same_bytes():
    coupons = random_sheet(120, 4, 3)
    assert json.dumps(analysed(coupons, seed=7)) == json.dumps(analysed(coupons, seed=7))


def test_only_test_coupons_enter():
    coupons = sheet(
        {"resin": ["A", "A", "B", "B", "B", None]},
        [1, 0, 0, 0, 0, 0],
        roles=["test", "test", "test", "test", "unrepaired", "pristine"],
    )
    found = analysed(coupons)
    assert found["sheet"]["controls"] == {"pristine": 1, "unrepaired": 1, "reference": 0}
    assert found["sheet"]["test"] == 4
    assert [level["coupons"] for level in found["factors"][0]["levels"]] == [2, 2]
    assert found["factors"][0]["missing"] == 0


def test_unknown_levels_are_counted_and_left_out():
    found = analysed(sheet({"resin": ["A", "B", None, "A"]}, [1, 0, 1, 1]))
    assert found["factors"][0]["missing"] == 1
    assert sum(level["coupons"] for level in found["factors"][0]["levels"]) == 3


def test_sentence_tells_counts_and_chance():
    lamps = ["L1"] * 12 + ["L2"] * 12
    found = analysed(sheet({"lamp": lamps}, [0] * 12 + [1] * 7 + [0] * 5))
    # Fisher's two-sided p of 7/12 against 0/12: 2 C(12, 7) / C(24, 7) = 0.00458.
    assert factor(found, "lamp")["sentence"] == (
        "7 of 12 under lamp L2 failed, 0 of 12 under lamp L1; a difference this large between the levels would come up "
        "by chance about 1 time in 220."
    )


def test_odds_ratio_is_of_the_second_level_against_the_first():
    resins = ["A", "B"] * 20
    rounds = [0, 1, 0, 1, 1, 0, 0, 1, 0, 0] * 4
    found = analysed(sheet({"resin": resins, "lamp": ["L1"] * 20 + ["L2"] * 20}, rounds))
    stratified = factor(found, "resin")["stratified"][0]
    # Each stratum: A 2 of 10 failed, B 6 of 10: odds ratio (6 / 4) / (2 / 8) = 6.
    assert stratified["common_odds_ratio"] == pytest.approx(6)
    assert (stratified["odds_ratio"]["of"], stratified["odds_ratio"]["against"]) == ("B", "A")
    assert stratified["homogeneity_p_value"] == pytest.approx(1)


def test_perfectly_confounded_factors_have_no_adjusted_test():
    resins = ["A"] * 6 + ["B"] * 6
    lamps = ["L1"] * 6 + ["L2"] * 6
    glass = ["g", "h"] * 6
    found = analysed(sheet({"resin": resins, "lamp": lamps, "glass": glass}, [1, 0, 0, 0, 0, 0, 1, 1, 1, 0, 1, 1]))
    assert factor(found, "resin")["adjusted"]["p_value"] is None
    assert "resin can't be told apart from lamp" in factor(found, "resin")["adjusted"]["reason"]
    assert "lamp can't be told apart from resin" in factor(found, "lamp")["adjusted"]["reason"]
    assert factor(found, "glass")["adjusted"]["p_value"] > 0
    assert factor(found, "resin")["stratified"][0]["p_value"] is None


def test_only_the_exact_test_of_each_factor_is_confirmatory():
    found = analysed(random_sheet(60, 3, 2))
    for row in found["factors"]:
        assert row["association"]["family"] == "confirmatory"
        assert {row[part]["family"] for part in ("survival", "adjusted", "hazard")} == {"exploratory"}
    raw = [row["association"]["p_value"] for row in found["factors"]]
    # Holm (1979): the smallest of three is multiplied by three.
    smallest = min(range(3), key=raw.__getitem__)
    assert found["factors"][smallest]["association"]["p_value_holm"] == pytest.approx(min(3 * raw[smallest], 1))


def test_progress_counts_to_its_total_and_may_cancel():
    seen = []
    evaluate(random_sheet(30, 2, 2), progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 5), (2, 5), (3, 5), (4, 5), (5, 5)]

    def cancel(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        evaluate(random_sheet(30, 2, 2), progress=cancel)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"confidence": 1.0}, "confidence 1.0 is not between 0 and 1"),
        ({"margin": 0.0}, "margin 0.0 is not between 0 and 1"),
        ({"next_count": -1}, "-1 coupons can't be proposed"),
    ],
)
def test_refuses_senseless_options(options, message):
    with pytest.raises(ValueError, match=message):
        evaluate(random_sheet(20, 2, 2), **options)


@pytest.mark.parametrize(
    "coupons",
    [
        pytest.param(sheet({"resin": []}, []), id="empty"),
        pytest.param(sheet({}, [1, 0]), id="no factor"),
        pytest.param(sheet({"resin": ["A"]}, [1]), id="one coupon"),
        pytest.param(sheet({"resin": ["A", "A"], "lamp": ["L1", "L2"]}, [1, 0]), id="one level"),
        pytest.param(sheet({"resin": ["A", "B"] * 3, "cure_s": [1.0, 2.0, 3.0] * 2}, [1] * 6), id="all failed"),
        pytest.param(sheet({"resin": ["A", "B"] * 3, "cure_s": [1.0, 2.0, 3.0] * 2}, [0] * 6), id="none failed"),
        pytest.param(sheet({"resin": [None] * 4, "lamp": ["L1", "L2"] * 2}, [1, 0, 0, 0]), id="nothing known"),
        pytest.param(
            sheet({"resin": ["A", "B", None, None], "lamp": [None, None, "L1", "L2"]}, [1, 0, 1, 0]),
            id="never known together",
        ),
        pytest.param(sheet({"resin": ["A", "B"] * 3}, [0] * 6, strength_mpa=[50.0] * 6), id="constant strength"),
        pytest.param(sheet({"resin": ["A", "B"] * 3}, [0] * 6, strength_mpa=[0.0] * 6), id="zero strength"),
        pytest.param(
            sheet({"resin": ["A", "B"] * 3}, [0] * 6, strength_mpa=[-1.0, 2, 3, 0, 5, NAN]), id="negative strength"
        ),
        pytest.param(
            sheet({"resin": ["A", "B"] * 3}, [0] * 6, strength_mpa=[1e300, 2, 3, 1e-300, 5, float("inf")]),
            id="absurd strength",
        ),
        pytest.param(
            sheet(
                {"resin": ["A", "B"] * 3},
                [0] * 6,
                strength_mpa=[50.0, 51, 49, 50, 52, 53],
                roles=["pristine"] + ["test"] * 5,
            ),
            id="one pristine",
        ),
        pytest.param(sheet({"dose_mj_cm2": [1.0, float("inf"), 3.0, 1.0]}, [1, 0, 0, 0]), id="infinite dose"),
        pytest.param(sheet({"dose_mj_cm2": [1e308, -1e308, 3.0, 1.0]}, [1, 0, 0, 0]), id="huge dose"),
        pytest.param(sheet({"resin": ["A", "B"] * 2}, [0] * 4, rounds_survived=[0] * 4), id="no round done"),
        pytest.param(sheet({"resin": ["A", "B"] * 2}, [1, 0] * 2, roles=["pristine"] * 4), id="no test coupon"),
        pytest.param(
            sheet({"resin": ["A", "B"] * 2}, [900, 0] * 2, rounds_survived=[0, 1000] * 2, rounds=1000), id="many rounds"
        ),
        pytest.param(random_sheet(400, 2, 40), id="40 levels"),
        pytest.param(
            sheet({"a": list("AABB") * 3, "b": list("LLMM") * 3, "c_s": [1.0, 1, 2, 2] * 3}, [1, 0, 0, 0] * 3),
            id="three aliased",
        ),
        pytest.param(sheet({"a": list("ABCD"), "b": list("LMNO"), "c": list("WXYZ")}, [1, 0, 0, 1]), id="saturated"),
    ],
)
def test_edge_sheets_give_numbers_or_reasons(coupons):
    found = analysed(coupons)
    assert_plain(found)
    for row in found["factors"]:
        tests = [row["association"], row["survival"], row["adjusted"], *row["stratified"]]
        tests += [row["unconditional"] or {}, row["trend"] or {}, *(row["strength"] or {}).values()]
        for test in (test for test in tests if isinstance(test, dict)):
            if test and test["p_value"] is None:
                assert len(test["reason"]) > 10
            elif test:
                assert 0 <= test["p_value"] <= 1


def test_relabelled_levels_change_no_number():
    coupons = random_sheet(90, 3, 3, seed=3)
    first = coupons.factors[0]
    new_names = {"L00": "zeta", "L01": "alpha", "L02": "mid"}
    values = [new_names[first.levels[code]] for code in first.codes]
    renamed = sheet(
        {"factor0": values} | {f.name: [f.levels[code] for code in f.codes] for f in coupons.factors[1:]},
        list(coupons.failed_round),
        rounds_survived=list(coupons.rounds_survived),
        strength_mpa=list(coupons.strength_mpa),
        blocks=list(coupons.blocks),
        roles=list(coupons.roles),
    )
    before, after = analysed(coupons)["factors"][0], analysed(renamed)["factors"][0]
    for part in ("association", "survival", "adjusted"):
        assert after[part]["p_value"] == pytest.approx(before[part]["p_value"], rel=1e-9)
    for old, new in zip(before["stratified"], after["stratified"], strict=True):
        assert new["statistic"] == pytest.approx(old["statistic"], rel=1e-9)


def test_a_large_sheet_is_evaluated():
    found = analysed(random_sheet(50_000, 2, 3))
    assert found["sheet"]["coupons"] == 50_000
    assert found["factors"][0]["survival"]["p_value"] < 1e-9
    assert np.isfinite(found["factors"][1]["adjusted"]["p_value"])


def test_the_document_tells_the_trail_and_what_each_outcome_would_mean():
    """Loads named against their order: resin isolated by the second one, which names put first."""
    resin = ["R1"] * 3 + ["R2"] * 3 + ["R1"] * 2 + ["R2"] * 2
    lamp = ["L1"] * 3 + ["L2"] * 3 + ["L2"] * 2 + ["L1"] * 2
    coupons = sheet(
        {"resin": resin, "lamp": lamp}, [1, 2, 3, 0, 0, 0, 1, 1, 0, 0], blocks=["spring"] * 6 + ["autumn"] * 4
    )
    found = document(evaluate(coupons, next_count=4, load_order=("spring", "autumn")))
    assert [(step["block"], step["coupons_so_far"], step["isolated"]) for step in found["trail"]] == [
        ("spring", 6, None),
        ("autumn", 10, "resin = R1"),
    ]
    assert found["trail"][0]["guilt"] == pytest.approx({"resin": 0.612849, "lamp": 0.612849}, abs=1e-6)
    by_name = document(evaluate(coupons, next_count=4))["trail"]
    assert [step["block"] for step in by_name] == ["autumn", "spring"]
    assert found["cause"]["stop"] is None
    for row in found["next_coupons"]:
        assert 0 < row["expected_failing"] < 1
        assert row["why"].endswith(".")
        assert {row["if_all_fail"]["cause"], row["if_all_hold"]["cause"]} <= {"resin = R1", "none"}
