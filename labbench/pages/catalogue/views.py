"""The lab's catalogue: what repairs are made and tested with, and what of it is expired or soon due."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from labbench.bench.uses import bookings_of_chamber, repairs_by_study
from labbench.lab import queries
from labbench.lab.due import due
from labbench.lab.models import Chamber, Lamp, LampSurvey, ProcedureVersion, ResinLot
from labbench.pages.catalogue.attention import attention
from labbench.pages.catalogue.heat_picture import heat_picture

SURVEYS_SHOWN = 50
BOOKINGS_SHOWN = 20
CAUTIONS_OF_LAMPS = ("UV-A harms eyes and skin: shield and eyewear, and never look into a lamp.",)
CAUTIONS_OF_CHAMBERS = (
    "Hot and deeply cold surfaces burn: gloves for both.",
    "Glass can crack out in the hand: eye protection, long sleeves.",
    "Doors and full racks are heavy; nobody climbs into a chamber.",
)


@require_GET
def catalogue(request: HttpRequest) -> HttpResponse:
    """Everything on one page, and first what needs attention."""
    today = timezone.localdate()
    shelves: dict[str, Any] = {
        "resins": queries.resin_lots(today),
        "lamps": queries.lamp_rows(today),
        "meters": queries.meter_rows(today),
        "glass": queries.glass_stock(),
        "procedures": queries.procedures(),
        "profiles": queries.profiles(),
        "chambers": queries.chamber_rows(today),
    }
    return render(request, "catalogue/catalogue.html", {**shelves, "attention": attention(**shelves)})


@require_GET
def lamp(request: HttpRequest, pk: int) -> HttpResponse:
    """One lamp, its surveys, and the readings of one of them (?survey=; default the last)."""
    found = get_object_or_404(Lamp, pk=pk)
    surveys = list(found.surveys.select_related("radiometer", "surveyed_by")[:SURVEYS_SHOWN])
    summaries = queries.survey_summaries([survey.pk for survey in surveys])
    wanted = request.GET.get("survey", "")
    shown = get_object_or_404(LampSurvey, pk=wanted, lamp=found) if wanted.isdecimal() else next(iter(surveys), None)
    context = {
        "lamp": found,
        "surveys": [(survey, summaries.get(survey.pk)) for survey in surveys],
        "shown": shown,
        "last_due": due(queries.survey_valid_to(surveys[0]), today=timezone.localdate()) if surveys else None,
        "picture": heat_picture(queries.survey_readings(shown)) if shown else None,
        "hazards": CAUTIONS_OF_LAMPS,
    }
    return render(request, "catalogue/lamp.html", context)


@require_GET
def resin_lot(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot, and the studies it was used in."""
    lot = get_object_or_404(ResinLot.objects.select_related("resin"), pk=pk)
    context = {
        "lot": lot,
        "due": due(lot.expires_on, today=timezone.localdate()),
        "used": repairs_by_study(resin_lot=lot),
    }
    return render(request, "catalogue/resin_lot.html", context)


@require_GET
def procedure_version(request: HttpRequest, pk: int) -> HttpResponse:
    """The text of one version of a procedure."""
    version = get_object_or_404(ProcedureVersion.objects.select_related("procedure", "approved_by"), pk=pk)
    context = {
        "version": version,
        "versions": version.procedure.versions.order_by("-number"),
        "used": repairs_by_study(procedure_version=version),
    }
    return render(request, "catalogue/procedure_version.html", context)


@require_GET
def chamber(request: HttpRequest, pk: int) -> HttpResponse:
    """One chamber, when it is closed, and what is or was in it."""
    found = get_object_or_404(Chamber.objects.prefetch_related("closures"), pk=pk)
    context = {
        "chamber": found,
        "due": due(found.calibration_due_on, today=timezone.localdate()),
        "bookings": bookings_of_chamber(found)[:BOOKINGS_SHOWN],
        "hazards": CAUTIONS_OF_CHAMBERS,
    }
    return render(request, "catalogue/chamber.html", context)
