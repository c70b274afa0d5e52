"""A closed study: what was found in it stands, unless it is opened again or a lead or QA corrects it."""

import io
from datetime import date

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.intake import take_in
from labbench.bench.loads import move_in, move_out, start_load
from labbench.bench.models import Deviation, Inspection
from labbench.bench.revision import revise_study
from labbench.bench.services import (
    correct,
    create_load,
    record_deviation,
    record_inspection,
    record_repair,
    record_strength,
    take_out,
    undo,
    withdraw,
)
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.studies.services import save_study
from tests import factories
from tests.bench import soaks
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def closed():
    """A closed study with one look in it by a technician, and a coupon that is not repaired."""
    study, hand = factories.study(code="EL-9"), factories.person("technician")
    looked_at, bare = factories.coupon(study), factories.coupon(study)
    record_inspection(coupon=looked_at, by=hand, seen_at=NOON, round_number=1, outcome="intact")
    load = create_load(study=study, name="Load 1", by=hand, coupons=[looked_at])
    study.state = "closed"
    save_study(study=study, by=factories.person())
    return {"study": study, "hand": hand, "looked_at": looked_at, "bare": bare, "load": load}


def act(name, closed):
    by = factories.person("lead")
    return {
        "repair": lambda: record_repair(
            coupon=closed["bare"],
            by=by,
            repaired_at=NOON,
            lamp=factories.lamp(),
            resin_lot=factories.resin_lot(),
            cure_time_s=9.0,
        ),
        "inspection": lambda: record_inspection(
            coupon=closed["looked_at"], by=by, seen_at=NOON, round_number=2, outcome="intact"
        ),
        "strength": lambda: record_strength(
            coupon=closed["looked_at"], by=by, tested_at=NOON, method="reported", stress_mpa=40.0
        ),
        "withdrawal": lambda: withdraw(coupon=closed["bare"], by=by, on=date(2026, 11, 2), reason="dropped"),
        "start": lambda: start_load(load=closed["load"], by=by),
        "sheet": lambda: take_in(
            study=closed["study"],
            reading=read_coupon_sheet(io.BytesIO(b"coupon,role,rounds_survived\nN1,test,1\n")),
            filename="late.csv",
            may_add_levels=False,
            by=by,
            now=NOON,
        ),
    }[name]


@pytest.mark.parametrize("name", ["repair", "inspection", "strength", "withdrawal", "start", "sheet"])
def test_a_closed_study_takes_no_record_from_anybody(closed, name):
    with pytest.raises(ValidationError, match=r"EL-9 is closed; a lab lead can open it again\."):
        act(name, closed)()
    closed["study"].state = "running"
    save_study(study=closed["study"], by=factories.person())
    for one in ("looked_at", "bare", "load"):
        closed[one].refresh_from_db()
        closed[one].study.refresh_from_db()
    if name != "sheet":  # its bytes are of no interest here
        act(name, closed)()


def test_only_a_lead_or_qa_corrects_what_was_recorded_in_a_closed_study(closed):
    look, hand = Inspection.objects.get(), closed["hand"]
    for refused in (
        lambda: correct(record=look, by=hand, reason="misread", changes={"note": "x"}),
        lambda: take_out(record=look, by=hand, reason="misread"),
        lambda: undo(record=look, by=hand, now=NOON),
    ):
        with pytest.raises(ValidationError, match="EL-9 is closed; a lab lead or QA can correct"):
            refused()
    correct(record=Inspection.objects.get(), by=factories.person("lead"), reason="misread", changes={"note": "seen"})
    assert Inspection.objects.get().note == "seen"


def test_a_deviation_found_out_later_is_still_kept_and_qa_corrects_it(closed):
    qa = factories.person("qa")
    kept = record_deviation(study=closed["study"], by=qa, kind="other", happened_at=NOON, description="logger was off")
    correct(record=kept, by=qa, reason="more is known", changes={"reason": "battery"})
    assert Deviation.objects.get().reason == "battery"


def test_a_study_is_not_closed_while_a_load_of_it_is_in_a_chamber():
    tray, by = soaks.load(rooms=soaks.chambers()), factories.person("lead")
    move_in(booking=soaks.booked(tray, 1, 1), by=by, at=NOON)
    study = tray.study
    study.state = "closed"
    with pytest.raises(
        ValidationError, match=f"Tray 1 is in F-1. Take out what is in a chamber, then close {study.code}"
    ):
        revise_study(study=study, by=by, reason="finished")
    study.refresh_from_db()
    assert study.state == "running"
    move_out(booking=soaks.booked(tray, 1, 1), by=by, at=NOON + 17 * soaks.HOUR)
    study.state = "closed"
    assert revise_study(study=study, by=by, reason="finished").closed_on is not None
