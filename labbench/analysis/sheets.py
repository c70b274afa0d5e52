"""From the database to the coupon sheet that every analysis starts from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labbench.bench.models import Inspection, LoadPlace, StrengthTest
from labbench.formats.factor_levels import natural_order
from labbench.science.sheet import CouponSheet, FactorColumn, FactorKind
from labbench.science.sheet import Level as ScienceLevel
from labbench.studies.models import Coupon, CouponLevel, Factor, Study


@dataclass(frozen=True, slots=True)
class StudySheet:
    """A study's coupons as a sheet, and the sentences that say what it leaves out or has to be read with.

    `coupon_ids` are in the order of the sheet; `left_out_codes` those that would be in it, had they not been left out by choice.
    """

    sheet: CouponSheet
    notes: tuple[str, ...]
    coupon_ids: tuple[int, ...] = ()
    left_out_codes: tuple[str, ...] = ()

    @property
    def left_out(self) -> int:
        return len(self.left_out_codes)


def study_sheet(study: Study, *, with_unfinished: bool = False, left_out: Collection[int] = ()) -> StudySheet:
    """The sheet of a study as it stands, without the coupons `left_out`; a constant number of queries.

    A repaired coupon that has not been through a round says nothing yet and is left out (`with_unfinished` keeps it, for export);
    so is a control that was not broken. One in the middle of its rounds stays, censored where it was last seen to hold.
    """
    coupons = list(
        Coupon.objects.filter(study=study)
        .order_by("id")
        .values(
            "id",
            "code",
            "role",
            "stage",
            "rounds_planned",
            "rounds_survived",
            "failed_round",
            "withdrawn_on",
            "edge_distance_mm",
        )
    )
    strengths, origins = strength_tests(study)
    is_open = [
        c["role"] != Coupon.Role.PRISTINE
        and not c["rounds_survived"]
        and c["failed_round"] is None
        and c["id"] not in strengths
        for c in coupons
    ]
    kept = coupons if with_unfinished else [c for c, waits in zip(coupons, is_open, strict=True) if not waits]
    codes_left_out = tuple(c["code"] for c in kept if c["id"] in left_out)
    if left_out:
        kept = [c for c in kept if c["id"] not in left_out]
        is_open = [waits for c, waits in zip(coupons, is_open, strict=True) if c["id"] not in left_out]
        coupons = [c for c in coupons if c["id"] not in left_out]
    modes = dict(
        Inspection.objects.filter(coupon__study=study, outcome=Inspection.Outcome.CRACKED_OUT)
        .order_by()
        .values_list("coupon_id", "failure_mode")
    )
    loads = dict(LoadPlace.objects.filter(coupon__study=study).order_by().values_list("coupon_id", "load__name"))
    position = {c["id"]: i for i, c in enumerate(kept)}
    sheet = CouponSheet(
        coupons=tuple(c["code"] for c in kept),
        roles=np.array([c["role"] for c in kept], dtype=np.str_),
        factors=factor_columns(study, position),
        blocks=np.array([loads.get(c["id"]) for c in kept], dtype=object),
        rounds_planned=np.array([c["rounds_planned"] or study.rounds_planned for c in kept], dtype=np.int64),
        rounds_survived=np.array([c["rounds_survived"] for c in kept], dtype=np.int64),
        failed_round=np.array([c["failed_round"] or 0 for c in kept], dtype=np.int64),
        failure_modes=np.array([modes.get(c["id"]) or None for c in kept], dtype=object),
        strength_mpa=np.array([strengths.get(c["id"], np.nan) for c in kept], dtype=np.float64),
        fracture_origins=np.array([origins.get(c["id"]) for c in kept], dtype=object) if origins else None,
    )
    return StudySheet(sheet, notes(coupons, is_open), tuple(c["id"] for c in kept), codes_left_out)


def strength_tests(study: Study) -> tuple[dict[int, float], dict[int, str]]:
    """Stress per coupon broken, and where the fracture began, as far as it is known (`science.sheet.ORIGINS`)."""
    strengths, origins = {}, {}
    tests = StrengthTest.objects.filter(coupon__study=study).order_by()
    for coupon_id, stress_mpa, origin, is_limit in tests.values_list(
        "coupon_id", "stress_mpa", "origin", "is_machine_limit"
    ):
        strengths[coupon_id] = stress_mpa
        if is_limit:
            origins[coupon_id] = "machine_limit"
        elif origin != StrengthTest.Origin.NOT_KNOWN:
            origins[coupon_id] = origin
    return strengths, origins


def factor_columns(study: Study, position: dict[int, int]) -> tuple[FactorColumn, ...]:
    """The study's factors over the coupons at `position` (coupon id -> index)."""
    codes = {factor.pk: np.full(len(position), -1, dtype=np.int64) for factor in study.factors.all()}
    chosen: dict[int, dict[int, tuple[str, float | None]]] = {pk: {} for pk in codes}
    rows = (
        CouponLevel.objects.filter(coupon__study=study)
        .order_by()
        .values_list("coupon_id", "factor_id", "level_id", "level__name", "level__number")
    )
    given = []
    for coupon_id, factor_id, level_id, name, number in rows:
        if coupon_id in position:
            chosen[factor_id][level_id] = (name, number)
            given.append((position[coupon_id], factor_id, level_id))
    columns, ranks = [], {}
    for factor in study.factors.all():
        kind, order, levels = in_order(factor, chosen[factor.pk])
        ranks[factor.pk] = {level_id: rank for rank, level_id in enumerate(order)}
        columns.append(FactorColumn(factor.name, kind, levels, codes[factor.pk]))
    for index, factor_id, level_id in given:
        codes[factor_id][index] = ranks[factor_id][level_id]
    return tuple(columns)


def in_order(
    factor: Factor, found: Mapping[int, tuple[str, float | None]]
) -> tuple[FactorKind, list[int], tuple[ScienceLevel, ...]]:
    """The kind of a factor, and its levels in order: numbers ascending, names in natural reading order."""
    numbers = {pk: number for pk, (_, number) in found.items() if number is not None}
    if factor.is_numeric and len(numbers) == len(found):
        by_number = sorted(numbers, key=numbers.__getitem__)
        return "numeric", by_number, tuple(numbers[pk] for pk in by_number)
    by_name = sorted(found, key=lambda pk: natural_order(found[pk][0]))
    return "categorical", by_name, tuple(found[pk][0] for pk in by_name)


def notes(coupons: Sequence[Mapping[str, Any]], is_open: list[bool]) -> tuple[str, ...]:
    """What a reader must know about the coupons behind the numbers."""
    found = []
    stage = Counter(c["stage"] for c, waits in zip(coupons, is_open, strict=True) if not waits)
    if waiting := sum(is_open):
        have, are = ("has", "is") if waiting == 1 else ("have", "are")
        found.append(f"{waiting} of {len(coupons)} coupons {have} not been seen after a round yet and {are} left out.")
    if cycling := stage[Coupon.Stage.CYCLING]:
        found.append(
            "One coupon is still in its rounds; it counts as holding so far."
            if cycling == 1
            else f"{cycling} coupons are still in their rounds; they count as holding so far."
        )
    if withdrawn := sum(1 for c in coupons if c["withdrawn_on"]):
        found.append(
            "One coupon was withdrawn; it counts up to its last inspection."
            if withdrawn == 1
            else f"{withdrawn} coupons were withdrawn; they count up to their last inspection."
        )
    near = sum(1 for c in coupons if c["edge_distance_mm"] is not None and c["edge_distance_mm"] < 50)
    if near and near < len(coupons):
        found.append(
            f"{near} of {len(coupons)} breaks lie within 50 mm of the edge, where glass breaks run at once (common practice, "
            "no source); they are analysed together with the rest."
        )
    return tuple(found)
