"""Lives of lamps: hours that never fall, parts renewed, fading from surveys."""

from datetime import UTC, datetime, timedelta
from math import exp, log

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from labbench.lab import lamp_lives, surveys
from labbench.lab.models import HoursReading, Lamp, SurveyPoint
from tests import factories

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def day(number):
    return START + timedelta(days=number)


@pytest.fixture
def hand():
    return factories.person("technician")


def surveyed(lamp, number, hours, value, *, cover=False, distance=30.0, hot=1.5):
    """A survey of two places, the second one half as bright again."""
    made = factories.survey(lamp, day(number), radiometer=factories.radiometer())
    made.lamp_hours_h, made.is_cover_on, made.distance_mm = hours, cover, distance
    made.save()
    for x, reading in ((0.0, value), (20.0, hot * value)):
        SurveyPoint.objects.create(survey=made, x_mm=x, y_mm=0, irradiance_mw_cm2=reading)
    return made


def message(refused):
    return " ".join(refused.value.messages)


def test_hours_are_kept_at_the_lamp(hand):
    lamp = factories.lamp()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=120.5)
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 120.5
    assert HoursReading.history.get().history_user == hand


def test_hours_never_fall_within_a_life(hand):
    lamp = factories.lamp(code="L-9")
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=120)
    with pytest.raises(ValidationError) as refused:
        lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(5), hours_h=119)
    assert message(refused) == (
        "Hours run never fall within a life of L-9: 120 h on 3 Mar 2026 (counter read), then 119 h on 7 Mar 2026 (this one). "
        "If a part was renewed in between, record that first."
    )
    assert HoursReading.objects.count() == 1


def test_a_reading_is_compared_with_later_ones_and_with_surveys_too(hand):
    lamp = factories.lamp()
    surveyed(lamp, 10, 200, 5)
    with pytest.raises(ValidationError, match="never fall"):
        lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(4), hours_h=201)
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(4), hours_h=199)


def test_a_withdrawn_survey_says_nothing(hand):
    lamp = factories.lamp()
    survey = surveyed(lamp, 10, 900, 5)
    survey.withdrawn_at = day(11)
    survey.save()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(12), hours_h=199)


def test_a_renewed_part_begins_a_life_and_the_counter_may_start_again(hand):
    lamp = factories.lamp()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=700)
    lamp_lives.record_replacement(
        lamp=lamp, by=hand, replaced_at=day(2), part="emitters", hours_before_h=705, hours_after_h=0, reason="two dark"
    )
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(3), hours_h=4)
    lives = lamp_lives.lives_of(lamp_lives.counter_events(lamp))
    assert [(life.number, life.counter_h, life.ended_at) for life in lives] == [(1, 0.0, day(2)), (2, 0.0, None)]
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 4


def test_without_a_new_count_the_counter_goes_on(hand):
    lamp = factories.lamp()
    made = lamp_lives.record_replacement(
        lamp=lamp, by=hand, replaced_at=day(2), part="battery", hours_before_h=705, reason="worn"
    )
    assert made.hours_after_h == 705
    life = lamp_lives.lives_of(lamp_lives.counter_events(lamp))[-1]
    assert (life.counter_h, life.number) == (705, 2)


def test_a_renewal_that_contradicts_later_readings_is_refused(hand):
    lamp = factories.lamp()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(5), hours_h=700)
    with pytest.raises(ValidationError, match="never fall"):
        lamp_lives.record_replacement(
            lamp=lamp, by=hand, replaced_at=day(2), part="tube", hours_before_h=650, hours_after_h=701, reason="dark"
        )


def test_a_renewal_needs_a_reason(hand):
    with pytest.raises(ValidationError) as refused:
        lamp_lives.record_replacement(
            lamp=factories.lamp(), by=hand, replaced_at=day(2), part="tube", hours_before_h=5, reason=""
        )
    assert "reason" in refused.value.message_dict


def test_taking_a_renewal_out_must_not_let_hours_fall(hand):
    lamp = factories.lamp()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=700)
    renewed = lamp_lives.record_replacement(
        lamp=lamp, by=hand, replaced_at=day(2), part="tube", hours_before_h=705, hours_after_h=0, reason="dark"
    )
    later = lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(3), hours_h=4)
    with pytest.raises(ValidationError, match="never fall"):
        lamp_lives.take_out(renewed, by=hand, reason="mistaken")
    lamp_lives.take_out(later, by=hand, reason="mistaken")
    lamp_lives.take_out(renewed, by=hand, reason="mistaken")
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 700
    assert HoursReading.history.filter(history_type="-").get().history_change_reason == "mistaken"


def test_hours_entered_otherwise_stay_where_nothing_tells_the_counter(hand):
    lamp = factories.lamp(hours_run_h=410)
    factories.survey(lamp)
    lamp_lives.settle_hours(lamp, by=hand)
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 410
    reading = lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=415)
    lamp_lives.take_out(reading, by=hand, reason="misread")
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 0


def test_an_old_contradiction_does_not_stop_new_readings(hand):
    lamp = factories.lamp()
    surveyed(lamp, 1, 500, 5)
    surveyed(lamp, 2, 400, 5)
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(3), hours_h=410)


def test_a_survey_brings_its_hours_and_none_that_fall(hand):
    lamp, meter = factories.lamp(), factories.radiometer()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=120)

    def store(hours, number):
        draft = surveys.start_draft(
            by=hand, lamp=lamp, radiometer=meter, places=[(0.0, 0.0)], distance_mm=30.0, lamp_hours_h=hours,
            started_at=day(number), readings=[(0.0, 0.0, 5.0)],
        )  # fmt: skip
        return surveys.store_draft(draft=draft, by=hand)

    with pytest.raises(ValidationError) as refused:
        store(119, 120)
    assert "never fall" in " ".join(refused.value.message_dict["lamp_hours_h"])
    survey = store(130, 121)
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 130
    surveys.withdraw_survey(survey=survey, by=hand, reason="meter upside down")
    assert Lamp.objects.get(pk=lamp.pk).hours_run_h == 120


ALPHA = 4e-4


def faded(lamp, hours=(0, 200, 500, 900), **details):
    for number, at in enumerate(hours):
        surveyed(lamp, 10 * number, at, 8.0 * exp(-ALPHA * at), **details)


def test_fading_is_fitted_on_the_coldest_point_and_projected_to_the_least():
    lamp = factories.lamp(least_irradiance_mw_cm2=5.0)
    faded(lamp)
    found = lamp_lives.fading_of(lamp)
    assert [point.hours_h for point in found.points] == [0, 200, 500, 900]
    assert found.fit.alpha_per_h == pytest.approx(ALPHA)
    # By hand: ln(8 / 5) / alpha.
    assert found.to_least.hours == pytest.approx(log(8 / 5) / ALPHA)
    assert found.remaining_h == pytest.approx(log(8 / 5) / ALPHA - 900)
    assert (found.is_below, found.is_near, found.reason) == (False, False, "")


def test_fading_can_be_judged_by_the_mean():
    lamp = factories.lamp(least_irradiance_mw_cm2=5.0, least_irradiance_at="mean")
    faded(lamp)
    # The two places read 1 and 1.5 times the value: the mean is 1.25 times the coldest.
    assert lamp_lives.fading_of(lamp).fit.start == pytest.approx(8 * 1.25)


def test_repeats_at_a_place_count_once():
    lamp = factories.lamp(least_irradiance_at="mean")
    faded(lamp, hours=(0, 200))
    survey = lamp.surveys.first()
    point = survey.points.order_by("x_mm").first()
    SurveyPoint.objects.create(survey=survey, x_mm=0, y_mm=0, reading=2, irradiance_mw_cm2=point.irradiance_mw_cm2)
    assert lamp_lives.fading_of(lamp).fit.alpha_per_h == pytest.approx(ALPHA)


def test_only_surveys_of_one_condition_and_of_the_present_life_are_compared(hand):
    lamp = factories.lamp()
    surveyed(lamp, 0, 0, 20.0)
    lamp_lives.record_replacement(
        lamp=lamp, by=hand, replaced_at=day(1), part="emitters", hours_before_h=10, reason="dark"
    )
    for number, (hours, cover, distance) in enumerate(
        [(10, False, 30), (110, False, 33), (111, True, 30), (112, False, 60), (210, False, 30)], start=2
    ):
        surveyed(lamp, number, hours, 9 - hours / 100, cover=cover, distance=distance)
    found = lamp_lives.fading_of(lamp)
    assert [point.hours_h for point in found.points] == [0, 100, 200]
    assert (found.life.number, found.is_cover_on) == (2, False)


def test_a_lamp_that_is_soon_too_dim_or_already_is_named():
    soon = factories.lamp(least_irradiance_mw_cm2=5.4)
    faded(soon)
    found = lamp_lives.fading_of(soon)
    assert (found.is_near, found.is_below) == (True, False)
    assert 0 < found.remaining_h < 200
    below = factories.lamp(least_irradiance_mw_cm2=6.0)
    faded(below)
    assert lamp_lives.fading_of(below).is_below


@pytest.mark.parametrize(
    ("emitter", "surveys", "words"),
    [
        ("fluorescent", 4, "fails outright"),
        ("sunlight", 4, "keeps no hours"),
        ("led", 0, "No survey of this life"),
        ("led", 1, "same hours run"),
    ],
)
def test_where_nothing_can_be_projected_it_says_why(emitter, surveys, words):
    lamp = factories.lamp(emitter_kind=emitter, least_irradiance_mw_cm2=5.0)
    faded(lamp, hours=(0, 200, 500, 900)[:surveys])
    found = lamp_lives.fading_of(lamp)
    assert found.fit is None
    assert words in found.reason


def test_many_lamps_take_the_same_number_of_queries():
    counts = []
    for _ in range(2):
        for _ in range(2):
            faded(factories.lamp(least_irradiance_mw_cm2=5.0))
        lamps = list(Lamp.objects.all())
        with CaptureQueriesContext(connection) as queries:
            lamp_lives.fadings(lamps)
        counts.append(len(queries))
    assert counts == [4, 4]


def test_a_renewal_told_twice_is_one(hand):
    lamp = factories.lamp()
    told = {"lamp": lamp, "part": "tube", "hours_before_h": 950.0, "hours_after_h": 0.0, "reason": "dark"}
    lamp_lives.record_replacement(by=hand, replaced_at=day(2), **told)
    for by, after_s in ((hand, 4), (factories.person("technician"), 1800)):
        with pytest.raises(ValidationError, match="This renewal is recorded already"):
            lamp_lives.record_replacement(by=by, replaced_at=day(2) + timedelta(seconds=after_s), **told)
    assert lamp.replacements.count() == 1
    # Another part at the same time, or the next tube later, are renewals of their own.
    again = told | {"part": "battery", "hours_before_h": 0.0}
    lamp_lives.record_replacement(by=hand, replaced_at=day(2) + timedelta(seconds=4), **again)
    lamp_lives.record_replacement(by=hand, replaced_at=day(40), **told)
    assert lamp.replacements.count() == 3


def test_a_reading_sent_twice_is_one(hand):
    lamp = factories.lamp()
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1), hours_h=120)
    with pytest.raises(ValidationError, match="it is not stored twice"):
        lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(1) + timedelta(seconds=4), hours_h=120)
    lamp_lives.record_hours(lamp=lamp, by=hand, read_at=day(2), hours_h=120)
    assert HoursReading.objects.count() == 2
