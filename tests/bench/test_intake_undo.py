"""A sheet that came in by mistake goes out again, all of it or nothing, while nobody has built on it."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.intake import take_in
from labbench.bench.intake_undo import undo_intake, why_not_undone
from labbench.bench.models import Inspection, Load, LoadPlace, StrengthTest
from labbench.bench.revision import revise_coupons
from labbench.bench.services import correct, record_deviation, record_inspection, record_repair, take_out
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.studies.models import Coupon, CouponLevel, Factor, ImportedSheet, Level
from labbench.studies.services import save_study, set_level
from tests import factories
from tests.bench.test_intake import SHEET
from tests.factories import NOON

pytestmark = pytest.mark.django_db


def taken(study, data=SHEET, now=NOON):
    return take_in(
        study=study,
        reading=read_coupon_sheet(data),
        filename="wrong.csv",
        may_add_levels=True,
        by=factories.person(),
        now=now,
    )


def counts():
    models = (Coupon, CouponLevel, LoadPlace, Inspection, StrengthTest, Load, Level, Factor, ImportedSheet)
    return {model.__name__: model.objects.count() for model in models}


def test_all_of_it_goes_and_the_history_says_who_and_why():
    before, lead, study = counts(), factories.person(), factories.study()
    assert undo_intake(sheet=taken(study), by=lead, reason="another lab's sheet") == 4
    assert counts() == before
    for model in (Coupon, CouponLevel, LoadPlace, Inspection, StrengthTest, Load, Level):
        ends = list(model.history.filter(history_type="-"))
        assert len(ends) == model.history.filter(history_type="+").count() > 0
        assert {(end.history_user, end.history_change_reason) for end in ends} == {(lead, "another lab's sheet")}
    assert study.history.first().history_change_reason == "wrong.csv taken out again: another lab's sheet"


def test_the_same_file_can_come_in_again_afterwards():
    study = factories.study()
    undo_intake(sheet=taken(study), by=factories.person(), reason="once more")
    assert taken(study, now=NOON + timedelta(hours=1)).coupons == 4


def test_what_was_there_before_stays():
    study = factories.study()
    resin = factories.factor(study, "resin", ("A", "B"))
    old = factories.coupon(study, code="OLD")
    set_level(coupons=[old], factor=resin, level=resin.levels.get(name="A"), by=factories.person())
    other = taken(study, SHEET.replace(b"C1", b"D1").replace(b"C2", b"D2").replace(b"C3", b"D3").replace(b"C4", b"D4"))
    before = counts()
    undo_intake(sheet=taken(study, now=NOON + timedelta(hours=1)), by=factories.person(), reason="mistake")
    assert counts() == before
    assert set(Coupon.objects.values_list("code", flat=True)) == {"OLD", "D1", "D2", "D3", "D4"}
    assert why_not_undone(other) == ""


def used(name, study, by):
    """Something that builds on the coupons of the sheet."""
    coupon = study.coupons.get(code="C3")
    first = study.coupons.get(code="C1")
    acts = {
        "inspected": lambda: record_inspection(coupon=study.coupons.get(code="N1"), by=by, seen_at=NOON, round_number=1, outcome="intact"),
        "corrected": lambda: correct(record=first.inspections.get(), by=by, reason="x", changes={"note": "y"}),
        "taken out": lambda: take_out(record=first.strength_test, by=by, reason="x"),
        "deviation": lambda: record_deviation(study=study, by=by, kind="other", happened_at=NOON, description="x", coupon=coupon),
        "edited": lambda: revise_coupons(study=study, coupons=[coupon], by=by, reason="x", changes={"note": "y"}, levels={}),
        "levelled": lambda: set_level(coupons=[coupon], factor=study.factors.get(name="resin"), level=Level.objects.get(name="A"), by=by),
        "moved": lambda: revise_coupons(study=study, coupons=[coupon], by=by, reason="x", changes={}, levels={}, load=None),
        "withdrawn": lambda: revise_coupons(
            study=study, coupons=[coupon], by=by, reason="x", changes={}, levels={}, withdrawn_on=date(2026, 11, 3)
        ),
    }  # fmt: skip
    return acts[name]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("inspected", "Coupon N1 has an inspection made or changed since"),
        ("corrected", "Coupon C1 has an inspection made or changed since"),
        ("taken out", "Coupon C1 has a strength test made or changed since"),
        ("deviation", "Coupon C3 has a deviation since"),
        ("edited", "Coupon C3 was changed"),
        ("levelled", "Coupon C3 has another level since"),
        ("moved", "Coupon C3 has another load or place since"),
        ("withdrawn", "Coupon C3 was changed"),
    ],
)
def test_nothing_goes_once_somebody_has_built_on_it(name, words):
    study, by = factories.study(), factories.person()
    sheet = taken(study, SHEET + b"N1,test,A,60,Load 1,3,0,,,\n")
    used(name, study, by)()
    before = counts()
    with pytest.raises(ValidationError, match=words):
        undo_intake(sheet=sheet, by=by, reason="mistake")
    assert counts() == before


def test_a_coupon_of_the_sheet_that_was_repaired_keeps_it():
    study, by = factories.study(), factories.person()
    sheet = taken(study, b"coupon,role,factor.resin\nN1,test,A\n")
    record_repair(
        coupon=study.coupons.get(), by=by, repaired_at=NOON, lamp=factories.lamp(),
        resin_lot=factories.resin_lot(), cure_time_s=9.0,
    )  # fmt: skip
    assert why_not_undone(sheet).startswith("Coupon N1 has a repair since")


def test_a_closed_study_keeps_its_sheets_and_a_reason_is_needed():
    study, by = factories.study(code="EL-4"), factories.person()
    sheet = taken(study)
    with pytest.raises(ValidationError, match="Say why"):
        undo_intake(sheet=sheet, by=by, reason=" ")
    study.state = "closed"
    save_study(study=study, by=by)
    sheet.refresh_from_db()
    with pytest.raises(ValidationError, match="EL-4 is closed"):
        undo_intake(sheet=ImportedSheet.objects.get(), by=by, reason="mistake")
