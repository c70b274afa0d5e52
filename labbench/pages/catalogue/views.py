"""The lab's catalogue: what repairs are made and tested with, and what of it is expired or soon due."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from labbench.bench.stock import glass_stocks, lot_stocks
from labbench.bench.uses import bookings_of_chamber
from labbench.lab import queries
from labbench.lab.due import due
from labbench.lab.lamp_lives import fadings
from labbench.lab.models import Chamber, Lamp, LampSurvey
from labbench.pages.bench.cautions import caution, exposure_words
from labbench.pages.catalogue.attention import attention
from labbench.pages.lamps.life import life_panel
from labbench.pages.surveys.drawing import survey_picture
from labbench.pages.surveys.entry import number_in
from labbench.science.uv_exposure import is_uva

SURVEYS_SHOWN = 50
BOOKINGS_SHOWN = 20
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
        "glass": list(queries.glass_stock()),
        "procedures": queries.procedures(),
        "profiles": queries.profiles(),
        "chambers": queries.chamber_rows(today),
    }
    lots = [row.lot for _, rows in shelves["resins"] for row in rows if row.lot.retired_on is None]
    fading = fadings([row.lamp for row in shelves["lamps"] if is_followed(row.lamp)])
    stocks: dict[str, Any] = {
        "lot_stocks": lot_stocks(lots),
        "glass_stocks": glass_stocks(shelves["glass"]),
        "fading": fading,
    }
    return render(
        request, "catalogue/catalogue.html", {**shelves, **stocks, "attention": attention(**shelves, **stocks)}
    )


def is_followed(lamp: Lamp) -> bool:
    """Whether somebody wants to be warned before this lamp is too dim."""
    return lamp.fades and lamp.retired_on is None and lamp.least_irradiance_mw_cm2 is not None


@require_GET
def lamp(request: HttpRequest, pk: int) -> HttpResponse:
    """One lamp, its surveys, and the readings of one of them (?survey=; default the last)."""
    found = get_object_or_404(Lamp, pk=pk)
    surveys = list(found.surveys.select_related("radiometer", "surveyed_by")[:SURVEYS_SHOWN])
    summaries = queries.survey_summaries([survey.pk for survey in surveys])
    wanted = request.GET.get("survey", "")
    standing = [survey for survey in surveys if survey.withdrawn_at is None]
    shown = (
        get_object_or_404(LampSurvey, pk=number_in(wanted), lamp=found)
        if wanted.isdecimal()
        else next(iter(standing), None)
    )
    life = life_panel(found)
    renewed_at = life.fading.life.started_at
    context = {
        "lamp": found,
        "surveys": [(survey, summaries.get(survey.pk)) for survey in surveys],
        "shown": shown,
        "last_due": queries.survey_due(standing[0], renewed_at, today=timezone.localdate()) if standing else None,
        "map": survey_picture(shown) if shown else None,
        "life": life,
    }
    read = [summaries[survey.pk].max_mw_cm2 for survey in standing if survey.pk in summaries]
    hottest = max(read, default=None)
    words = exposure_words(hottest, found.code) if is_uva(found.peak_wavelength_nm) else ""
    return render(request, "catalogue/lamp.html", context | caution(request, "lamp", words))


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
