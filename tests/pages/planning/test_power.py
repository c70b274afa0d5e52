"""Sample sizes on their page are those of the command."""

import html
import json
import re
import shlex

import pytest
from django.core.management import call_command
from django.urls import reverse

pytestmark = pytest.mark.django_db


def text_of(answer):
    return html.unescape(re.sub(r"[ \n]+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())))


def part(answer, anchor):
    return next(part for part in answer.context["parts"] if part.anchor == anchor)


def told_by_the_command(part, tmp_path):
    program, name, *arguments = shlex.split(part.command)
    assert (program, name) == ("manage.py", "power")
    call_command("power", *arguments, out=str(tmp_path / "out.json"))
    return json.loads((tmp_path / "out.json").read_text())


def test_two_arms_are_answered_as_by_the_command(guest, tmp_path):
    shown = part(guest.get(reverse("power")), "arms")
    told = told_by_the_command(shown, tmp_path)["two_arms"]
    assert shown.big == str(told["n_per_arm"])
    drawn = shown.chart.figure["data"][0]
    assert drawn["y"][: len(told["table"])] == pytest.approx([100 * row["power"] for row in told["table"]])
    assert drawn["x"] == [row["n_per_arm"] for row in told["table"]]
    # The raw numbers stand behind the plot, a row for each number of coupons.
    assert len(shown.chart.rows) == len(drawn["x"])


def test_a_demonstration_is_answered_as_by_the_command(guest, tmp_path):
    asked = {"demonstration-reliability": "0.95", "demonstration-confidence": "0.9", "demonstration-failures": "1"}
    shown = part(guest.get(reverse("power"), asked), "demonstration")
    told = told_by_the_command(shown, tmp_path)["demonstration"]
    # W. Q. Meeker and others print 77 for 0.95 with 0.9 confidence and one failure (from memory).
    assert shown.big == str(told["n"]) == "77"


def test_what_is_asked_for_is_shown_again_and_the_rest_keeps_its_own(guest):
    asked = {"arms-baseline": "0.1", "arms-failing": "0.9", "arms-alpha": "0.05", "arms-power": "0.9"}
    answer = guest.get(reverse("power"), asked)
    assert part(answer, "arms").form["failing"].value() == "0.9"
    assert part(answer, "demonstration").big == "22"


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"failing": "1.5"}, "less than or equal to 1"),
        ({"failing": ""}, "This field is required."),
        ({"failing": "nan"}, "Enter a number."),
        ({"alpha": "0"}, "Between 0 and 1, both excluded."),
        ({"failing": "0.05"}, "the two arms fail alike"),
    ],
)
def test_what_can_not_be_asked_is_told(guest, wrong, words):
    asked = {"baseline": "0.05", "failing": "0.7", "alpha": "0.05", "power": "0.8"} | wrong
    answer = guest.get(reverse("power"), {f"arms-{name}": value for name, value in asked.items()})
    assert words in text_of(answer)
    assert part(answer, "arms").big == ""


def test_a_demonstration_beyond_any_laboratory_is_told(guest):
    asked = {"reliability": "0.9999999999", "confidence": "0.9", "failures": "0"}
    answer = guest.get(reverse("power"), {f"demonstration-{name}": value for name, value in asked.items()})
    assert "too near 1 to be demonstrated" in text_of(answer)


def test_it_needs_a_sign_in(client):
    assert client.get(reverse("power")).status_code == 302


@pytest.mark.parametrize(
    ("anchor", "key"), [("several", "several_arms"), ("equivalence", "equivalence"), ("strength", "strength")]
)
def test_curves_are_those_of_the_command(guest, tmp_path, anchor, key):
    shown = part(guest.get(reverse("power")), anchor)
    told = told_by_the_command(shown, tmp_path)[key]
    assert shown.big == str(told["n_per_arm"])
    drawn = shown.chart.figure["data"][0]
    assert drawn["y"] == pytest.approx([100 * row["power"] for row in told["table"]])
    assert ("error_y" in drawn) == (told["exactness"] == "simulated")


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"several-shares": "0.1"}, "Two to 6 arms."),
        ({"several-shares": "0.1 x"}, "Numbers with blanks between them"),
        ({"several-shares": "0.1 2"}, "Each share lies between 0 and 1."),
        ({"strength-ratio": "0"}, "greater than or equal to 0.01"),
        ({"equivalence-margin": "1"}, "Between 0 and 1, both excluded."),
    ],
)
def test_what_the_curves_can_not_be_asked_is_told(guest, asked, words):
    assert words in text_of(guest.get(reverse("power"), asked))


def test_where_no_size_is_enough_it_is_said(guest):
    asked = {"several-shares": "0.1 0.1", "several-alpha": "0.05", "several-power": "0.8"}
    assert "No number up to 30 per arm" in text_of(guest.get(reverse("power"), asked))
