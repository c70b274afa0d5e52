"""Putting up studies and changing them. Every function is one transaction; ValidationError says which rule is broken."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import ProtectedError
from django.utils import timezone
from simple_history.utils import bulk_create_with_history, bulk_update_with_history

from labbench.formats.factor_levels import level_text
from labbench.lab.records import keep, remove
from labbench.science.sheet import UNIT_SUFFIXES
from labbench.studies.models import Coupon, CouponLevel, Factor, Level, Study
from labbench.studies.planning import forget_impossible

BATCH = 500
# What a bulk edit may set on coupons, beside the levels of factors.
BULK_FIELDS = (
    "role",
    "glass",
    "break_type",
    "size_mm",
    "legs",
    "edge_distance_mm",
    "position",
    "rounds_planned",
    "note",
)


# What stands in addresses and file names as it is, in any script.
STUDY_CODE = re.compile(r"\w[\w.\-]*")


def refuse_code(study: Study) -> None:
    """ValidationError where a new or changed code has odd characters, or is another study's but for the case of its letters."""
    stored = dict(Study.objects.values_list("pk", "code"))
    if stored.get(study.pk) == study.code:
        return
    if not STUDY_CODE.fullmatch(study.code):
        raise ValidationError({"code": "Letters, digits, - _ and . only, a letter or digit first, e.g. COACH-7."})
    for pk, code in stored.items():
        # Compared here: the databases fold letters beyond ASCII differently.
        if pk != study.pk and folded(code) == folded(study.code):
            raise ValidationError({"code": f"There is a study {code} already."})


def folded(code: str) -> str:
    """A code as it is compared: without the case of its letters."""
    return unicodedata.normalize("NFKC", code).casefold()


@transaction.atomic
def save_study(*, study: Study, by: Any, reason: str = "") -> Study:
    """Store a new or a changed study; a study that starts or closes gets its day."""
    refuse_code(study)
    today = timezone.localdate()
    if study.state != Study.State.PLANNED and study.started_on is None:
        study.started_on = today
    if study.state == Study.State.CLOSED:
        study.closed_on = study.closed_on or today
    else:
        study.closed_on = None
    return keep(study, by=by, reason=reason)


@transaction.atomic
def add_factor(*, study: Study, name: str, source: str, by: Any) -> Factor:
    """Add a factor at the end. ValidationError if a number has no unit in its name."""
    if source == Factor.Source.NUMBER and not name.endswith(UNIT_SUFFIXES):
        raise ValidationError(
            {"name": f"A number needs its unit at the end of the name: one of {', '.join(UNIT_SUFFIXES)}."}
        )
    return keep(Factor(study=study, name=name, source=source, order=study.factors.count()), by=by)


@transaction.atomic
def add_level(
    *,
    factor: Factor,
    by: Any,
    name: str = "",
    number: float | None = None,
    record: Any = None,
    is_baseline: bool = False,
) -> Level:
    """Add a level: a name, a number, or a record of the catalogue, as the factor's source says."""
    level = Level(factor=factor, name=name, number=number, is_baseline=is_baseline)
    source = Factor.Source(factor.source)
    if source == Factor.Source.NUMBER:
        if number is None:
            raise ValidationError({"number": "This factor's levels are numbers."})
        level.name = level_text(number)
    elif source != Factor.Source.TEXT:
        if record is None:
            raise ValidationError({"record": f"Choose from the {source.label}."})
        setattr(level, "procedure_version" if source == Factor.Source.PROCEDURE else source.value, record)
        level.name = name or level_name(record)
    return keep(level, by=by)


def level_name(record: Any) -> str:
    """How a catalogue record is called as a level: its code where it has one."""
    return getattr(record, "code", None) or str(record)


@transaction.atomic
def remove_factor(*, factor: Factor, by: Any, reason: str) -> None:
    """Take a factor out of its study, with its levels. ValidationError while coupons carry one of them."""
    if CouponLevel.objects.filter(factor=factor).exists():
        raise ValidationError(f"Coupons carry levels of {factor.name}; clear them first.")
    forget_impossible(levels=list(factor.levels.all()), by=by, reason=reason)
    for level in factor.levels.all():
        remove(level, by=by, reason=reason)
    remove(factor, by=by, reason=reason)


@transaction.atomic
def set_baseline(*, level: Level, by: Any, reason: str = "") -> Level:
    """Mark the level that was used when the repairs failed; the factor's former baseline is one no more."""
    for former in Level.objects.filter(factor=level.factor, is_baseline=True).exclude(pk=level.pk):
        former.is_baseline = False
        keep(former, by=by, reason=reason)
    level.is_baseline = True
    return keep(level, by=by, reason=reason)


@transaction.atomic
def remove_level(*, level: Level, by: Any, reason: str) -> None:
    """Take a level out of its factor. ValidationError while coupons carry it."""
    if coupons := CouponLevel.objects.filter(level=level).count():
        raise ValidationError(
            f"{coupons} coupon{' carries' if coupons == 1 else 's carry'} {level.factor.name} = {level.name}; "
            "give them another level first."
        )
    forget_impossible(levels=[level], by=by, reason=reason)
    remove(level, by=by, reason=reason)


def why_not_deleted(study: Study) -> str:
    """What keeps a study from being deleted, "" where nothing does."""
    held = []
    for relation in study._meta.related_objects:
        if relation.on_delete is models.PROTECT:
            count = relation.related_model._default_manager.filter(**{relation.field.name: study}).count()
            names = relation.related_model._meta
            held += [f"{count:,} {names.verbose_name if count == 1 else names.verbose_name_plural}"] if count else []
    return f"{study.code} holds {', '.join(held)} and can't be deleted; close it instead." if held else ""


@transaction.atomic
def delete_study(*, study: Study, by: Any, reason: str) -> None:
    """Delete a study in which nothing was recorded yet; its history stays. ValidationError if there is anything."""
    if words := why_not_deleted(study):
        raise ValidationError(words)
    for factor in study.factors.all():
        remove_factor(factor=factor, by=by, reason=reason)
    try:
        remove(study, by=by, reason=reason)
    except ProtectedError as refused:
        kinds = sorted({str(row._meta.verbose_name_plural) for row in refused.protected_objects})
        raise ValidationError(f"{study.code} has {', '.join(kinds)} and can't be deleted; close it.") from refused


@transaction.atomic
def add_coupons(
    *, study: Study, codes: Sequence[str], by: Any, levels: dict[Factor, Level] | None = None, **details: Any
) -> list[Coupon]:
    """Add coupons that are alike. ValidationError naming every code that is empty, repeated or already there."""
    # Whoever adds to the same study at the same moment waits, and then sees these codes.
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    cleaned = [code.strip() for code in codes]
    repeated = sorted(code for code, times in Counter(cleaned).items() if times > 1)
    present = sorted(Coupon.objects.filter(study=study, code__in=cleaned).values_list("code", flat=True))
    if not all(cleaned):
        raise ValidationError({"codes": "A coupon needs a code."})
    if repeated:
        raise ValidationError({"codes": f"Named more than once: {', '.join(repeated)}."})
    if present:
        raise ValidationError({"codes": f"Already in this study: {', '.join(present)}."})
    coupons = [Coupon(study=study, code=code, **details) for code in cleaned]
    if coupons:
        coupons[0].full_clean()
    stored = bulk_create_with_history(coupons, Coupon, batch_size=BATCH, default_user=by, default_date=timezone.now())
    for factor, level in (levels or {}).items():
        set_level(coupons=stored, factor=factor, level=level, by=by)
    return stored


@transaction.atomic
def set_level(*, coupons: Sequence[Coupon], factor: Factor, level: Level | None, by: Any, reason: str = "") -> int:
    """Give coupons a level of a factor (None: not known); gives how many changed."""
    if level is not None and level.factor_id != factor.pk:
        raise ValidationError(f"{level.name} is no level of {factor.name}.")
    if any(coupon.study_id != factor.study_id for coupon in coupons):
        raise ValidationError(f"{factor.name} is a factor of another study.")
    rows = {row.coupon_id: row for row in CouponLevel.objects.filter(factor=factor, coupon__in=coupons)}
    if level is None:
        for row in rows.values():
            remove(row, by=by, reason=reason or "level not known")
        return len(rows)
    changed = [row for row in rows.values() if row.level_id != level.pk]
    for row in changed:
        row.level = level
    bulk_update_with_history(
        changed, CouponLevel, ["level"], batch_size=BATCH, default_user=by, default_change_reason=reason
    )
    new = [CouponLevel(coupon=coupon, factor=factor, level=level) for coupon in coupons if coupon.pk not in rows]
    bulk_create_with_history(new, CouponLevel, batch_size=BATCH, default_user=by, default_change_reason=reason)
    return len(changed) + len(new)


@transaction.atomic
def edit_coupons(*, coupons: Sequence[Coupon], changes: dict[str, Any], by: Any, reason: str) -> int:
    """Set the same values on many coupons; all or none. ValidationError names the coupon that refuses."""
    if unknown := set(changes) - set(BULK_FIELDS):
        raise ValueError(f"{sorted(unknown)} are not edited in bulk")
    for coupon in coupons:
        for name, value in changes.items():
            setattr(coupon, name, value)
        try:
            coupon.clean_fields(exclude={f.name for f in Coupon._meta.fields} - set(changes))
            coupon.validate_constraints()
        except ValidationError as refused:
            raise ValidationError(f"Coupon {coupon.code}: {' '.join(refused.messages)}") from refused
    bulk_update_with_history(
        list(coupons), Coupon, list(changes), batch_size=BATCH, default_user=by, default_change_reason=reason
    )
    return len(coupons)
