"""The cure calculator: what is asked, what is answered, what is refused."""

import pytest
from django.urls import reverse

from labbench.lab.models import Resin, SurveyPoint
from tests import factories

pytestmark = pytest.mark.django_db


def asked(client, **given):
    return client.get(reverse("cure"), given)


def part(answer, anchor):
    return next(part for part in answer.context["parts"] if part.anchor == anchor)


def words(answer, anchor):
    found = part(answer, anchor)
    return " ".join((found.big, *found.sentences, found.refusal))


def dose(client, **given):
    return asked(client, **{f"dose-{name}": value for name, value in given.items()})


def test_nothing_asked_nothing_answered(guest):
    answer = asked(guest)
    assert [part.big for part in answer.context["parts"]] == [""] * 7
    assert "errorlist" not in answer.content.decode()


def test_time_for_a_dose_at_the_coldest_point(guest):
    answer = dose(guest, dose_mj_cm2="384", coldest_mw_cm2="6,4", mean_mw_cm2="10.8", hottest_mw_cm2="15")
    text = words(answer, "dose")
    # By hand: 384 / 6.4 = 60 s; the hottest gets 900 mJ/cm².
    assert text.startswith("60\u202fs")
    assert "The hottest point gets 900\u202fmJ/cm² then, 2.34 times as much." in text
    assert "reciprocity" in text
    assert part(answer, "dose").chart.rows[3] == ("60", "384", "648", "900")


def test_a_cover_that_halves_doubles_the_time(guest):
    text = words(dose(guest, dose_mj_cm2="720", coldest_mw_cm2="12", pass_percent="50"), "dose")
    assert text.startswith("120\u202fs")


def test_survey_and_resin_fill_in_what_they_know(guest):
    survey = factories.survey(factories.lamp(code="L-5"))
    for x, value in ((0.0, 5.0), (20.0, 8.0)):
        SurveyPoint.objects.create(survey=survey, x_mm=x, y_mm=0, irradiance_mw_cm2=value)
    resin = Resin.objects.create(
        name="R", needed_dose_mj_cm2=300, penetration_depth_mm=0.5, gel_exposure_mj_cm2=12, constants_source="own trial"
    )
    answer = asked(guest, survey=survey.pk, resin=resin.pk)
    assert words(answer, "dose").startswith("60\u202fs")
    assert "Irradiances from the survey of L-5 on 20 Oct 2026" in words(answer, "dose")
    assert "Dp and Ec from: own trial" in words(answer, "depth")
    # 0.5 ln(300 / 12) = 1.609 mm.
    assert words(answer, "depth").startswith("1.61\u202fmm")
    assert words(answer, "people").startswith("125\u202fs")


@pytest.mark.parametrize(
    ("given", "fault"),
    [
        ({"dose_mj_cm2": "0", "coldest_mw_cm2": "5"}, "more than 0"),
        ({"dose_mj_cm2": "a", "coldest_mw_cm2": "5"}, "not a number"),
        ({"dose_mj_cm2": "5", "coldest_mw_cm2": ""}, "required"),
        ({"dose_mj_cm2": "5", "coldest_mw_cm2": "5", "hottest_mw_cm2": "4"}, "can’t get less than the coldest"),
        ({"dose_mj_cm2": "5", "coldest_mw_cm2": "5", "mean_mw_cm2": "4"}, "can’t be less than the coldest"),
        ({"dose_mj_cm2": "5", "coldest_mw_cm2": "5", "pass_percent": "130"}, "at most 100"),
    ],
)
def test_bad_values_are_told_at_their_field(guest, given, fault):
    answer = dose(guest, **given)
    errors = " ".join(str(error) for error in part(answer, "dose").form.errors.values())
    assert fault in errors
    assert part(answer, "dose").big == ""


def test_equal_effect_at_another_irradiance(guest):
    given = {"effect-time_s": "60", "effect-irradiance_mw_cm2": "12", "effect-other_mw_cm2": "6"}
    assert words(asked(guest, **given), "effect").startswith("120\u202fs")
    # E halved with p = 0.8: x 1.7411 (by hand).
    text = words(asked(guest, **given, **{"effect-exponent": "0.8"}), "effect")
    assert text.startswith("104\u202fs")
    assert "equal doses do not cure alike" in text


def test_exponent_from_trials(guest):
    text = words(asked(guest, **{"exponent-pairs": "20 30\n5 100"}), "exponent")
    assert text.startswith("0.868")
    assert "make a third" in text
    three = words(asked(guest, **{"exponent-pairs": "20 30\n10 60,5\n5 119"}), "exponent")
    assert "do not contradict reciprocity" in three
    assert "No exponent" in words(asked(guest, **{"exponent-pairs": "20 30\n20 100"}), "exponent")


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        ("20 30\n5", "Line 2, “5”: irradiance and time, two numbers."),
        ("20 x\n5 3", "Line 1: “x” is not a number"),
        ("1 2\n" * 70, "At most 60 lines."),
        (" \n", "Type at least one line."),
    ],
)
def test_lines_that_can_not_be_read_are_named(guest, lines, fault):
    form = part(asked(guest, **{"exponent-pairs": lines}), "exponent").form
    assert fault in " ".join(form.errors["pairs"])


def test_layers_multiply(guest):
    text = words(asked(guest, **{"layers-layers": "0.6\n0.5"}), "layers")
    assert text.startswith("30\u202f%")
    assert "3.33 times as long" in text
    # Beer-Lambert: 0.8 at 5 mm is 0.915 at 2 mm.
    assert words(asked(guest, **{"layers-layers": "0,8 5 2"}), "layers").startswith("91\u202f%")
    assert "one number, or three" in words(asked(guest, **{"layers-layers": "0.8 5"}), "layers")
    assert "at most 1" in words(asked(guest, **{"layers-layers": "1.8"}), "layers")


def test_depth_needs_the_source_of_its_constants_and_is_no_full_cure(guest):
    given = {"depth-exposure_mj_cm2": "30", "depth-dp_mm": "0.175", "depth-ec_mj_cm2": "8"}
    assert "source" in part(asked(guest, **given), "depth").form.errors
    text = words(asked(guest, **given, **{"depth-source": "tutorial"}), "depth")
    # 0.231 mm: the published example of tests/science/test_cure.py.
    assert text.startswith("0.231\u202fmm")
    assert "not full cure" in text
    deep = {"depth-dp_mm": "0.1", "depth-depth_mm": "100", "depth-source": "tutorial"}
    assert "a depth of more than 100 Dp gets no light" in words(asked(guest, **given | deep), "depth")


def test_working_curve_from_trials(guest):
    text = words(asked(guest, **{"curve-pairs": "10 0.11\n20 0.215\n40 0.31\n80 0.425\n160 0.52"}), "curve")
    assert text.startswith("Dp 0.149\u202fmm, Ec 4.77\u202fmJ/cm²")
    assert "95 % limits" in text
    assert "do not grow" in words(asked(guest, **{"curve-pairs": "10 0.3\n20 0.1"}), "curve")


def test_people_are_warned_and_nothing_is_called_safe(guest):
    text = words(asked(guest, **{"people-irradiance_mw_cm2": "12"}), "people")
    assert text.startswith("83.3\u202fs")
    assert "a warning, not a permission" in text
    dim = words(asked(guest, **{"people-irradiance_mw_cm2": "0.03"}), "people")
    assert "8 h at this irradiance do not reach the limit" in dim
    assert "a warning, not a permission" in dim


def test_a_survey_that_is_not_there_is_told(guest):
    answer = asked(guest, survey="99999999999999999999")
    assert answer.status_code == 200
    assert "survey" in answer.context["begin"].errors
