"""Server time of every page with 5,000 coupons in a study and 100,000 in the database; the limit is 150 ms a page.

    .venv/bin/python -m pytest tests/benchmarks/test_pages.py -s

Takes some minutes: the lab is filled through the intake. The analysis page is measured with its result stored.
"""

from __future__ import annotations

import statistics
import time

import pytest
from django.test import Client
from django.urls import reverse

from labbench.analysis.services import request_analysis
from labbench.bench.models import Inspection, Load, Repair
from labbench.lab.models import Person
from labbench.lab.records import keep
from labbench.studies.models import Study
from tests import factories
from tests.benchmarks.large_lab import build

LIMIT_MS = 150
REPEATS = 7


def addresses() -> list[tuple[str, str]]:
    study = Study.objects.order_by("code").first()
    coupon = study.coupons.order_by("code").first()
    waiting = factories.coupon(study)
    load = Load.objects.filter(study=study).first()
    page = reverse("study", args=[study.code])
    return [
        ("studies", reverse("studies")),
        ("studies, searched", reverse("studies") + "?q=study+1"),
        ("one study", page),
        ("one study, last page of coupons", page + "?page=100"),
        ("one study, cracked out", page + "?stage=cracked_out"),
        ("results", reverse("study-results", args=[study.code])),
        ("bench", reverse("bench")),
        ("coupon", reverse("coupon", args=[coupon.pk])),
        ("record inspection", reverse("record-inspection", args=[waiting.pk])),
        ("record repair", reverse("record-repair", args=[waiting.pk])),
        ("load", reverse("load", args=[load.pk])),
        ("inspect load", reverse("inspect-load", args=[load.pk])),
        ("deviations", reverse("deviations")),
        ("catalogue", reverse("catalogue")),
        ("methods", reverse("methods")),
    ]


def failure_addresses() -> list[tuple[str, str]]:
    repair = Repair.objects.select_related("resin_lot").first()
    asked = {
        "": "",
        " of a lot": f"?lot={repair.resin_lot_id}",
        " of a resin": f"?resin={repair.resin_lot.resin_id}",
        " of a lamp": f"?lamp={repair.lamp_id}",
        " of a technician": f"?technician={repair.technician_id}",
        ", cracked out": "?outcome=cracked_out",
        ", never seen": "?outcome=void",
        " of a mode": "?mode=ran",
        " near the edge": "?edge=near",
        ", edge unknown": "?edge=unknown",
        " of a month": "?seen_from=2026-05-01&seen_to=2026-05-31",
    }
    return [(f"failures{name}", reverse("failures") + query) for name, query in asked.items()]


def timed(client, name: str, url: str, before=lambda: None) -> float:
    """The median of the server's time in ms, printed; `before` happens before each request and is not counted."""
    assert client.get(url).status_code == 200, url
    times = []
    for _ in range(REPEATS):
        before()
        start = time.perf_counter()
        answer = client.get(url)
        times.append((time.perf_counter() - start) * 1000)
    median = statistics.median(times)
    print(f"{name:44} {median:9.0f} {max(times):9.0f} {len(answer.content) / 1000:7.0f}")
    return median


@pytest.mark.django_db
def test_every_page_answers_in_time(client, eager_queue, django_capture_on_commit_callbacks):
    build(studies=20, coupons=5000)
    lead = Person.objects.get(username="bench-lead")
    with django_capture_on_commit_callbacks(execute=True):
        request_analysis(study=Study.objects.order_by("code").first(), by=lead)
    client.force_login(lead)
    print(f"\n{'page':44} {'median ms':>9} {'worst ms':>9} {'kB':>7}")
    medians = {name: timed(client, name, url) for name, url in addresses()}

    look = Inspection.objects.filter(outcome="cracked_out").first()
    technician = Client()
    technician.force_login(Repair.objects.select_related("technician").first().technician)
    for person, signed_in in (("lead", client), ("technician", technician)):
        for page, url in failure_addresses():
            name = f"{page}, {person}"
            medians[name] = timed(signed_in, name, url)
        name = f"failures just after a record, {person}"
        medians[name] = timed(signed_in, name, reverse("failures"), lambda: keep(look, by=lead, reason="benchmark"))
    assert [name for name, median in medians.items() if median > LIMIT_MS] == []
