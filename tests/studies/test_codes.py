"""What a study may be called."""

import pytest
from django.core.exceptions import ValidationError

from labbench.studies.models import Study
from labbench.studies.services import save_study
from tests import factories

pytestmark = pytest.mark.django_db


def saved(code, **details):
    study = Study(code=code, title="A study", question="Why?", **details)
    return save_study(study=study, by=factories.person())


@pytest.mark.parametrize("code", ["EL-26-11", "el_26.11", "Ärm-1", "試験-3", "7"])
def test_letters_of_any_script_digits_and_what_addresses_bear(code):
    assert saved(code).code == code


@pytest.mark.parametrize("code", ["<b>", "A&B", "a'b", 'a"b', "-A", ".A", "A+B", "A:B", "A~", "A\u200b"])
def test_other_characters_are_refused(code):
    with pytest.raises(ValidationError) as refused:
        saved(code)
    assert "Letters, digits, - _ and . only" in refused.value.message_dict["code"][0]


@pytest.mark.parametrize(("first", "second"), [("EL-26-11", "el-26-11"), ("ÄRM", "ärm"), ("A1", "A１")])
def test_a_code_that_differs_in_the_case_of_letters_only_is_taken(first, second):
    saved(first)
    with pytest.raises(ValidationError) as refused:
        saved(second)
    assert refused.value.message_dict == {"code": [f"There is a study {first} already."]}


def test_a_study_with_an_older_code_can_still_be_changed():
    study = factories.study(code="A&B")
    study.title = "Another title"
    save_study(study=study, by=factories.person())
    study.code = "A&C"
    with pytest.raises(ValidationError):
        save_study(study=study, by=factories.person())


def test_the_case_of_its_own_code_can_be_changed():
    study = factories.study(code="el-1", state="planned")
    study.code = "EL-1"
    assert save_study(study=study, by=factories.person()).code == "EL-1"
