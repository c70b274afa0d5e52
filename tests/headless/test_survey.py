"""The command survey: points in, one document out."""

import io
import json
import sys

import pytest
from django.core.management import call_command

# Invented points; the answers by the definitions that tests/science/test_irradiance.py checks.
POINTS = "x_mm,y_mm,irradiance_mw_cm2\n-30,0,9\n0,0,10\n0,0,12\n30,0,10\n"


@pytest.fixture
def survey(tmp_path, capsys):
    def run(text, *arguments):
        points, out = tmp_path / "points.csv", tmp_path / "answer.json"
        points.write_text(text)
        try:
            call_command("survey", str(points), *arguments, out=str(out))
        except SystemExit as ended:
            assert not out.exists()
            return ended.code, capsys.readouterr().err.splitlines()
        return 0, json.loads(out.read_text())

    return run


def test_the_document_has_the_agreed_keys(survey):
    code, answer = survey(POINTS, "--cure-seconds", "60")
    assert code == 0
    assert answer["points"] == 3
    assert answer["mean_mw_cm2"] == 10
    assert answer["dose_mj_cm2"] == {"mean": 600, "min": 540, "max": 660}
    assert answer["coldest"] == {"x_mm": -30, "y_mm": 0, "value": 9}
    assert answer["hottest"] == {"x_mm": 0, "y_mm": 0, "value": 11}
    assert answer["spacing_mm"] == 30
    assert answer["non_uniformity"] == pytest.approx(0.1)
    assert set(answer) >= {"min_mw_cm2", "max_mw_cm2", "min_over_mean", "min_over_max", "cv", "repeatability_cv"}


def test_no_dose_without_a_time(survey):
    assert survey(POINTS)[1]["dose_mj_cm2"] is None


def test_points_come_from_standard_input(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(POINTS.encode())))
    call_command("survey", "-", out=str(tmp_path / "answer.json"))
    assert json.loads((tmp_path / "answer.json").read_text())["readings"] == 4


@pytest.mark.parametrize(
    ("text", "arguments", "said"),
    [
        (POINTS, ("--cure-seconds", "0"), "--cure-seconds: 0 is not a time above 0"),
        (POINTS, ("--cure-seconds", "nan"), "--cure-seconds: nan is not a time above 0"),
        (POINTS, ("--cure-seconds", "1e308"), "--cure-seconds: 1e+308 is longer than a week (604800 s)"),
        (
            POINTS + "1,1,NaN\n",
            (),
            "row 6, column irradiance_mw_cm2: NaN is not a finite number: read the point again, or leave out its row",
        ),
        (
            POINTS + "1,1,-3\n",
            (),
            "row 6, column irradiance_mw_cm2: -3 is below 0: zero the meter in the dark and read again",
        ),
    ],
)
def test_bad_input_is_named(survey, text, arguments, said):
    assert survey(text, *arguments) == (2, [said])


def test_the_input_is_not_overwritten(tmp_path, capsys):
    points = tmp_path / "points.csv"
    points.write_text(POINTS)
    with pytest.raises(SystemExit):
        call_command("survey", str(points), out=str(points))
    assert "would be lost" in capsys.readouterr().err
    assert points.read_text() == POINTS


def test_what_is_doubtful_about_the_readings_is_told(survey):
    points = "x_mm,y_mm,irradiance_mw_cm2\n" + "".join(f"{10 * at},0,{min(8 + at, 12)}\n" for at in range(9))
    warnings = survey(points + "0,10,0\n")[1]["warnings"]
    assert warnings == [
        "The greatest reading, 12 mW/cm², was read 5 times: a meter at the end of its range reads so. "
        "Check the range, or read again from further away.",
        "1 place read 0: no light there, or the head was covered. Read them again.",
    ]
