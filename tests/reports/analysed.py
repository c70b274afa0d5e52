"""Finished analyses of small sheets, computed by the science and stored as the worker stores them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from labbench.analysis.models import Analysis
from labbench.analysis.services import canonical
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.jobs.models import Job
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests import factories

AT = datetime(2026, 11, 3, 9, 30, tzinfo=UTC)
HEADER = (
    "coupon,role,factor.resin_lot,factor.lamp,factor.cure_time_s,block,"
    "rounds_planned,rounds_survived,failed_round,failure_mode,strength_mpa"
)
# (lot, lamp): coupons, failed. The lot is what fails; the lamp L2 was mostly used with it.
MIXED = {("A", "L1"): (14, 1), ("A", "L2"): (4, 0), ("B", "L1"): (4, 3), ("B", "L2"): (14, 12)}


def row(number: int, lot: str = "", lamp: str = "", *, failed: bool = False, role: str = "test", **cells: Any) -> str:
    held = cells.get("held", 1 if failed else 3)
    strength = cells.get("strength", "" if failed else f"{36 + number % 7}.5")
    time_s = "" if role != "test" else ("60" if number % 2 else "90")
    return f"C{number},{role},{lot},{lamp},{time_s},load {number % 2},3,{held},{2 if failed else ''},,{strength}"


def mixed_rows(counts: dict[tuple[str, str], tuple[int, int]] | None = None, *, pristine: int = 4) -> list[str]:
    rows: list[str] = []
    for (lot, lamp), (coupons, failed) in (counts or MIXED).items():
        for i in range(coupons):
            rows.append(row(len(rows), lot, lamp, failed=i < failed))
    return rows + [row(len(rows) + i, role="pristine", strength=f"{48 + i}.5") for i in range(pristine)]


def analysed(
    rows: Sequence[str], *, header: str = HEADER, study: Any = None, by: Any = None, **details: Any
) -> Analysis:
    """A finished analysis of a sheet with these rows; the study itself has no coupons."""
    sheet_csv = "\n".join([header, *rows]) + "\n"
    reading = read_coupon_sheet(sheet_csv.encode())
    assert reading.sheet is not None, reading.faults
    confidence, margin = details.pop("confidence", 0.95), details.pop("margin", 0.15)
    result = document(evaluate(reading.sheet, confidence=confidence, margin=margin, next_count=6))
    return stored(sheet_csv, result, coupons=len(rows), study=study, by=by, **details)


def stored(
    sheet_csv: str, result: Any, *, coupons: int, study: Any = None, by: Any = None, state: str = "done"
) -> Analysis:
    """An analysis with this result, or one whose job is in another state."""
    by = by or factories.person()
    is_open = state in {"queued", "running"}
    job = Job.objects.create(
        task="labbench.analyse",
        title="Analysis",
        state=state,
        created_at=AT,
        queued_at=AT,
        finished_at=None if is_open else AT,
        requested_by=by,
    )
    return Analysis.objects.create(
        study=study or factories.study(),
        sheet_csv=sheet_csv,
        inputs_sha256=hashlib.sha256(sheet_csv.encode()).hexdigest(),
        parameters={"confidence": 0.95, "margin": 0.15, "seed": 20260101, "next_count": 6, "notes": [], "runnable": {}},
        code_version="0.1.0+test",
        result=result,
        result_sha256="" if result is None else hashlib.sha256(canonical(result).encode()).hexdigest(),
        coupons=coupons,
        job=job,
        requested_by=by,
        requested_at=AT,
        finished_at=None if result is None else AT,
    )
