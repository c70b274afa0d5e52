"""Taking a sheet out again that came in by mistake: all of it or nothing, while nobody has built on it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import QuerySet
from django.utils import timezone

from labbench.bench.intake import BATCH, REASON
from labbench.bench.models import Deviation, Inspection, Load, LoadPlace, Repair, StrengthTest
from labbench.bench.refusals import refuse_closed
from labbench.lab.records import keep, remove
from labbench.studies.models import AllocatedCoupon, Coupon, CouponLevel, Factor, ImportedSheet, Level, Study

# What a sheet brings of a coupon, in the order in which it is taken out again.
BROUGHT: tuple[type[Any], ...] = (StrengthTest, Inspection, LoadPlace, CouponLevel)


@transaction.atomic
def undo_intake(*, sheet: ImportedSheet, by: Any, reason: str) -> int:
    """Remove what a sheet brought, with its history kept; gives how many coupons. ValidationError naming what was built on it.

    Loads, levels and factors that it brought go where nothing else uses them. The study stays, in its state.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why the sheet is taken out again."})
    study = Study.objects.select_for_update(no_key=True).get(pk=sheet.study_id)
    if words := why_not_undone(sheet):
        raise ValidationError(words)
    coupons = Coupon.objects.filter(pk__in=coupons_of(sheet))
    count = coupons.count()
    loads = set(LoadPlace.objects.filter(coupon__in=coupons).order_by().values_list("load", flat=True))
    keys = list(coupons.values_list("pk", flat=True))
    for model in BROUGHT:
        for start in range(0, len(keys), BATCH):
            remove_rows(model.objects.filter(coupon__in=keys[start : start + BATCH]), by=by, reason=reason)
    for start in range(0, len(keys), BATCH):
        remove_rows(Coupon.objects.filter(pk__in=keys[start : start + BATCH]), by=by, reason=reason)
    remove_unused(sheet, loads, by=by, reason=reason)
    filename = sheet.filename
    sheet.delete()
    keep(study, by=by, reason=f"{filename} taken out again: {reason}")
    return count


def coupons_of(sheet: ImportedSheet) -> QuerySet[Any, Any]:
    """The keys of the coupons that came with a sheet: their histories begin at its moment."""
    return Coupon.history.filter(
        study=sheet.study_id, history_type="+", history_date=sheet.imported_at, history_change_reason=REASON
    ).values("id")


def why_not_undone(sheet: ImportedSheet) -> str:
    """What keeps a sheet from being taken out again, "" where nothing does. A constant number of queries."""
    try:
        refuse_closed(sheet.study)
    except ValidationError as closed:
        return closed.messages[0]
    made = coupons_of(sheet)
    if Coupon.objects.filter(pk__in=made).count() != sheet.coupons:
        return f"Not all coupons of {sheet.filename} are there as they came; it can't be taken out again."
    came = {"history_type": "+", "history_date": sheet.imported_at}
    used: list[tuple[str, QuerySet[Any, Any]]] = [
        ("was changed", Coupon.history.filter(id__in=made).exclude(**came).values_list("code", flat=True)),
        ("is in an allocation", codes(AllocatedCoupon.objects, made)),
        *((f"has a {word} since", codes(model.history, made)) for word, model in (("repair", Repair), ("deviation", Deviation))),
        *(
            (f"has {word} since", codes(model.history.exclude(**came), made))
            for word, model in (
                ("an inspection made or changed", Inspection),
                ("a strength test made or changed", StrengthTest),
                ("another load or place", LoadPlace),
                ("another level", CouponLevel),
            )
        ),
    ]  # fmt: skip
    for words, rows in used:
        if code := rows.first():
            return f"Coupon {code} {words}: {sheet.filename} can't be taken out again."
    return ""


def codes(rows: Any, made: QuerySet[Any, Any]) -> QuerySet[Any, Any]:
    return rows.filter(coupon_id__in=made).order_by("coupon__code").values_list("coupon__code", flat=True)


def remove_rows(rows: QuerySet[Any], *, by: Any, reason: str) -> None:
    """Delete rows that nothing points to any more, their histories ended in one statement."""
    found, past = list(rows), rows.model.history.model
    now = timezone.now()
    past.objects.bulk_create(
        [
            past(
                history_type="-",
                history_date=now,
                history_user=by,
                history_change_reason=reason,
                **{field.attname: getattr(row, field.attname) for field in past.tracked_fields},
            )
            for row in found
        ],
        batch_size=BATCH,
    )
    # Not delete(): it would write each history row a second time, one by one.
    rows._raw_delete(rows.db)


def remove_unused(sheet: ImportedSheet, loads: set[int], *, by: Any, reason: str) -> None:
    """Loads, levels and factors that the sheet brought and nothing else uses."""
    for load in Load.objects.filter(pk__in=loads, places=None):
        if came_with(load, sheet):
            remove_if_free(load, by=by, reason=reason)
    for level in Level.objects.filter(factor__study=sheet.study_id, coupon_levels=None):
        if came_with(level, sheet):
            remove_if_free(level, by=by, reason=reason)
    for factor in Factor.objects.filter(study=sheet.study_id, levels=None):
        if came_with(factor, sheet):
            remove_if_free(factor, by=by, reason=reason)


def came_with(row: Any, sheet: ImportedSheet) -> bool:
    """Whether a row was put up by this sheet (or one after it) and never changed."""
    past = list(row.history.values_list("history_type", "history_change_reason", "history_date"))
    return len(past) == 1 and past[0][:2] == ("+", REASON) and past[0][2] >= sheet.imported_at


def remove_if_free(row: models.Model, *, by: Any, reason: str) -> None:
    try:
        with transaction.atomic():
            remove(row, by=by, reason=reason)
    except models.ProtectedError:
        pass  # something else holds to it, e.g. a deviation of the load or a plan of the study: it stays
