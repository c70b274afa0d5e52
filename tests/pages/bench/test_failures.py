"""Failures and deviations across studies."""

import csv
from io import StringIO

import pytest

from labbench.bench.services import record_deviation
from tests import factories
from tests.factories import NOON
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def three_failures(repaired, looked):
    study = factories.study(code="COACH", is_blind=False)
    lots = {name: factories.resin_lot(code=name) for name in ("L7", "L8")}
    for code, lot, outcome, edge in (
        ("A", "L7", "cracked_out", 30.0),
        ("B", "L8", "cracked_out", 80.0),
        ("C", "L8", "void", None),
        ("D", "L8", "intact", 20.0),
    ):
        coupon = repaired(factories.coupon(study, code=code, edge_distance_mm=edge), resin_lot=lots[lot])
        looked(coupon, outcome=outcome, failure_mode="leg ran" if outcome == "cracked_out" else "")
    return lots


def codes(client, **asked):
    return [row.coupon.code for row in client.get("/failures/", asked).context["table"].data]


def test_what_is_intact_is_no_failure(sign_in, three_failures):
    assert sorted(codes(sign_in("qa"))) == ["A", "B", "C"]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"outcome": "cracked_out"}, ["A", "B"]),
        ({"mode": "LEG"}, ["A", "B"]),
        ({"edge": "near"}, ["A"]),
        ({"edge": "far"}, ["B"]),
        ({"edge": "unknown"}, ["C"]),
        ({"seen_from": "2026-11-02", "seen_to": "2026-11-02"}, ["A", "B", "C"]),
        ({"seen_from": "2026-11-03"}, []),
        ({"lamp": "99999"}, []),
        ({"outcome": "nonsense"}, []),
    ],
)
def test_failures_are_narrowed(sign_in, three_failures, asked, found):
    assert sorted(codes(sign_in("qa"), **asked)) == found


def test_failures_are_counted_by_mode_lot_and_lamp_out_of_those_repaired_with_it(sign_in, three_failures):
    counts = {name: rows for _, name, rows, _ in sign_in("qa").get("/failures/").context["counts"]}

    def told(name):
        return [(row.name, row.cracked_out, row.other, row.of) for row in counts[name]["rows"]]

    assert told("mode") == [("cracked out – leg ran", 2, 0, 0), ("void", 0, 1, 0)]
    assert told("lot") == [(str(three_failures["L8"]), 1, 1, 3), (str(three_failures["L7"]), 1, 0, 1)]
    assert [row[1:] for row in told("lamp")] == [(2, 1, 4)]


def test_the_csv_holds_every_row_and_runs_no_formula(sign_in, three_failures, repaired, looked):
    looked(repaired(factories.coupon(factories.study(is_blind=False), code="=1+1")), outcome="pit_loss")
    answer = sign_in("qa").get("/failures/failures.csv")
    rows = list(csv.DictReader(StringIO(b"".join(answer).decode())))
    assert sorted(row["coupon"] for row in rows) == ["'=1+1", "A", "B", "C"]
    first = next(row for row in rows if row["coupon"] == "A")
    assert (first["resin_lot"], first["outcome"], first["near_edge"], first["cure_time_s"]) == (
        "L7",
        "cracked_out",
        "yes",
        "90.0",
    )
    filtered = b"".join(sign_in("qa").get("/failures/failures.csv", {"outcome": "void"})).decode()
    assert [row["coupon"] for row in csv.DictReader(StringIO(filtered))] == ["C"]


@pytest.mark.parametrize("order", ["coupon", "-resin_lot", "lamp", "technician", "edge", "round_number", "nonsense"])
def test_failures_are_sorted_by_any_column(sign_in, three_failures, order):
    assert sorted(codes(sign_in("qa"), sort=order)) == ["A", "B", "C"]


def test_a_new_record_is_counted_at_once(sign_in, three_failures, repaired, looked):
    client = sign_in("qa")

    def lot_eight():
        row = client.get("/failures/").context["counts"][1][2]["rows"][0]
        return row.cracked_out, row.of

    assert [lot_eight(), lot_eight()] == [(1, 3), (1, 3)]
    coupon = repaired(factories.coupon(factories.study(is_blind=False)), resin_lot=three_failures["L8"])
    assert lot_eight() == (1, 4)
    looked(coupon, outcome="cracked_out")
    assert lot_eight() == (2, 4)


@pytest.mark.parametrize("rows", [1, 3])
def test_failures_ask_the_same_number_of_questions(sign_in, django_assert_num_queries, repaired, looked, rows):
    for _ in range(rows):
        coupon = repaired(factories.coupon(factories.study(is_blind=False)), resin_lot=factories.resin_lot())
        looked(coupon, outcome="cracked_out")
        record_deviation(
            study=coupon.study, by=factories.person(), kind="other", happened_at=NOON, description="x", coupon=coupon
        )
    client = sign_in("qa")
    client.get("/failures/")
    with django_assert_num_queries(14):
        client.get("/failures/")
    with django_assert_num_queries(5):
        client.get("/deviations/")


def test_deviations_are_narrowed_and_say_what_they_are_about(sign_in):
    coupon, lead = factories.coupon(code="K9"), factories.person()
    for kind, text in (("handling", "edge chipped"), ("other", "power was off")):
        record_deviation(study=coupon.study, by=lead, kind=kind, happened_at=NOON, description=text, coupon=coupon)
    html = text_of(sign_in("qa").get("/deviations/", {"kind": "handling"}))
    assert "edge chipped" in html
    assert "power was off" not in html
    assert f'href="/coupons/{coupon.pk}/">K9</a>' in html
