"""Measured values in place of names without counting twice; coupons left out, both results side by side; all of it frozen."""

import json
from datetime import timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError

from labbench.analysis.choices import Choice, chosen_sheet, rival_column, rival_document
from labbench.analysis.covariates import decided_by, decides, measured_columns, measured_values, with_measured
from labbench.analysis.models import Analysis
from labbench.analysis.queries import newest_analysis, newest_answer, newest_answer_pk, other_choices
from labbench.analysis.rivals import rivals_document
from labbench.analysis.services import inputs_of, is_as_the_study_stands, request_analysis
from labbench.analysis.sheets import study_sheet
from labbench.analysis.verdicts import last_verdicts
from labbench.bench.models import ReceivedDose, Repair
from labbench.bench.services import correct
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv
from labbench.lab.lamp_lives import record_hours, record_replacement
from labbench.studies.services import set_level
from tests import factories
from tests.analysis.dosed import ARMS, deviate, dosed_study
from tests.science.sheets import column

pytestmark = pytest.mark.django_db
DOSE = Choice(measured=("dose_min_mj_cm2",), without=("lamp", "cure_time_s"))


def names(found):
    return [factor.name for factor in found.sheet.factors]


def analysed(study, callbacks, **details):
    with callbacks(execute=True):
        made = request_analysis(study=study, by=factories.person(), **details)
    made.refresh_from_db()
    return made


def test_the_measured_values_of_a_repair():
    study = dosed_study()
    values = measured_values(study)[study.coupons.get(code="C03").pk]
    # L1 for 240 s: 1 mW/cm² at the coldest place and 2 at the other, so 240 and on the mean 360 mJ/cm²; 1 over 1.5 is 66.7 %.
    assert values["dose_min_mj_cm2"] == pytest.approx(240)
    assert values["dose_mean_mj_cm2"] == pytest.approx(360)
    assert values["uniformity_percent"] == pytest.approx(200 / 3)
    # Sample standard deviation of 1 and 2 over their mean: 0.70711 / 1.5.
    assert values["variation_percent"] == pytest.approx(100 * 0.5**0.5 / 1.5)
    # Received on 1 September, repaired on 2 November: 62 days.
    assert (values["lamp_hours_h"], values["lot_age_h"], values["cure_time_s"]) == (100.0, 62 * 24.0, 240.0)
    assert values["glass_temperature_c"] == pytest.approx(20.3)
    assert "room_temperature_c" not in values
    assert "dose_break_mj_cm2" not in values


def test_hours_of_a_renewed_lamp_are_those_of_its_new_part():
    study, by = dosed_study(), factories.person()
    repair = Repair.objects.get(coupon__study=study, coupon__code="C03")
    # At the same moment: the counter read, then set back.
    at = repair.repaired_at - timedelta(days=1)
    record_hours(lamp=repair.lamp, by=by, read_at=at, hours_h=900.0)
    record_replacement(
        lamp=repair.lamp, by=by, replaced_at=at, part="tube", hours_before_h=900.0, hours_after_h=0.0, reason="dark"
    )
    assert measured_values(study)[repair.coupon_id]["lamp_hours_h"] == 0.0


def test_the_dose_in_place_of_its_names_isolates_what_they_could_not(eager_queue, django_capture_on_commit_callbacks):
    study = dosed_study()
    named = analysed(study, django_capture_on_commit_callbacks)
    dosed = analysed(study, django_capture_on_commit_callbacks, choice=DOSE)
    assert named.result["cause"]["isolated"] is None
    assert dosed.result["cause"]["isolated"] == "dose_min_mj_cm2 = 60"
    assert [factor["factor"] for factor in dosed.result["factors"]] == ["dose_min_mj_cm2"]
    assert [rival["factors"] for rival in dosed.result["rivals"]] == [
        ["lamp", "dose_min_mj_cm2"],
        ["cure_time_s", "dose_min_mj_cm2"],
    ]
    assert [rival["state"] for rival in dosed.result["rivals"]] == ["second", "second"]
    assert dosed.result["choice"] == {"measured": ["dose_min_mj_cm2"], "without": ["cure_time_s", "lamp"]}
    # What was measured can't be set on a coupon.
    assert dosed.result["next_coupons"] == []
    assert "choice" not in named.result


def test_a_dose_that_the_kept_factors_decide_is_weighed_and_not_entered():
    found = chosen_sheet(dosed_study(), Choice(measured=("dose_min_mj_cm2",)))
    assert names(found) == ["lamp", "cure_time_s"]
    assert any("Dose min is not entered beside lamp and cure time" in words for words in found.notes)
    assert found.rivals == (("lamp", "dose_min_mj_cm2"), ("cure_time_s", "dose_min_mj_cm2"))


def test_a_value_one_to_one_with_a_name_is_never_entered_beside_it():
    study = dosed_study()
    found = chosen_sheet(
        study, Choice(measured=("uniformity_percent", "variation_percent", "dose_mean_mj_cm2", "dose_min_mj_cm2"))
    )
    assert names(found) == ["lamp", "cure_time_s"]
    # Dose at the coldest place and mean dose are one thing here: only the first is entered once the names are gone.
    entered = chosen_sheet(
        study, Choice(measured=("dose_mean_mj_cm2", "dose_min_mj_cm2"), without=("lamp", "cure_time_s"))
    )
    assert names(entered) == ["dose_min_mj_cm2"]
    assert any("Dose mean is not entered beside dose min" in words for words in entered.notes)


def test_the_cure_time_as_used_takes_the_place_of_the_one_named():
    study = dosed_study()
    repair = Repair.objects.get(coupon__code="C00")
    correct(record=repair, by=factories.person(), reason="misread", changes={"cure_time_s": 90.0})
    found = chosen_sheet(study, Choice(measured=("cure_time_s",)))
    assert names(found) == ["lamp", "cure_time_s"]
    assert found.sheet.factors[1].levels == (15.0, 60.0, 90.0, 240.0)
    assert study_sheet(study).sheet.factors[1].levels == (15.0, 60.0, 240.0)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        (["A", "A", "B", "B"], [1.0, 1.0, 2.0, 2.0], True),
        (["A", "A", "B", "C"], [1.0, 1.0, 2.0, 2.0], True),
        (["A", "A", "B", "B"], [1.0, 2.0, 2.0, 2.0], False),
        (["A", "A", "A", "A"], [1.0, 2.0, 2.0, 2.0], False),
        (["A", "B", None, None], [1.0, None, 2.0, 2.0], False),
    ],
)
def test_when_one_factor_decides_another(one, other, expected):
    assert decides(column("one", one).codes, column("other", other).codes) is expected


def test_sources_together_decide_what_none_does_alone():
    lamp, time_s = column("lamp", ["A", "A", "B", "B"]), column("cure_time_s", [1.0, 2.0, 1.0, 2.0])
    dose, everyone = column("dose_min_mj_cm2", [1.0, 2.0, 2.0, 4.0]), np.ones(4, dtype=bool)
    assert decided_by(dose, [lamp, time_s], {"lamp", "cure_time_s"}, everyone) == ("lamp", "cure_time_s")
    assert decided_by(dose, [lamp, time_s], {"lamp"}, everyone) == ()
    assert decided_by(dose, [lamp], {"lamp", "cure_time_s"}, everyone) == ()


def test_a_dose_known_of_some_coupons_only_leaves_the_others_out_and_says_so():
    study = dosed_study()
    ReceivedDose.objects.filter(repair__coupon__code__in=["C00", "C06"]).delete()
    found = chosen_sheet(study, DOSE)
    assert "Dose min is not known of 2 test coupons; they take no part in what uses it." in found.notes
    inputs = inputs_of(study, choice=DOSE)
    sheet = read_coupon_sheet(inputs.sheet_csv.encode()).sheet
    (lamp, _) = rivals_document(sheet, inputs.parameters)
    assert (lamp["coupons"], lamp["left_out"]) == (10, 2)


def test_without_any_survey_there_is_nothing_to_enter(eager_queue, django_capture_on_commit_callbacks):
    study = dosed_study()
    ReceivedDose.objects.all().delete()
    found = chosen_sheet(study, Choice(measured=("dose_min_mj_cm2",), without=("lamp",)))
    assert names(found) == ["cure_time_s"]
    assert "Dose min is not known of any test coupon." in found.notes
    made = analysed(
        study, django_capture_on_commit_callbacks, choice=Choice(measured=("dose_min_mj_cm2",), without=("lamp",))
    )
    assert made.result["rivals"] == []


def test_where_each_lamp_has_one_dose_a_coupon_is_named_that_would_part_them():
    study = dosed_study([("L1", 60.0, True)] * 4 + [("L2", 60.0, False)] * 4)
    inputs = inputs_of(study, choice=Choice(measured=("dose_min_mj_cm2",), without=("lamp",)))
    (lamp, time_s) = rivals_document(read_coupon_sheet(inputs.sheet_csv.encode()).sheet, inputs.parameters)
    assert lamp["state"] == "aliased"
    # 60 s under L2 gave 240 mJ/cm²: L1 takes 240 s for as much, L2 15 s for as little as L1 gave.
    assert lamp["breaking_coupon"]["levels"] in (
        {"lamp": "L1", "cure_time_s": 240.0},
        {"lamp": "L2", "cure_time_s": 15.0},
    )
    assert time_s["state"] == "not compared"


def test_every_input_of_a_choice_is_frozen(eager_queue, django_capture_on_commit_callbacks):
    study = dosed_study()
    made = analysed(study, django_capture_on_commit_callbacks, choice=DOSE)
    assert is_as_the_study_stands(made)
    # Computed again from the stored row alone, whatever became of the study.
    correct(
        record=Repair.objects.get(coupon__code="C00"),
        by=factories.person(),
        reason="misread",
        changes={"cure_time_s": 240.0},
    )
    assert not is_as_the_study_stands(made)
    again = rivals_document(read_coupon_sheet(made.sheet_csv.encode()).sheet, made.parameters)
    assert json.loads(json.dumps(again)) == made.result["rivals"]
    assert Choice.stored(made.choice).document() == made.choice == DOSE.document()


def test_the_answer_of_the_study_as_planned_stays_its_answer(eager_queue, django_capture_on_commit_callbacks):
    study = dosed_study()
    named = analysed(study, django_capture_on_commit_callbacks)
    other = analysed(study, django_capture_on_commit_callbacks, choice=DOSE)
    assert newest_analysis(study) == newest_answer(study) == named
    assert newest_answer_pk(study) == named.pk
    assert list(other_choices(study)) == [other]
    assert set(last_verdicts([study.pk])[study.pk].undecided + last_verdicts([study.pk])[study.pk].confounded) == {
        "lamp",
        "cure_time_s",
    }
    assert analysed(study, django_capture_on_commit_callbacks, choice=DOSE) == other
    assert analysed(study, django_capture_on_commit_callbacks) == named


def test_coupons_that_a_deviation_touched_stay_in_and_are_flagged():
    study = dosed_study()
    deviate(study, "late_transfer", load=study.loads.get(name="Load 1"))
    deviate(study, "chamber", coupon=study.coupons.get(code="C07"))
    deviate(study, "resin_expired", coupon=study.coupons.get(code="C08"))
    inputs = inputs_of(study)
    assert inputs.coupons == 12
    assert (
        "7 of 12 coupons went through a deviation of their load or their own (late transfer: 6, chamber fault or power cut: 1); they are "
        "in. Analyse without them to see whether a verdict hangs on them."
    ) in inputs.parameters["notes"]


def test_a_coupon_that_had_cracked_out_before_was_not_touched():
    # The coupons of dosed_study that fail are seen cracked out on the third day.
    study = dosed_study()
    deviation = deviate(study, "chamber", load=study.loads.get(name="Load 1"))
    deviation.happened_at += timedelta(days=5)
    deviation.save()
    assert codes_of(study, deviations=(deviation.pk,)) == {f"C{number:02d}" for number in (0, 1, 2, *range(6, 12))}


def codes_of(study, **choice):
    return set(chosen_sheet(study, Choice(**choice)).sheet.coupons)


def test_coupons_are_left_out_by_kind_by_load_and_by_single_deviation():
    study = dosed_study()
    late = deviate(study, "late_transfer", load=study.loads.get(name="Load 1"))
    deviate(study, "chamber", coupon=study.coupons.get(code="C07"))
    everyone = {f"C{number:02d}" for number in range(12)}
    first = {f"C{number:02d}" for number in range(6)}
    assert codes_of(study) == everyone
    assert codes_of(study, kinds=("late_transfer",)) == everyone - first
    assert codes_of(study, kinds=("chamber",)) == everyone - {"C07"}
    assert codes_of(study, deviations=(late.pk,)) == everyone - first
    assert codes_of(study, loads=("Load 2",)) == first
    assert codes_of(study, kinds=("chamber",), loads=("Load 1",)) == everyone - first - {"C07"}


def test_an_analysis_without_some_coupons_stands_beside_the_one_of_all(eager_queue, django_capture_on_commit_callbacks):
    study = dosed_study([("L1", 60.0, True)] * 6 + [("L2", 60.0, False)] * 6)
    deviate(study, "chamber", coupon=study.coupons.get(code="C01"))
    made = analysed(study, django_capture_on_commit_callbacks, choice=Choice(kinds=("chamber",)))
    assert made.beside == newest_answer(study)
    assert (made.coupons, made.beside.coupons) == (11, 12)
    assert "1 coupon was left out by choice (chamber fault or power cut): C01." in made.result["warnings"]
    assert made.result["cause"]["isolated"] == "lamp = L1"
    # The same question again is the stored pair.
    assert analysed(study, django_capture_on_commit_callbacks, choice=Choice(kinds=("chamber",))) == made
    assert Analysis.objects.count() == 2


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (Choice(kinds=("soak",)), "No coupon was touched by what was chosen"),
        (Choice(loads=("Load 1", "Load 2")), "No coupon that says anything is left over"),
    ],
)
def test_a_choice_that_leaves_none_out_or_none_over_is_refused(choice, words):
    with pytest.raises(ValidationError, match=words):
        request_analysis(study=dosed_study(), by=factories.person(), choice=choice)
    assert not Analysis.objects.exclude(choice={}).exists()


@pytest.mark.parametrize("arms", [ARMS[:4], ARMS])
def test_a_choice_takes_the_same_number_of_queries(arms, django_assert_num_queries):
    study = dosed_study(arms)
    with django_assert_num_queries(17):
        chosen_sheet(study, DOSE)


def test_measured_values_are_further_columns_of_an_exported_sheet():
    study = dosed_study()
    drawn = study_sheet(study, with_unfinished=True)
    sheet = with_measured(study, drawn)
    read = read_coupon_sheet(write_coupon_sheet_csv(sheet).encode()).sheet
    columns = {factor.name: factor for factor in read.factors}
    assert columns["dose_min_mj_cm2"].kind == "numeric"
    assert columns["glass_temperature_c"].levels == tuple(sorted(20.0 + number / 10 for number in range(12)))
    # A named factor of the same name is left as it is.
    assert columns["cure_time_s"].levels == (15.0, 60.0, 240.0)
    assert drawn.sheet.factors == sheet.factors[: len(drawn.sheet.factors)]


def test_a_column_comes_back_from_the_frozen_parameters():
    values = ["B", None, "A", "B"]
    kept = json.loads(json.dumps(rival_document(column("lamp", values), None)))
    back = rival_column("lamp", kept)
    assert [None if code < 0 else back.levels[code] for code in back.codes] == values
    assert (back.kind, back.levels) == ("categorical", ("A", "B"))


def test_a_study_without_repairs_has_no_measured_value():
    study = factories.study()
    factors = factories.factor(study)
    coupon = factories.coupon(study)
    set_level(coupons=[coupon], factor=factors, level=factors.levels.first(), by=factories.person())
    assert measured_columns(measured_values(study), [coupon.pk]) == ()
