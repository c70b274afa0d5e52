"""What an analysis says in words."""

import re

import pytest

from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.reports.answer import answer, verdict_about, verdict_words
from labbench.reports.causes import least_per_level, warnings_in_words
from labbench.reports.tests_in_words import disagreements, test_rows, varied
from labbench.reports.wording import ISOLATE, factor_label, level_label, listed, names_apart, plainly
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
    assert level_label("resin_lot", "(ערכה) שרף 12") == "\u2068(ערכה) שרף 12\u2069"
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
        ("9 of 9 under cure_time_s 60.0 and 90.5 failed", f"9 of 9 under cure time 60{N}s and 90.5{N}s failed"),
        ("under cure_time_s 60.0, 90.0 and 120.0 failed", f"under cure time 60{N}s, 90{N}s and 120{N}s failed"),
        ("under cure_time_s 60.0 and 3 of 4 without", f"under cure time 60{N}s and 3 of 4 without"),
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
    assert f"Probability 97.2{N}% that resin lot = B is the cause." in open_one.sentences
    assert "It is not confirmed yet: coupons run after it was named have still to agree." in open_one.sentences
    assert "New coupons have confirmed it." in answer({**mixed, "cause": {**cause, "confirmed": True}}).sentences
    load = {"block": "Load 3", "accused": 4, "accused_failed": 3, "others": 5, "others_failed": 0, "p_value": 0.0476}
    told = answer({**mixed, "cause": {**cause, "confirmed": True, "confirmation": load}}).text
    assert (
        "New coupons have confirmed it: in Load 3 alone 3 of 4 with it failed, 0 of 5 without it (p = 0.048, Fisher’s exact test, "
        "one-sided)." in told
    )
    told = answer({**mixed, "cause": {**cause, "confirmed": False, "confirmation": load | {"accused_failed": 1}}}).text
    assert "It is not confirmed: in Load 3 alone 1 of 4 with it failed" in told


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
    words = disagreements(lamp, confidence=0.95, besides=None)[0]
    assert words.startswith(f"By itself lamp stands out (p{NB}=")
    assert "not among coupons of the same resin lot" in words
    assert "not with all factors looked at together" in words
    assert disagreements(factor(mixed, "resin_lot"), confidence=0.95, besides=None) == []


def test_a_hidden_difference_and_an_order_turned_round_are_said():
    # Within each lot L2 fails more often; pooled, L1 does, for it ran mostly with the bad lot.
    counts = {("A", "L1"): (10, 1), ("A", "L2"): (40, 9), ("B", "L1"): (40, 28), ("B", "L2"): (10, 9)}
    lamp = factor(result_of(mixed_rows(counts)), "lamp")
    words = " ".join(disagreements(lamp, confidence=0.95, besides=None))
    assert (
        "In the plain shares L1 fails more often than L2; with resin lot held fixed it is the other way round." in words
    )


def test_every_test_of_the_document_is_asked_and_answered(mixed):
    lot = factor(mixed, "resin_lot")
    rows = test_rows(lot, confidence=0.95, besides=None)
    shown = {row.p_value for row in rows}
    expected = {lot["association"]["p_value"], lot["association"]["p_value_holm"], lot["survival"]["p_value"]}
    expected |= {lot["adjusted"]["p_value"], *(finding["p_value"] for finding in lot["stratified"])}
    expected |= {finding["p_value"] for key, finding in lot["strength"].items() if finding and key != "pairs"}
    assert expected <= shown
    by_lamp = next(row for row in rows if row.question == "Does it differ among coupons of the same lamp?")
    assert "Odds of failing under B" in by_lamp.detail


def test_what_was_not_computed_shows_its_reason():
    result = result_of([row(i, "A", "L1", failed=i < 2) for i in range(4)])
    rows = test_rows(factor(result, "lamp"), confidence=0.95, besides=None)
    reasons = [row.answer for row in rows if row.p_value is None]
    assert reasons
    assert all(
        answer.startswith("Not computed: ") and answer != "Not computed: no reason is given." for answer in reasons
    )


def test_a_verdict_names_its_level_or_the_factors_it_is_mixed_with():
    def about(name, **verdict):
        return verdict_about({"factor": name, "verdict": {"state": "implicated", "level": None, **verdict}})

    assert about("cure_time_s", level=60.0) == f"60{N}s"
    assert about("lamp", state="confounded", **{"with": ["resin_lot"]}) == "with resin lot"
    assert about("lamp") == ""
    assert verdict_about({"factor": "lamp", "verdict": None}) == ""
    assert verdict_words(None, []) == "No verdict was computed for this factor."
    words = verdict_words(
        {"state": "cleared", "reason": "resin_lot does not move it", "probability": 0.004}, ["resin_lot"]
    )
    assert words == f"Resin lot does not move it. Probability that it has a part in the cause: 0.4{N}%."


def compared(counts):
    """One factor that varied, one lamp and one load."""
    rows = [
        f"C{lot}{i},test,{lot},L1,60,load 1,3,{0 if i < failed else 3},{1 if i < failed else ''},,"
        for lot, (coupons, failed) in counts.items()
        for i in range(coupons)
    ]
    sheet = read_coupon_sheet("\n".join([HEADER, *rows]).encode()).sheet
    return document(evaluate(sheet, next_count=8)), sheet


@pytest.fixture(scope="module")
def three_and_none():
    return compared({"A": (3, 0), "B": (3, 3)})


def test_what_never_changed_explains_nothing_and_hides_nothing(three_and_none):
    result, sheet = three_and_none
    lot = factor(result, "resin_lot")
    assert lot["association"]["p_value"] == pytest.approx(0.1)  # two-sided Fisher, 3 of 3 against 0 of 3
    assert lot["adjusted"]["p_value"] < 0.05  # the large-sample test says more than the exact one
    assert varied(result, sheet) == {"resin_lot"}
    assert disagreements(lot, confidence=0.95, besides=varied(result, sheet)) == []
    # Not even where the strata are several: the kind of test alone makes the difference.
    assert disagreements(lot, confidence=0.95, besides=None) == []
    asked = [row.question for row in test_rows(lot, confidence=0.95, besides=varied(result, sheet))]
    assert not [question for question in asked if "of the same" in question or "together" in question]
    assert "The same, each load compared with itself?" not in asked
    assert "Does the chance per round differ?" in asked


def test_an_infinite_or_nought_odds_ratio_is_said_as_a_limit(three_and_none):
    lot = factor(three_and_none[0], "resin_lot")
    assert lot["odds_ratio"]["ratio"] is None
    first = test_rows(lot, confidence=0.95, besides=None)[0]
    assert first.detail.startswith("Odds of failing under B at least 0.648 times those under A (exact limit)")
    turned = factor(compared({"A": (3, 3), "B": (3, 0)})[0], "resin_lot")
    first = test_rows(turned, confidence=0.95, besides=None)[0]
    assert first.detail.startswith("Odds of failing under B at most 1.54 times those under A (exact limit)")


def test_a_cause_named_on_three_coupons_carries_its_caution(three_and_none):
    result = three_and_none[0]
    found = answer(result)
    assert found.headline == "Probably the failing variable: resin lot = B (few coupons)"
    # Two-sided Fisher: all against none of 3 and 3 gives 2 / 20, of 4 and 4 gives 2 / 70.
    caution = (
        "3 coupons against 3 can't convince by themselves, even where all of the one side fail and none of the other "
        "(p = 0.10): it takes at least 4 of each."
    )
    assert caution in found.text
    assert caution in warnings_in_words(result)[0]
    assert least_per_level(0.05) == 4
    more = compared({"A": (5, 0), "B": (5, 5)})[0]
    assert answer(more).headline == "The failing variable: resin lot = B"
    assert "Few coupons" not in answer(more).text + " ".join(warnings_in_words(more))


def test_headline_and_verdict_give_one_probability(three_and_none):
    result = three_and_none[0]
    lot = factor(result, "resin_lot")
    said = re.search(r"Probability ([\d.]+)", answer(result).text)[1]
    assert f"with a probability of {said} %" in lot["verdict"]["reason"]
    assert f"part in the cause: {said}{N}%" in verdict_words(lot["verdict"], ["resin_lot"])


def test_nothing_failed_has_no_cause_to_isolate():
    result = compared({"A": (12, 0), "B": (12, 0)})[0]
    found = answer(result)
    assert found.headline == "No coupon failed"
    assert "not isolated yet" not in found.text
    assert factor(result, "resin_lot")["sentence"] == "None of 24 coupons failed under any level of resin_lot."


def test_levels_that_fail_alike_are_named_together():
    result = compared({lot: (3, 3 if lot in "ABCD" else 0) for lot in "ABCDEFGH"})[0]
    assert result["cause"]["isolated"] == "resin_lot"
    lot = factor(result, "resin_lot")
    found = answer(result)
    assert verdict_about(lot, "resin_lot") == "A, B, C and D"
    assert "Implicated: resin lot A, B, C and D." in found.sentences
    assert (
        "No single level is accused: 12 of 12 failed under A, B, C and D, 0 of 12 under the others." in found.sentences
    )
    assert lot["sentence"].startswith("12 of 12 under resin_lot A, B, C and D failed, 0 of 12 under the others;")


def test_the_word_to_stop_stands_only_where_nothing_else_says_go_on(mixed):
    stop = "No coupon that can be run is expected to tell much (less than 0.05 nats of information each): more coupons may not be worth it."
    calm = {"state": "undecided", "level": None, "probability": 0.1, "reason": "Too little is known."}
    cause = {"hypotheses": [{"cause": "none", "probability": 0.6}], "isolated": None, "confirmed": False}
    result = {**mixed, "warnings": [stop], "cause": {**cause, "coupons_to_isolate": None}}
    result["factors"] = [{**one, "verdict": calm} for one in mixed["factors"]]
    assert "may not be worth their cost" in warnings_in_words(result)[0]
    assert "nats" not in warnings_in_words(result)[0]
    assert "Next: weigh whether to go on at all" in answer(result).text
    settles = {**calm, "reason": "About 2 more well-chosen coupons are expected to settle it (simulated)."}
    going = {**result, "factors": [{**one, "verdict": settles} for one in mixed["factors"]]}
    assert warnings_in_words(going) == ()
    assert "Next: run the load of 6 coupons listed below" in answer(going).text
    near = {**result, "cause": {**cause, "coupons_to_isolate": 2}}
    assert warnings_in_words(near) == ()
    assert "each chosen by the outcome of the one before, about 2 would isolate the cause" in answer(near).text


def test_thousands_of_the_science_are_written_as_everywhere():
    assert (
        plainly("chance alone gives it about 1 time in 39,000.", [])
        == f"chance alone gives it about 1 time in 39{N}000."
    )


def test_a_single_coupon_that_held_is_no_cause_undecided():
    found = answer(result_of([row(0, "A", "L1")]))
    assert found.headline == "No coupon failed"
    one = answer(result_of([row(0, "A", "L1", failed=True)]))
    assert "The probability of each cause is missing: No factor was varied" in one.text


def test_right_to_left_names_are_set_apart_in_the_sentences_of_the_science():
    name, apart = "(ערכה) שרף 12", "\u2068(ערכה) שרף 12\u2069"
    rows = [row(i, name if i % 2 else "B", "L1" if i % 4 < 2 else "L2", failed=i % 2 == 1) for i in range(20)]
    result = names_apart(result_of(rows))
    assert any(one["cause"] == f"resin_lot = {apart}" for one in result["cause"]["hypotheses"])
    assert f"under resin_lot {apart} failed" in factor(result, "resin_lot")["sentence"]
    assert {level["level"] for level in factor(result, "resin_lot")["levels"]} == {"B", name}
    assert f"resin lot = {apart} (" in answer(result).text
    assert f"{ISOLATE}{ISOLATE}" not in answer(result).text
    plain = result_of(mixed_rows())
    assert names_apart(plain) is plain
