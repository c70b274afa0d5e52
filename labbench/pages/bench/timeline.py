"""Everything that happened to one coupon, in one row of time: records, corrections, and what was taken out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any

from django.db import models
from django.urls import reverse
from django.utils import timezone

from labbench.bench.models import Booking, Deviation, Inspection, LoadPlace, ReceivedDose, Repair, StrengthTest
from labbench.bench.queries import RECORDS
from labbench.lab.models import Calibration, Lamp, Person, ProcedureVersion, Radiometer, ResinLot
from labbench.pages.bench.records import WORDS, may_change
from labbench.pages.templatetags.quantities import absent, day_text, moment, quantity, unit_of, without_unit
from labbench.studies.models import Coupon, CouponLevel, Level

# Derived or shown elsewhere; a change of them alone is no correction.
NOT_SHOWN = {
    "id",
    "coupon",
    "study",
    "position",
    "stage",
    "rounds_survived",
    "failed_round",
    "created_at",
    "recorded_at",
    "factor",
}
NAMED_BY_KEY = {
    Person: (),
    ResinLot: ("resin",),
    Lamp: (),
    Radiometer: (),
    ProcedureVersion: ("procedure",),
    Level: ("factor",),
}


@dataclass(slots=True)
class Change:
    """One value before and after a correction."""

    name: str
    before: Any
    after: Any


@dataclass(slots=True)
class Entry:
    """One row of the timeline."""

    at: datetime
    title: str
    who: Any = None
    facts: list[tuple[str, Any]] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    links: list[tuple[str, str]] = field(default_factory=list)
    state: str = ""
    text: str = ""
    reason: str = ""
    photo_of: int | None = None
    is_bad: bool = False
    is_deviation: bool = False
    kind: str = ""
    pk: int | None = None
    may_change: bool = False


class Timeline:
    """The entries of one coupon for one reader; the number of queries does not grow with the rows."""

    def __init__(self, coupon: Coupon, reader: Any, *, is_blinded: bool) -> None:
        self.coupon, self.reader, self.is_blinded = coupon, reader, is_blinded
        self.histories = {
            kind: list(
                model.history.filter(coupon=coupon.pk).select_related("history_user").order_by("id", "history_id")
            )
            for kind, model in RECORDS.items()
        }
        self.makers = {
            (kind, row.id): row.history_user_id
            for kind, rows in self.histories.items()
            for row in rows
            if row.history_type == "+"
        }
        self.names = self.names_of([row for rows in self.histories.values() for row in rows if row.history_type != "+"])

    def entries(self) -> list[Entry]:
        found = [
            *self.preparation(),
            *self.repairs(),
            *self.doses(),
            *self.travels(),
            *self.looks(),
            *self.strength_tests(),
            *self.deviations(),
            *(entry for kind, rows in self.histories.items() for entry in self.corrections(kind, rows)),
        ]
        return sorted(found, key=lambda entry: entry.at)

    # --- what happened ----------------------------------------------------------------------------------------------

    def preparation(self) -> Iterator[Entry]:
        rows = list(Coupon.history.filter(id=self.coupon.pk).select_related("history_user").order_by("history_id"))
        first = rows[0] if rows else None
        yield Entry(
            first.history_date if first else self.coupon.created_at,
            "Prepared",
            who=first.history_user if first else None,
            reason=(first.history_change_reason or "") if first else "",
            state="prepared",
        )
        for before, after in pairwise(rows):
            changes = self.changes(Coupon, before, after)
            if not changes:
                continue
            is_withdrawal = before.withdrawn_on is None and after.withdrawn_on is not None
            title = "Withdrawn" if is_withdrawal else "Coupon’s description changed"
            yield Entry(
                after.history_date,
                title,
                who=after.history_user,
                changes=[] if is_withdrawal else changes,
                reason=after.history_change_reason or "",
                state="withdrawn" if is_withdrawal else "",
                is_bad=is_withdrawal,
            )
        if not self.is_blinded:
            yield from self.level_changes()

    def level_changes(self) -> Iterator[Entry]:
        rows = CouponLevel.history.filter(coupon=self.coupon.pk).select_related("history_user").order_by("history_id")
        last: dict[int, Any] = {}
        levels = list(rows)
        names = self.names_of(levels)
        for row in levels:
            before = last.get(row.factor_id)
            last[row.factor_id] = row
            if before is None or (row.history_type != "-" and row.level_id == before.level_id):
                continue
            after = None if row.history_type == "-" else names.get((Level, row.level_id))
            level = names.get((Level, before.level_id))
            yield Entry(
                row.history_date,
                "Allocation changed",
                who=row.history_user,
                reason=row.history_change_reason or "",
                changes=[Change("level", level or absent("not known"), after or absent("not known"))],
            )

    def repairs(self) -> Iterator[Entry]:
        repair = (
            Repair.objects.filter(coupon=self.coupon)
            .select_related(
                "technician",
                "resin_lot__resin",
                "pit_resin_lot__resin",
                "lamp",
                "survey",
                "radiometer",
                "procedure_version__procedure",
            )
            .first()
        )
        # Asked in any case, so that the number of queries is one number.
        calibrations = list(Calibration.objects.filter(radiometer=repair.radiometer_id if repair else None))
        if repair is None:
            return
        entry = Entry(repair.repaired_at, "Repaired", state="repaired", **self.editable("repair", repair))
        if self.is_blinded and self.reader.pk != repair.technician_id:
            entry.text = "How it was repaired is not shown to inspectors of this blind study."
        else:
            entry.who = repair.technician
            entry.facts = repair_facts(repair, calibrations)
            entry.text = repair.note
            entry.links = repair_links(repair)
        yield entry

    def travels(self) -> Iterator[Entry]:
        rows = LoadPlace.history.filter(coupon=self.coupon.pk).select_related("history_user").order_by("history_id")
        loads = {
            row.load_id: row for row in LoadPlace.objects.filter(coupon=self.coupon).select_related("load__profile")
        }
        for row in rows:
            place = loads.get(row.load_id)
            name = place.load.name if place else f"number {row.load_id}"
            word = {"+": "Placed in", "~": "Place changed in", "-": "Taken out of"}[row.history_type]
            entry = Entry(
                row.history_date, f"{word} {name}", who=row.history_user, reason=row.history_change_reason or ""
            )
            if row.place is not None:
                entry.facts.append(("place", row.place))
            if place is not None:
                entry.links.append((name, reverse("load", args=[place.load_id])))
            yield entry
        bookings = Booking.objects.filter(load__places__coupon=self.coupon).select_related(
            "chamber", "step", "started_by"
        )
        for booking in bookings:
            step = f", {booking.step.name}" if booking.step else ""
            around = f"Round {booking.round_number}{step}" if booking.round_number else "All rounds"
            is_past = booking.started_at is not None
            yield Entry(
                booking.started_at or booking.planned_start,
                f"{around}: chamber {booking.chamber}" + ("" if is_past else " (planned)"),
                who=booking.started_by,
                facts=[
                    ("in", moment(booking.started_at or booking.planned_start)),
                    ("out", moment(booking.ended_at or (None if is_past else booking.planned_end))),
                ],
            )

    def doses(self) -> Iterator[Entry]:
        """Where the dose of the repair was computed again, or was taken away; the first one stands with the repair."""
        if self.is_blinded:
            return
        repairs = {row.id for row in self.histories["repair"]}
        rows = list(
            ReceivedDose.history.filter(repair__in=repairs).select_related("history_user").order_by("history_id")
        )
        for before, after in zip([None, *rows], rows, strict=False):
            if before is None or after.history_type == "-":
                continue
            shown = ("cure_time_s", "dose_min_mj_cm2", "dose_mean_mj_cm2", "dose_max_mj_cm2", "dose_break_mj_cm2")
            yield Entry(
                after.history_date,
                "Dose computed again",
                who=after.history_user,
                reason=after.history_change_reason or "",
                changes=[
                    Change(
                        label(ReceivedDose, name),
                        self.shown(field, before),
                        self.shown(field, after),
                    )
                    for name in shown
                    if getattr(before, name) != getattr(after, name)
                    and isinstance(field := ReceivedDose._meta.get_field(name), models.Field)
                ],
            )

    def looks(self) -> Iterator[Entry]:
        for look in Inspection.objects.filter(coupon=self.coupon).select_related("inspector"):
            after = f", step {look.step_number}" if look.step_number else ""
            entry = Entry(
                look.seen_at,
                "Looked at before round 1"
                if look.round_number == 0
                else f"Looked at after round {look.round_number}{after}",
                who=look.inspector,
                state=look.outcome,
                text=look.note,
                photo_of=look.pk if look.photo else None,
                is_bad=look.outcome == Inspection.Outcome.CRACKED_OUT,
                **self.editable("inspection", look),
            )
            if look.crack_growth_mm is not None:
                entry.facts.append(("crack growth", quantity(look.crack_growth_mm, "mm")))
            if look.failure_mode:
                entry.facts.append(("how it failed", look.failure_mode))
            yield entry

    def strength_tests(self) -> Iterator[Entry]:
        test = StrengthTest.objects.filter(coupon=self.coupon).select_related("tested_by").first()
        if test is None:
            return
        measures = ("force_n", "width_mm", "thickness_mm", "outer_span_mm", "inner_span_mm", "plate_mm")
        facts = [
            ("fracture stress", quantity(test.stress_mpa, "MPa") + (" or more" if test.is_machine_limit else "")),
            ("method", test.get_method_display()),
            ("fracture origin", test.get_origin_display()),
            *(
                (label(StrengthTest, name), quantity(value, unit_of(name)))
                for name in measures
                if (value := getattr(test, name)) is not None
            ),
        ]
        title = "Loaded to the machine’s limit" if test.is_machine_limit else "Broken in the strength test"
        yield Entry(
            test.tested_at,
            title,
            who=test.tested_by,
            facts=facts,
            state="broken",
            text=test.note,
            **self.editable("strength", test),
        )

    def deviations(self) -> Iterator[Entry]:
        about = models.Q(coupon=self.coupon) | models.Q(coupon=None, load__places__coupon=self.coupon)
        rows = Deviation.objects.filter(about).select_related("recorded_by", "load")
        if self.is_blinded:
            # Even that a rule found something tells the arm: all coupons of an expired lot have it. What a load went through does not.
            rows = rows.exclude(is_found_by_rule=True, coupon__isnull=False)
        for row in rows:
            of_load = f" ({row.load.name})" if row.coupon_id is None and row.load else ""
            yield Entry(
                row.happened_at,
                f"Deviation: {row.get_kind_display()}{of_load}",
                who="a rule" if row.is_found_by_rule else row.recorded_by,
                text=row.description,
                reason=row.reason,
                is_deviation=True,
                **self.editable("deviation", row),
            )

    def editable(self, kind: str, record: Any) -> dict[str, Any]:
        made_by = self.makers.get((kind, record.pk))
        return {"kind": kind, "pk": record.pk, "may_change": may_change(self.reader, record, made_by)}

    # --- what was corrected and taken out ------------------------------------------------------------------------------

    def corrections(self, kind: str, rows: list[Any]) -> Iterator[Entry]:
        model = RECORDS[kind]
        by_record: dict[int, list[Any]] = defaultdict(list)
        for row in rows:
            by_record[row.id].append(row)
        for versions in by_record.values():
            if self.is_blinded and kind == "deviation" and versions[0].is_found_by_rule:
                continue
            is_hidden = self.is_blinded and kind == "repair"
            for before, after in zip([None, *versions], versions, strict=False):
                if after.history_type == "+":
                    continue
                is_removal = after.history_type == "-"
                changes = [] if is_removal or before is None else self.changes(model, before, after)
                if not is_removal and not changes:
                    continue
                yield Entry(
                    after.history_date,
                    f"Taken out: {WORDS[kind]}" if is_removal else f"Corrected: {WORDS[kind]}",
                    who=after.history_user,
                    reason="" if is_hidden else after.history_change_reason or "",
                    facts=self.content(model, after) if is_removal and not is_hidden else [],
                    changes=[] if is_hidden else changes,
                    state="cancelled" if is_removal else "",
                    text="What it said is not shown to inspectors of this blind study." if is_hidden else "",
                )

    def changes(self, model: type[models.Model], before: Any, after: Any) -> list[Change]:
        return [
            Change(label(model, one.name), self.shown(one, before), self.shown(one, after))
            for one in model._meta.fields
            if one.name not in NOT_SHOWN and getattr(before, one.attname) != getattr(after, one.attname)
        ]

    def content(self, model: type[models.Model], row: Any) -> list[tuple[str, Any]]:
        return [
            (label(model, one.name), self.shown(one, row))
            for one in model._meta.fields
            if one.name not in NOT_SHOWN | {"is_found_by_rule"} and getattr(row, one.attname) not in (None, "")
        ]

    def shown(self, one: models.Field[Any, Any], row: Any) -> Any:
        """A stored value as the reader reads it."""
        value = getattr(row, one.attname)
        if value is None or value == "":
            return absent("nothing")
        if one.is_relation:
            return self.names.get((one.related_model, value), f"number {value}")
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(one, models.DateTimeField):
            return moment(value)
        if isinstance(one, models.DateField):
            return day_text(value)
        if isinstance(one, models.ImageField):
            return "a photo"
        if one.choices:
            return dict(one.flatchoices).get(value, value)
        return quantity(value, unit_of(one.name)) if isinstance(value, int | float) else value

    def names_of(self, rows: list[Any]) -> dict[tuple[Any, int], str]:
        """The names behind the keys that history rows hold, one query per kind of record."""
        wanted: dict[Any, set[int]] = {model: set() for model in NAMED_BY_KEY}
        for row in rows:
            for one in row._meta.fields:
                if one.is_relation and one.related_model in wanted and one.name != "history_user":
                    wanted[one.related_model].add(getattr(row, one.attname))
        # A correction is compared with the version before it, which may be the first one.
        ids = {row.id for row in rows}
        for versions in self.histories.values():
            for row in versions:
                if row.id in ids and row not in rows:
                    for one in row._meta.fields:
                        if one.is_relation and one.related_model in wanted and one.name != "history_user":
                            wanted[one.related_model].add(getattr(row, one.attname))
        return {
            (model, record.pk): f"{record.factor.name} = {record.name}" if model is Level else str(record)
            for model, keys in wanted.items()
            if keys - {None}
            for record in model._default_manager.filter(pk__in=keys - {None}).select_related(*NAMED_BY_KEY[model])
        }


def label(model: type[models.Model], name: str) -> str:
    named = model._meta.get_field(name)
    assert isinstance(named, models.Field)
    text = str(named.verbose_name)
    return without_unit(text, text[text.rfind("(") + 1 : -1] if text.endswith(")") else "")


def repair_facts(repair: Repair, calibrations: list[Calibration]) -> list[tuple[str, Any]]:
    """How a repair was made, with the state of lot, lamp and meter on that day."""
    on = timezone.localtime(repair.repaired_at).date()
    lot, survey = repair.resin_lot, repair.survey
    expiry = f" (expires {day_text(lot.expires_on)})" if lot.expires_on else ""
    calibration = max(
        (one for one in calibrations if one.calibrated_on <= on), key=lambda one: one.calibrated_on, default=None
    )
    facts: list[tuple[str, Any]] = [
        ("resin", lot.resin.name),
        ("lot", f"{lot.code}{expiry}"),
        ("lamp", str(repair.lamp)),
        ("cover", "on" if repair.is_cover_on else "off"),
        ("lamp survey", day_text(timezone.localtime(survey.surveyed_at)) if survey else absent("none valid that day")),
        ("cure time", quantity(repair.cure_time_s, "s")),
        ("irradiance", quantity(repair.irradiance_mw_cm2, "mW/cm²")),
        ("radiant exposure by that reading", quantity(repair.dose_mj_cm2, "mJ/cm²")),
    ]
    if repair.radiometer:
        state = (
            "not calibrated"
            if calibration is None
            else f"calibrated {day_text(calibration.calibrated_on)}, due {day_text(calibration.due_on)}"
            + (" – overdue that day" if calibration.due_on < on else "")
        )
        facts.append(("meter", f"{repair.radiometer} ({state})"))
    optional = ("distance_mm", "glass_c", "room_c", "vacuum_minutes", "pressure_minutes")
    facts += [
        (label(Repair, name), quantity(value, unit_of(name)))
        for name in optional
        if (value := getattr(repair, name)) is not None
    ]
    if repair.pit_resin_lot:
        facts.append(("pit resin", str(repair.pit_resin_lot)))
    if repair.procedure_version:
        facts.append(("procedure", str(repair.procedure_version)))
    return facts


def repair_links(repair: Repair) -> list[tuple[str, str]]:
    """Where the lot, the lamp with its surveys, and the procedure are described."""
    links = [
        (f"Lot {repair.resin_lot.code}", reverse("resin-lot", args=[repair.resin_lot_id])),
        (f"Lamp {repair.lamp} and its surveys", reverse("lamp", args=[repair.lamp_id])),
    ]
    if repair.procedure_version_id is not None:
        links.append(("Procedure", reverse("procedure-version", args=[repair.procedure_version_id])))
    return links
