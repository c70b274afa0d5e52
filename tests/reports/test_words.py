"""What an analysis says in words."""

import pytest

from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.reports.answer import answer, verdict_about, verdict_words
from labbench.reports.tests_in_words import disagreements, test_rows
from labbench.reports.wording import factor_label, level_label, listed, plainly
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests.reports.analysed import HEADER, mixed_rows, row

N = "\u202f"
NB = "\u00a0"


def result_of(rows, **details):
    return document(evaluate(read_coupon_sheet("\n".join([HEADER, *rows]).encode()).sheet, next_count=6, **details))


@pytest.fixture(scope="module")
def mixed():
    return result_of(mixed_rows())


def factor(result, name):
    return next(f for f in result["factors"] if f["factor"] == name)


def without_isolation(result):
    return {**result, "cause": None, "confounded": None, "next_coupons": None, "reason": "the factors are too many"}


def test_factors_and_levels_are_named_as_people_do():
    assert factor_label("cure_time_s") == "cure time"
    assert factor_label("resin_lot") == "resin lot"
    assert level_label("cure_time_s", 60.0) == f"60{N}s"
    assert level_label("resin_lot", "Ä 0412") == "Ä 0412"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed([]) == ""


@pytest.mark.parametrize(
    ("words", "plain"),
    [
        ("resin_lot = B or cure_time_s <= 60", f"resin lot = B or cure time ≤ 60{N}s"),
        ("cure_time_s >= 120", f"cure time ≥ 120{N}s"),
        ("cure_time_s", "cure time"),
        ("Resin_lot = B is the cause.", "resin lot = B is the cause."),
        ("a difference from resin_lot.", "a difference from resin lot."),
        ("xresin_lot stays", "xresin_lot stays"),
    ],
)
def test_the_science_is_retold_with_those_names(words, plain):
    assert plainly(words, ["resin_lot", "cure_time_s"]) == plain


def test_the_answer_counts_and_names_the_most_probable_cause(mixed):
    found = answer(mixed)
    assert found.sentences[0] == "16 of 36 test coupons cracked out within 3 rounds."
    top = mixed["cause"]["hypotheses"][0]
    assert top["cause"] == "resin_lot = B"
    assert "resin lot = B" in found.headline + found.text
    assert "resin_lot" not in found.headline + found.text


def test_an_isolated_cause_is_the_headline_and_says_whether_it_is_confirmed(mixed):
    cause = {"hypotheses": [{"cause": "resin_lot = B", "probability": 0.972}], "isolated": "resin_lot = B"}
    open_one = answer({**mixed, "cause": {**cause, "confirmed": False}})
    assert (open_one.state, open_one.headline) == ("implicated", "The failing variable: resin lot = B")
    assert f"Probability 97{N}% that resin lot = B is the cause." in open_one.sentences
    assert "It is not confirmed yet: coupons run after it was named have still to agree." in open_one.sentences
    assert "New coupons have confirmed it." in answer({**mixed, "cause": {**cause, "confirmed": True}}).sentences


def test_no_factor_at_all_may_be_the_answer(mixed):
    cause = {"hypotheses": [{"cause": "none", "probability": 0.99}], "isolated": "none", "confirmed": True}
    assert answer({**mixed, "cause": cause}).headline == "None of the factors makes the difference"


def test_a_missing_cause_gives_its_reason_and_what_the_tests_say(mixed):
    found = answer(without_isolation(mixed))
    assert found.headline == "Which variable fails is not decided"
    assert "The probability of each cause is missing: the factors are too many." in found.sentences
    assert "With all factors looked at together, resin lot stands out beyond chance." in found.sentences


def test_without_test_coupons_there_is_nothing_to_compare():
    assert answer(result_of([row(0, role="pristine")])).headline == "There is nothing to compare yet"


def test_the_lamp_that_came_with_the_lot_is_told_from_it_in_words(mixed):
    lamp = factor(mixed, "lamp")
    plain, adjusted = lamp["association"]["p_value"], lamp["adjusted"]["p_value"]
    assert plain <= 0.05 < adjusted
    words = disagreements(lamp, confidence=0.95)[0]
    assert words.startswith(f"By itself lamp stands out (p{NB}=")
    assert "not among coupons of the same resin lot" in words
    assert "not with all factors looked at together" in words
    assert disagreements(factor(mixed, "resin_lot"), confidence=0.95) == []


def test_a_hidden_difference_and_an_order_turned_round_are_said():
    # Within each lot L2 fails more often; pooled, L1 does, for it ran mostly with the bad lot.
    counts = {("A", "L1"): (10, 1), ("A", "L2"): (40, 9), ("B", "L1"): (40, 28), ("B", "L2"): (10, 9)}
    lamp = factor(result_of(mixed_rows(counts)), "lamp")
    words = " ".join(disagreements(lamp, confidence=0.95))
    assert (
        "In the plain shares L1 fails more often than L2; with resin lot held fixed it is the other way round." in words
    )


def test_every_test_of_the_document_is_asked_and_answered(mixed):
    lot = factor(mixed, "resin_lot")
    rows = test_rows(lot, confidence=0.95)
    shown = {row.p_value for row in rows}
    expected = {lot["association"]["p_value"], lot["association"]["p_value_holm"], lot["survival"]["p_value"]}
    expected |= {lot["adjusted"]["p_value"], *(finding["p_value"] for finding in lot["stratified"])}
    expected |= {finding["p_value"] for key, finding in lot["strength"].items() if finding and key != "pairs"}
    assert expected <= shown
    by_lamp = next(row for row in rows if row.question == "Does it differ among coupons of the same lamp?")
    assert "Odds of failing under B" in by_lamp.detail


def test_what_was_not_computed_shows_its_reason():
    result = result_of([row(i, "A", "L1", failed=i < 2) for i in range(4)])
    rows = test_rows(factor(result, "lamp"), confidence=0.95)
    reasons = [row.answer for row in rows if row.p_value is None]
    assert reasons
    assert all(
        answer.startswith("Not computed: ") and answer != "Not computed: no reason is given." for answer in reasons
    )


def test_a_verdict_names_its_level_or_the_factors_it_is_mixed_with():
    assert verdict_about("cure_time_s", {"state": "implicated", "level": 60.0}) == f"60{N}s"
    assert verdict_about("lamp", {"state": "confounded", "level": None, "with": ["resin_lot"]}) == "with resin lot"
    assert verdict_about("lamp", {"state": "implicated", "level": None}) == ""
    assert verdict_words(None, []) == "No verdict was computed for this factor."
    words = verdict_words(
        {"state": "cleared", "reason": "resin_lot does not move it", "probability": 0.004}, ["resin_lot"]
    )
    assert words == f"Resin lot does not move it. Probability that it has a part in the cause: 0.4{N}%."
