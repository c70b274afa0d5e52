"""Two people at one lamp or one survey at the same moment: the counter never falls, and nothing that one stored is lost."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from labbench.lab import surveys
from labbench.lab.models import LampSurvey, SurveyDraft
from labbench.lab.records import newest_version
from tests import factories
from tests.lab.test_surveys import READ, corrected, draft, read, stored, values_of

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*acts):
    """Run the acts at the same moment, each on a connection of its own; gives what each stored or why it was refused."""
    barrier = Barrier(len(acts))

    def run(act):
        try:
            barrier.wait(timeout=30)
            return act()
        except ValidationError as refused:
            return " ".join(refused.messages)
        finally:
            connection.close()

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(run, acts))


def test_of_two_surveys_whose_counter_falls_one_is_stored():
    by = factories.person()
    for _ in range(4):
        lamp = factories.lamp()
        drafts = [
            draft(lamp=lamp, lamp_hours_h=hours, started_at=READ + timedelta(hours=after))
            for hours, after in ((500.0, 0), (100.0, 3))
        ]
        for one in drafts:
            read(one, 9.0)
        outcomes = at_once(*(lambda one=one: surveys.store_draft(draft=one, by=by) for one in drafts))
        assert LampSurvey.objects.filter(lamp=lamp).count() == 1
        assert len([one for one in outcomes if isinstance(one, str) and "Hours run never fall" in one]) == 1


def test_a_survey_withdrawn_by_two_is_withdrawn_once():
    survey, by = stored(9.0), factories.person()
    rows = [LampSurvey.objects.get(pk=survey.pk) for _ in range(2)]
    outcomes = at_once(*(lambda row=row: surveys.withdraw_survey(survey=row, by=by, reason="hot") for row in rows))
    assert outcomes.count("This survey was withdrawn already.") == 1
    assert survey.history.count() == 2


def test_of_two_corrections_of_one_version_the_second_is_told():
    survey = stored(9.0, 10.0)
    seen = newest_version(survey)
    rows = [LampSurvey.objects.get(pk=survey.pk) for _ in range(2)]
    readings = [[(-20.0, 0.0, 8.0), (0.0, 0.0, 10.0)], [(-20.0, 0.0, 9.0), (0.0, 0.0, 12.0)]]
    outcomes = at_once(*(lambda n=n: corrected(rows[n], readings[n], seen=seen) for n in range(2)))
    assert outcomes.count(True) == 1
    assert "changed this meanwhile" in next(one for one in outcomes if one is not True)
    assert [row[3] for row in values_of(survey)] in ([8, 10], [9, 12])


def test_a_reading_of_a_draft_that_was_stored_meanwhile_is_refused():
    made = draft()
    read(made, 9.0)
    surveys.store_draft(draft=SurveyDraft.objects.get(pk=made.pk), by=factories.person())
    with pytest.raises(SurveyDraft.DoesNotExist):
        surveys.read_place(draft=made, place=1, reading=1, raw_reading=5.0)
    with pytest.raises(SurveyDraft.DoesNotExist):
        surveys.replace_readings(draft=made, readings={0: [5.0]})
