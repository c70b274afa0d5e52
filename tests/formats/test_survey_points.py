"""The points of a survey from files as people make them."""

import io

import pytest
from openpyxl import Workbook

from labbench.formats.survey_points import read_survey_points


def lines(text):
    return read_survey_points(text.encode()).fault_lines


def test_semicolons_decimal_commas_a_mark_and_other_columns():
    text = "\ufeffX mm;Y mm;Irradiance mW cm2;remark\n-30;0;10,5;left\n30;0;9,75;\n"
    reading = read_survey_points(text.encode())
    assert reading.readings == [(-30, 0, 10.5), (30, 0, 9.75)]
    assert "decimal commas read as decimal points" in reading.notes
    assert "columns left out: remark" in reading.notes


def test_a_workbook():
    book, file = Workbook(), io.BytesIO()
    for row in (("x_mm", "y_mm", "irradiance_mw_cm2"), (0, 0, 12.5), (10, 0, "11.5")):
        book.active.append(row)
    book.save(file)
    assert read_survey_points(file.getvalue()).readings == [(0, 0, 12.5), (10, 0, 11.5)]


def test_every_fault_has_its_row_and_column():
    faults = lines("x_mm,y_mm,irradiance_mw_cm2\n0,0,12\n10,,11\n20,0,-0.2\n30,0,OL\n40,0,nan\n1e9,0,3\n50,0,1e9\n")
    assert faults == [
        "row 3, column y_mm: is blank: every point needs a number here",
        "row 4, column irradiance_mw_cm2: -0.2 is below 0: zero the meter in the dark and read again",
        'row 5, column irradiance_mw_cm2: "OL" is not a number',
        "row 6, column irradiance_mw_cm2: nan is not a finite number: read the point again, or leave out its row",
        "row 7, column x_mm: 1e9 mm is off any lamp",
        "row 8, column irradiance_mw_cm2: 1e9 is above 100000: is it in mW/cm²?",
    ]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "empty"),
        ("x_mm,y_mm,irradiance_mw_cm2\n", "no points"),
        ("x,y,value\n1,2,3\n", "x_mm, y_mm, irradiance_mw_cm2 are missing"),
        ("x_mm,y_mm,irradiance_mw_cm2,x mm\n1,2,3,4\n", "occurs twice"),
        ("x_mm,y_mm,irradiance_mw_cm2\n1,2,3,4\n", "has 4 cells"),
        ("%PDF-1.7", "PDF"),
    ],
)
def test_what_is_no_survey_is_said(text, word):
    (first, *_) = lines(text)
    assert word in first


def test_a_point_that_may_part_thousands_is_refused_beside_decimal_commas():
    reading = read_survey_points(b"x_mm;y_mm;irradiance_mw_cm2\n0;0;1.234\n1;0;250,5\n")
    assert reading.fault_lines == [
        "row 2, column irradiance_mw_cm2: 1.234 could mean 1234 or 1.234: write it without a thousands separator"
    ]
    assert read_survey_points(b"x_mm;y_mm;irradiance_mw_cm2\n0,5;0;1.23\n1;0;1.234\n").fault_lines == []
