"""What a reader sees of numbers, units, chances and times."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal

import numpy as np
import pytest
from django import forms
from django.template import Context, Template
from django.utils import timezone as lab_time
from hypothesis import given
from hypothesis import strategies as st

from labbench.pages.templatetags import quantities

N = "\u202f"


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (0, "mm", f"0{N}mm"),
        (60.0, "s", f"60{N}s"),  # a whole number has no invented decimals
        (12, "", "12"),
        (123456, "", f"123{N}456"),
        (1234.56, "mJ/cm²", f"1{N}235{N}mJ/cm²"),  # whole digits are never rounded away
        (3.14159, "mm", f"3.14{N}mm"),
        (12.03, "mm", f"12.0{N}mm"),
        (9.996, "mm", f"10.0{N}mm"),
        (0.0012345, "mm", f"0.00123{N}mm"),
        (0.000012345, "", f"1.23{N}×{N}10⁻⁵"),
        (2.5e9, "", f"2.50{N}×{N}10⁹"),
        (-18.44, "°C", f"−18.4{N}°C"),
        (100.26, "°C", f"100.3{N}°C"),  # a thermometer's last digit, whatever the size
        (-0.04, "°C", f"0.0{N}°C"),
        (20, "°C", f"20.0{N}°C"),
        (Decimal("4.125"), "mm", f"4.12{N}mm"),
        (np.float64(2.5), "MPa", f"2.50{N}MPa"),
        (np.int64(7), "", "7"),
    ],
)
def test_a_quantity_shows_number_and_unit(value, unit, shown):
    assert quantities.quantity(value, unit) == shown


@pytest.mark.parametrize("value", [None, "", float("nan"), float("inf"), True])
def test_what_was_not_measured_is_a_dash_with_words(value):
    assert quantities.quantity(value, "mm") == (
        '<span class="absent" title="not measured"><span aria-hidden="true">—</span>'
        '<span class="sr-only">not measured</span></span>'
    )


@given(st.floats(min_value=1e-12, max_value=1e12))
def test_a_quantity_is_never_off_by_more_than_half_of_its_third_digit(value):
    shown = quantities.quantity(value)
    number, _, power = shown.replace(N, "").partition("×10")
    power = power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))
    assert float(number) * 10.0 ** int(power or 0) == pytest.approx(value, rel=0.00501)


@pytest.mark.parametrize(
    ("share", "shown"),
    [
        (0, "0"),
        (1, "100"),
        (0.456, "46"),
        (0.004, "0.4"),
        (0.0004, f"<{N}0.1"),
        (0.996, "99.6"),
        (0.99999, f">{N}99.9"),
        (1.034, "103"),
        (-0.12, "−12"),
    ],
)
def test_a_share_is_shown_as_percent(share, shown):
    assert quantities.percent(share) == f"{shown}{N}%"


@given(st.floats(min_value=0, max_value=1, exclude_min=True, exclude_max=True))
def test_no_uncertain_share_looks_certain(share):
    assert quantities.percent(share) not in {f"0{N}%", f"0.0{N}%", f"100{N}%", f"100.0{N}%"}


@dataclass
class Limits:
    low: float | None
    high: float | None


@pytest.mark.parametrize("limits", [{"low": 0.428, "high": 0.945}, Limits(0.428, 0.945)])
def test_an_interval_of_shares_reads_low_to_high(limits):
    assert quantities.interval_percent(limits) == f"43 to 94{N}%"


@pytest.mark.parametrize("limits", [None, {}, {"low": 0.1, "high": None}])
def test_an_interval_that_was_not_computed_says_so(limits):
    assert "not computed" in quantities.interval_percent(limits)


@pytest.mark.parametrize(
    ("limits", "shown"),
    [
        (Limits(31.21, 44.0), f"31.2 to 44{N}MPa"),
        (Limits(31.21, None), f"≥{N}31.2{N}MPa"),
        (Limits(None, 44.04), f"≤{N}44.0{N}MPa"),
    ],
)
def test_an_open_interval_names_its_one_limit(limits, shown):
    assert quantities.interval(limits, "MPa") == shown


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (0.03214, "p = 0.032"),
        (0.1, "p = 0.10"),  # three of three failing against none of three, two-sided Fisher
        (0.0999, "p = 0.10"),
        (0.00021, "p = 0.00021"),
        (0.00009, "p < 0.0001"),
        (0.0, "p < 0.0001"),
        (0.43, "p = 0.43"),
        (0.998, "p > 0.99"),
        (1.0, "p > 0.99"),
    ],
)
def test_a_p_value_keeps_two_digits_and_is_never_nought(p, shown):
    assert quantities.p_value(p) == shown


def test_a_p_value_that_was_not_computed_says_so():
    assert "not computed" in quantities.p_value(None)


def test_a_date_names_its_month():
    assert quantities.day(date(2026, 3, 4)) == '<time datetime="2026-03-04">4 Mar 2026</time>'


def test_a_moment_is_shown_in_the_labs_own_time():
    seen_at = datetime(2026, 7, 1, 22, 30, tzinfo=UTC)
    with lab_time.override(timezone(timedelta(hours=2))):
        shown = Template("{% load quantities %}{{ at|moment }}").render(Context({"at": seen_at}))
    assert shown == '<time datetime="2026-07-02T00:30+02:00">2 Jul 2026, 00:30</time>'


def test_a_due_time_of_another_day_names_the_day():
    assert (
        quantities.clock(datetime(2020, 2, 3, 14, 5, tzinfo=UTC))
        == '<time datetime="2020-02-03T14:05+00:00">Mon 3 Feb, 14:05</time>'
    )


def test_a_due_time_of_today_is_the_time_alone():
    now = lab_time.localtime()
    assert quantities.clock(now).endswith(f">{now:%H:%M}</time>")


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [
        (0, f"0{N}min"),
        (45, f"45{N}min"),
        (59.6, f"1{N}h"),
        (150, f"2{N}h 30{N}min"),
        (480, f"8{N}h"),
        (24 * 60, f"1{N}d"),
        (76 * 60, f"3{N}d 4{N}h"),
        (48 * 60 - 10, f"2{N}d"),
        (-5, f"−5{N}min"),
    ],
)
def test_minutes_read_as_people_say_them(minutes, shown):
    assert quantities.duration(minutes) == shown


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("cure_time_s", "s"),
        ("edge_distance_mm", "mm"),
        ("dose_mj_cm2", "mJ/cm²"),
        ("irradiance_mw_cm2", "mW/cm²"),
        ("max_rate_k_per_min", "K/min"),
        ("soak_minutes", "min"),
        ("force_n", "N"),
        ("temperature_c", "°C"),
        ("legs", ""),
    ],
)
def test_a_name_tells_its_unit(name, unit):
    assert quantities.unit_of(name) == unit


class Reading(forms.Form):
    cure_time_s = forms.FloatField(label="cure time (s)")
    kept_in_c = forms.CharField()
    force = forms.FloatField()
    force.unit = "kN"


def test_a_field_shows_the_unit_of_its_name_only_if_it_takes_a_number():
    form = Reading()
    assert [quantities.unit_of_field(field) for field in form] == ["s", "", "kN"]


@pytest.mark.parametrize(
    ("label", "unit", "shown"),
    [("cure time (s)", "s", "cure time"), ("force (kN)", "N", "force (kN)"), ("note (s)", "", "note (s)")],
)
def test_a_label_does_not_repeat_the_unit_of_its_field(label, unit, shown):
    assert quantities.without_unit(label, unit) == shown


@pytest.mark.parametrize("filtered", [quantities.day, quantities.moment, quantities.clock])
def test_times_are_told_by_the_labs_clock_from_python_too(filtered):
    # Templates turn a time before they call a filter; tables and timelines call it from Python.
    with lab_time.override("Pacific/Auckland"):
        assert "6 Mar" in filtered(datetime(2026, 3, 5, 20, 5, tzinfo=UTC))
