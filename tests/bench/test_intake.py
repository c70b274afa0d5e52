"""Taking in a coupon sheet: all of it or nothing, once, and back again unchanged."""

import pytest
from django.core.exceptions import ValidationError

from labbench.analysis.sheets import study_sheet
from labbench.bench.intake import plan_intake, take_in
from labbench.bench.models import Inspection, Load, StrengthTest
from labbench.bench.standing import settle
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv
from labbench.studies.models import Coupon, Level, Study
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db

SHEET = b"""coupon,role,factor.resin,factor.cure_time_s,block,rounds_planned,rounds_survived,failed_round,failure_mode,strength_mpa
C1,test,A,60,Load 1,3,3,,,41.25
C2,test,B,60,Load 1,3,1,3,ran to the edge,
C3,test,B,120.5,Load 2,3,0,1,,
C4,pristine,,,,3,0,,,52
"""


def taken(study, data=SHEET, *, may_add_levels=False, filename="sheet.csv"):
    return take_in(
        study=study,
        reading=read_coupon_sheet(data),
        filename=filename,
        may_add_levels=may_add_levels,
        by=factories.person(),
        now=NOON,
    )


def test_everything_of_the_sheet_is_stored():
    study = factories.study()
    assert taken(study).coupons == 4
    assert Coupon.objects.count() == 4
    assert sorted(Level.objects.values_list("factor__name", "name", "number")) == [
        ("cure_time_s", "120.5", 120.5),
        ("cure_time_s", "60", 60.0),
        ("resin", "A", None),
        ("resin", "B", None),
    ]
    assert set(Load.objects.values_list("name", flat=True)) == {"Load 1", "Load 2"}
    assert StrengthTest.objects.count() == 2
    assert Inspection.objects.get(coupon__code="C2", outcome="cracked_out").failure_mode == "ran to the edge"
    assert Coupon.history.count() == 4


def test_what_comes_back_is_what_went_in():
    study = factories.study(rounds_planned=3)
    taken(study)
    assert write_coupon_sheet_csv(study_sheet(study).sheet) == write_coupon_sheet_csv(read_coupon_sheet(SHEET).sheet)


def test_the_same_file_is_recognised():
    study = factories.study()
    taken(study)
    with pytest.raises(ValidationError, match="taken in on 2 Nov 2026 already"):
        taken(study)
    assert Coupon.objects.count() == 4


def test_a_coupon_that_is_there_already_is_named_with_its_row_and_nothing_is_stored():
    study = factories.study()
    factories.coupon(study, code="C3")
    with pytest.raises(ValidationError, match="row 4, column coupon: C3 is in this study already"):
        taken(study)
    assert Coupon.objects.count() == 1
    assert not Load.objects.exists()


def test_unknown_levels_are_faults_until_they_may_be_added():
    study = factories.study()
    factories.factor(study, "resin", ("A",))
    plan = plan_intake(study=study, reading=read_coupon_sheet(SHEET), may_add_levels=False)
    assert {(f.row, f.column) for f in plan.faults} == {(3, "factor.resin"), (4, "factor.resin")}
    assert plan_intake(study=study, reading=read_coupon_sheet(SHEET), may_add_levels=True).new_levels == (
        ("resin", "B"),
    )
    assert taken(study, may_add_levels=True).coupons == 4


def test_a_text_is_no_level_of_a_numeric_factor():
    study = factories.study()
    factories.factor(study, "cure_time_s", (60.0,), source="number")
    sheet = b"coupon,factor.cure_time_s,rounds_survived,failed_round\nC1,long,3,\n"
    plan = plan_intake(study=study, reading=read_coupon_sheet(sheet), may_add_levels=True)
    assert [(f.row, f.column) for f in plan.faults] == [(2, "factor.cure_time_s")]


def test_levels_bound_to_the_catalogue_are_not_made_up():
    study = factories.study()
    factories.factor(study, "resin", (), source="resin")
    plan = plan_intake(study=study, reading=read_coupon_sheet(SHEET), may_add_levels=True)
    assert {f.column for f in plan.faults} == {"factor.resin"}


def test_a_study_holds_so_many_coupons_and_no_more(settings):
    settings.MAX_COUPONS_PER_STUDY = 3
    plan = plan_intake(study=factories.study(), reading=read_coupon_sheet(SHEET), may_add_levels=True)
    assert [str(f) for f in plan.faults] == [
        "4 coupons and the 0 of this study are more than the 3 that one study may hold."
    ]


def test_a_stop_in_the_middle_leaves_nothing_behind():
    class Stopped(Exception):
        pass

    calls = []

    def check():
        calls.append(1)
        if len(calls) == 3:
            raise Stopped

    study = factories.study()
    with pytest.raises(Stopped):
        take_in(
            study=study,
            reading=read_coupon_sheet(SHEET),
            filename="s.csv",
            may_add_levels=False,
            by=factories.person(),
            now=NOON,
            check=check,
        )
    assert not Coupon.objects.exists()
    assert not Coupon.history.exists()


def test_the_stages_are_those_that_the_records_give():
    study = factories.study()
    taken(study)
    stored = list(study.coupons.values_list("code", "stage", "rounds_survived", "failed_round"))
    assert [stage for _, stage, _, _ in stored] == ["broken", "cracked_out", "cracked_out", "broken"]
    settle(study.coupons.values_list("pk", flat=True))
    assert list(study.coupons.values_list("code", "stage", "rounds_survived", "failed_round")) == stored


def test_a_planned_study_whose_coupons_have_been_through_a_round_is_running():
    study = factories.study(state="planned")
    taken(study)
    study.refresh_from_db()
    assert (study.state, study.started_on is None) == ("running", False)


@pytest.mark.parametrize("name", ["Resin", "שרף", "9lives", "a" * 61])
def test_a_name_that_no_factor_may_have_is_a_fault_before_anything_is_stored(name):
    reading = read_coupon_sheet(f"coupon,factor.{name},rounds_survived,failed_round\nC1,A,3,\nC2,B,0,1\n".encode())
    for study in (factories.study(), Study(code="NEW")):
        plan = plan_intake(study=study, reading=reading, may_add_levels=True)
        assert [fault.column for fault in plan.faults] == [f"factor.{name}"]


def test_fracture_origins_are_stored_and_come_back():
    study = factories.study()
    text = (
        b"coupon,role,block,rounds_planned,rounds_survived,failed_round,failure_mode,strength_mpa,fracture_origin\r\n"
        b"C1,test,,3,3,,,41.25,elsewhere\r\nC2,test,,3,3,,,60,machine_limit\r\nC3,test,,3,3,,,44,at_repair\r\n"
    )
    taken(study, text)
    tests = {test.coupon.code: (test.origin, test.is_machine_limit) for test in StrengthTest.objects.all()}
    assert tests == {"C1": ("elsewhere", False), "C2": ("not_known", True), "C3": ("at_repair", False)}
    back = study_sheet(study).sheet
    assert write_coupon_sheet_csv(back).encode() == text
    assert list(back.is_strength_censored) == [True, True, False]
