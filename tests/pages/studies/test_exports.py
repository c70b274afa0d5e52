"""A study as files, and empty sheets."""

import io

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from labbench.bench.services import create_load, record_deviation, record_inspection, record_repair, record_strength
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def filled(study):
    hand = factories.person("technician", username="kim")
    resin = study.factors.get(name="resin")
    coupon = factories.coupon(study, code="=C1", note="chipped")
    set_level(coupons=[coupon], factor=resin, level=resin.levels.get(name="B"), by=hand)
    create_load(study=study, name="Load 1", by=hand, coupons=[coupon])
    lot, lamp = factories.resin_lot(code="LOT-9"), factories.lamp()
    record_repair(coupon=coupon, by=hand, technician=hand, repaired_at=NOON, resin_lot=lot, lamp=lamp, cure_time_s=60)
    record_inspection(coupon=coupon, by=hand, seen_at=NOON, round_number=3, outcome="intact")
    record_strength(coupon=coupon, by=hand, tested_at=NOON, method="reported", stress_mpa=41.5)
    record_deviation(study=study, by=hand, kind="other", happened_at=NOON, description="door left open")
    factories.coupon(study, code="C2")
    return study


def test_the_sheet_holds_also_the_unfinished_and_reads_back(lead, filled):
    answer = lead.get(reverse("study-csv", args=[filled.code]))
    assert answer["Content-Disposition"] == 'attachment; filename="COACH-1.csv"'
    reading = read_coupon_sheet(answer.content)
    # What is guarded against being run as a formula is the same code again.
    assert [(row.code, row.levels["resin"], row.strength_mpa) for row in reading.records] == [
        ("=C1", "B", 41.5),
        ("C2", None, None),
    ]


def test_the_workbook_has_a_sheet_for_each_kind_of_record(guest, filled):
    answer = guest.get(reverse("study-xlsx", args=[filled.code]))
    book = load_workbook(io.BytesIO(answer.getvalue()))
    assert book.sheetnames == [
        "coupons",
        "coupon details",
        "factors and levels",
        "measured values",
        "repairs",
        "inspections",
        "strength tests",
        "loads",
        "places in loads",
        "deviations",
        "verdicts",
    ]
    rows = {name: list(book[name].values) for name in book.sheetnames}
    repair = dict(zip(*rows["repairs"], strict=True))
    assert (repair["coupon"], repair["resin_lot_code"], repair["technician"], repair["cure_time_s"]) == (
        "=C1",
        "LOT-9",
        "kim",
        60,
    )
    assert dict(zip(*rows["strength tests"], strict=True))["stress_mpa"] == 41.5
    assert "door left open" in {row[4] for row in rows["deviations"]}
    assert [row[0] for row in rows["coupon details"]] == ["coupon", "=C1", "C2"]
    assert book["coupon details"]["A2"].data_type == "s"


def test_an_empty_sheet_has_the_factors_of_the_study(lead, study):
    text = lead.get(reverse("empty-study-sheet", args=[study.code, "csv"])).content.decode("utf-8-sig")
    assert text == (
        "coupon,role,factor.resin,factor.cure_time_s,block,rounds_planned,rounds_survived,failed_round,failure_mode,strength_mpa\r\n"
    )


def test_an_empty_sheet_for_a_new_study(lead):
    book = load_workbook(io.BytesIO(lead.get(reverse("empty-sheet", args=["xlsx"])).content))
    assert next(book.active.values)[:5] == ("coupon", "role", "factor.resin_lot", "factor.lamp", "factor.cure_time_s")
    assert lead.get(reverse("empty-sheet", args=["pdf"])).status_code == 404


def test_an_empty_sheet_does_not_tell_a_technician_the_factors_of_a_blind_study(technician, study):
    text = technician.get(reverse("empty-study-sheet", args=[study.code, "csv"])).text
    assert "factor.resin," not in text
