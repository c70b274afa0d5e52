"""What is doubtful about readings."""

import pytest

from labbench.science.survey_cautions import survey_cautions
from labbench.science.survey_layout import grid_places

EVEN = [(x, y, 10 + 0.01 * x + 0.003 * y) for x, y in grid_places(5, 5, pitch_x_mm=20, pitch_y_mm=20)]


def words(readings, **given):
    return " ".join(survey_cautions(readings, **given))


def test_good_readings_raise_no_caution():
    area = ("rectangle", 90.0, 90.0)
    assert (
        survey_cautions(EVEN, range_max_mw_cm2=20, as_shown=[v for *_, v in EVEN], emitter_spacing_mm=40, area=area)
        == []
    )


def test_a_meter_at_the_end_of_its_range_is_seen_by_its_range():
    shown = [value for *_, value in EVEN]
    assert "2 readings at or above the end of the meter’s range (20 mW/cm²)" in words(
        EVEN, range_max_mw_cm2=20, as_shown=[20.0, 20.0, *shown[2:]]
    )


def test_and_without_a_known_range_by_the_greatest_reading_coming_back():
    clipped = [(x, y, min(value, 10.2)) for x, y, value in EVEN]
    assert "The greatest reading, 10.2 mW/cm², was read 8 times" in words(clipped)
    # Coarse steps repeat every value: no sign of an end.
    assert survey_cautions([(x, y, float(round(value * 2) / 2)) for x, y, value in EVEN]) == []


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ([(x, y, 0.0) for x, y, _ in EVEN], "Every reading is 0: was the lamp on"),
        ([*EVEN[:-1], (40, 40, 0.0)], "1 place read 0"),
        ([*EVEN, (0, 0, 13.0)], "Repeated readings differ by 18 %"),
    ],
)
def test_darkness_and_restless_repeats(readings, said):
    assert said in words(readings)


def test_points_further_apart_than_half_the_emitters():
    # Two points a period: sampling; the limit is half the emitter spacing.
    assert survey_cautions(EVEN, emitter_spacing_mm=40) == []
    assert "at most 19.5 mm are needed" in words(EVEN, emitter_spacing_mm=39)


@pytest.mark.parametrize(
    ("area", "said"),
    [
        (("rectangle", 60.0, 90.0), "10 places outside the cure area."),
        (("circle", 100.0, 100.0), "4 places outside the cure area."),
        (("rectangle", 200.0, 90.0), "The rim of the cure area was not read"),
        (("rectangle", 90.0, 200.0), "The rim of the cure area was not read"),
    ],
)
def test_the_points_against_the_cure_area(area, said):
    assert said in words(EVEN, area=area)


def test_a_survey_read_at_the_end_of_the_range_everywhere():
    assert "All 25 places read 20 mW/cm²" in words([(x, y, 20.0) for x, y, _ in EVEN])
    nearly = [(x, y, 20.0) for x, y, _ in EVEN[:-1]] + [(40, 40, 19.99)]
    assert "The greatest reading, 20 mW/cm², was read 24 times" in words(nearly)
    # Few readings of a coarse meter may be alike.
    assert survey_cautions([(0, 0, 3.0), (20, 0, 3.0), (0, 20, 3.0), (20, 20, 2.0)]) == []


@pytest.mark.parametrize("places", [1, 2])
def test_one_place_or_two_tell_nothing_of_how_even_a_lamp_is(places):
    readings = [*EVEN[:places], EVEN[0]]
    assert f"Only {places} place{'s'[: places - 1]} read" in words(readings)
    assert "Only" not in words(EVEN[:3])
