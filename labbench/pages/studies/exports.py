"""A study as files, and empty sheets to fill."""

from __future__ import annotations

import re
from typing import TypeVar

import numpy as np
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from labbench.analysis.sheets import study_sheet
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv, write_coupon_sheet_xlsx
from labbench.science.sheet import CouponSheet, FactorColumn, FactorKind
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Study

Answer = TypeVar("Answer", bound=HttpResponseBase)
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# The demonstration's factors, as an example of names with and without a unit.
EXAMPLE_FACTORS: tuple[tuple[str, FactorKind], ...] = (
    ("resin_lot", "categorical"),
    ("lamp", "categorical"),
    ("cure_time_s", "numeric"),
)


def exportable(request: HttpRequest, code: str) -> Study:
    """The study, unless the person must not see which coupon is in which arm."""
    study = get_object_or_404(Study, code=code)
    if is_blinded(request.user, study):
        raise PermissionDenied("This study is blind: its files would show you the arm of every coupon.")
    return study


@require_safe
def study_csv(request: HttpRequest, code: str) -> HttpResponse:
    """The coupon sheet; it can be taken in again, and analysed from a command line."""
    study = exportable(request, code)
    text = write_coupon_sheet_csv(study_sheet(study, with_unfinished=True).sheet)
    # The mark at its beginning makes spreadsheets read its letters rightly.
    return as_file(text.encode("utf-8-sig"), "text/csv; charset=utf-8", f"{study.code}.csv")


@require_safe
def study_xlsx(request: HttpRequest, code: str) -> HttpResponseBase:
    """Everything recorded in the study, a worksheet for each kind of record."""
    # slow import: openpyxl
    from labbench.analysis.workbook import study_workbook

    study = exportable(request, code)
    # Sent while it is made: the browser shows how much has come.
    return named(StreamingHttpResponse(study_workbook(study), content_type=XLSX), f"{study.code}.xlsx")


@require_safe
def empty_sheet(request: HttpRequest, ending: str, code: str = "") -> HttpResponse:
    """A sheet with headings only: those of the study, or examples."""
    if ending not in {"csv", "xlsx"}:
        raise Http404(f"There is no empty sheet as .{ending}.")
    factors = EXAMPLE_FACTORS
    if code and not is_blinded(request.user, study := get_object_or_404(Study, code=code)):
        own = tuple((f.name, "numeric" if f.is_numeric else "categorical") for f in study.factors.all())
        factors = own or EXAMPLE_FACTORS  # type: ignore[assignment]
    name = f"coupon-sheet{'-' if code else ''}{code}"
    sheet = blank(factors)
    if ending == "xlsx":
        return as_file(write_coupon_sheet_xlsx(sheet), XLSX, f"{name}.xlsx")
    return as_file(write_coupon_sheet_csv(sheet).encode("utf-8-sig"), "text/csv; charset=utf-8", f"{name}.csv")


def blank(factors: tuple[tuple[str, FactorKind], ...]) -> CouponSheet:
    """A sheet of no coupons."""
    none = np.zeros(0, dtype=np.int64)
    return CouponSheet(
        coupons=(),
        roles=np.zeros(0, dtype=np.str_),
        factors=tuple(FactorColumn(name, kind, (), none) for name, kind in factors),
        blocks=np.zeros(0, dtype=object),
        rounds_planned=none,
        rounds_survived=none,
        failed_round=none,
        failure_modes=np.zeros(0, dtype=object),
        strength_mpa=np.zeros(0),
    )


def as_file(content: bytes, kind: str, name: str) -> HttpResponse:
    return named(HttpResponse(content, content_type=kind), name)


def named(response: Answer, name: str) -> Answer:
    """An answer that is kept under a name, not shown."""
    safe = re.sub(r'[\\/:*?"<>|\x00-\x1f]', "-", name)
    response["Content-Disposition"] = content_disposition_header(True, safe) or "attachment"
    return response
