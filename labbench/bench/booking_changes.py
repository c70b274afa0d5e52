"""Bookings changed together: stored in one transaction with their history, and taken back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone
from simple_history.utils import bulk_create_with_history, bulk_update_with_history

from labbench.bench.booking_rules import Broken, broken_rules
from labbench.bench.chamber_book import ChamberBook, chamber_book
from labbench.bench.models import Booking, BookingChange, Load
from labbench.lab.models import Chamber
from labbench.lab.records import broken_rule, remember

# Rows that are rearranged wait here, far from every plan, so that no two of a load overlap while they move.
FAR = timedelta(days=146_097)
BATCH = 200


class RulesBroken(ValidationError):
    """Bookings that break rules: `broken`; where all of them are wishes (`is_wish`) a reason is enough."""

    def __init__(self, broken: Sequence[Broken]) -> None:
        words = list(dict.fromkeys(one.words for one in broken))
        super().__init__([f"{one[0].upper()}{one[1:]}." for one in words])
        self.broken = tuple(broken)

    @property
    def is_wish(self) -> bool:
        return all(one.is_wish for one in self.broken)


def hold_chambers() -> None:
    """Hold every chamber's row: of two people who change bookings at the same moment one waits and then sees the other's."""
    list(Chamber.objects.select_for_update(no_key=True).order_by("pk").values_list("pk", flat=True))


def hold_loads(loads: Iterable[int]) -> None:
    """Hold the rows of loads, so that nobody moves them meanwhile."""
    list(
        Load.objects.select_for_update(no_key=True)
        .filter(pk__in=set(loads))
        .order_by("pk")
        .values_list("pk", flat=True)
    )


def refuse_broken(
    book: ChamberBook, bookings: Sequence[Booking], reason: str, *, is_planned: bool = False
) -> list[Broken]:
    """RulesBroken where the bookings break a rule, or a wish without a reason; gives the wishes that are broken with one.

    A soak under way whose longest time is over already is no reason against a plan (`is_planned`): no plan could keep it.
    """
    if not bookings:
        return []
    first = min(booking.planned_start for booking in bookings)
    last = max(booking.planned_end for booking in bookings)
    spans = book.hours.spans(first - timedelta(days=1), last + timedelta(days=1))
    broken = [
        one
        for booking, found in broken_rules(book, bookings, spans)
        for one in found
        if not (is_planned and one.rule == "soak" and booking.started_at is not None)
    ]
    rules = [one for one in broken if not one.is_wish]
    if rules:
        raise RulesBroken(rules)
    if broken and not reason.strip():
        raise RulesBroken(broken)
    return broken


def as_stored(booking: Booking) -> dict[str, Any]:
    """What a change remembers of a booking."""
    return {
        "id": booking.pk,
        "load": booking.load_id,
        "chamber": booking.chamber_id,
        "step": booking.step_id,
        "round": booking.round_number,
        "part": booking.part,
        "soaked_before_minutes": booking.soaked_before_minutes,
        "start": booking.planned_start.isoformat(),
        "end": booking.planned_end.isoformat(),
    }


def from_stored(kept: dict[str, Any]) -> Booking:
    """The booking that a change remembers."""
    return Booking(
        pk=kept["id"],
        load_id=kept["load"],
        chamber_id=kept["chamber"],
        step_id=kept["step"],
        round_number=kept["round"],
        part=kept["part"],
        soaked_before_minutes=kept["soaked_before_minutes"],
        planned_start=datetime.fromisoformat(kept["start"]),
        planned_end=datetime.fromisoformat(kept["end"]),
    )


def store(
    *,
    changed: Sequence[Booking] = (),
    made: Sequence[Booking] = (),
    gone: Sequence[Booking] = (),
    words: str,
    reason: str = "",
    by: Any,
) -> BookingChange:
    """Store bookings that were changed, are new, or are taken out, as one change. To be called in a transaction.

    Only planned times and chambers of `changed` are written.
    """
    pks = [booking.pk for booking in (*changed, *gone)]
    before = [as_stored(booking) for booking in Booking.objects.filter(pk__in=pks)]
    write(changed=changed, made=made, gone=gone, words=f"{words}: {reason}" if reason else words, by=by)
    return BookingChange.objects.create(
        words=words[:300],
        reason=reason,
        before=before,
        after=[as_stored(booking) for booking in (*changed, *made)],
        made_by=by,
        made_at=timezone.now(),
    )


def write(*, changed: Sequence[Booking], made: Sequence[Booking], gone: Sequence[Booking], words: str, by: Any) -> None:
    """Write bookings with their histories; ValidationError where the database refuses one."""
    noted = {"default_user": by, "default_change_reason": words, "default_date": timezone.now(), "batch_size": BATCH}
    try:
        with transaction.atomic():
            for booking in gone:
                remember(booking, by=by, reason=words)
                pk = booking.pk
                booking.delete()
                booking.pk = pk
            moved = [booking.pk for booking in changed]
            Booking.objects.filter(pk__in=moved).update(
                planned_start=F("planned_start") + FAR, planned_end=F("planned_end") + FAR
            )
            if changed:
                bulk_update_with_history(list(changed), Booking, ["chamber", "planned_start", "planned_end"], **noted)
            if made:
                bulk_create_with_history(list(made), Booking, **noted)
    except IntegrityError as refused:
        raise ValidationError(broken_rule(refused)) from refused


def last_change() -> BookingChange | None:
    """The newest change that has not been taken back."""
    return BookingChange.objects.filter(undone_at=None).select_related("made_by").first()


@transaction.atomic
def undo_change(*, change: BookingChange, by: Any) -> BookingChange:
    """Take back a change. ValidationError if it was, if a booking of it has begun or was changed since, or rules stand in the way."""
    hold_chambers()
    change = BookingChange.objects.select_for_update().get(pk=change.pk)
    if change.undone_at is not None:
        raise ValidationError("This change was taken back already.")
    kept_before = {row["id"]: row for row in change.before}
    kept_after = {row["id"]: row for row in change.after}
    hold_loads(row["load"] for row in (*change.before, *change.after))
    present = {
        booking.pk: booking
        for booking in Booking.objects.filter(pk__in=kept_before.keys() | kept_after.keys()).select_related("load")
    }
    for pk, row in kept_after.items():
        booking = present.get(pk)
        if booking is None or as_stored(booking) != row:
            raise ValidationError("Bookings of this change were changed again since; take those changes back first.")
        was = kept_before.get(pk)
        is_only_end = was is not None and (was["start"], was["chamber"]) == (row["start"], row["chamber"])
        if booking.ended_at is not None or (booking.started_at is not None and not is_only_end):
            raise ValidationError(f"{booking.load.name} has been moved by this plan already; plan again instead.")
    restored = [from_stored(row) for pk, row in kept_before.items() if pk in kept_after]
    remade = [from_stored(row) for pk, row in kept_before.items() if pk not in kept_after]
    gone = [present[pk] for pk in kept_after.keys() - kept_before.keys()]
    for booking in restored:
        booking.started_at, booking.started_by_id = present[booking.pk].started_at, present[booking.pk].started_by_id
    _refuse_undo(restored, remade, gone)
    words = f"Taken back: {change.words}"
    write(changed=restored, made=remade, gone=gone, words=words, by=by)
    change.undone_at, change.undone_by = timezone.now(), by
    change.save(update_fields=["undone_at", "undone_by"])
    return change


def _refuse_undo(restored: Sequence[Booking], remade: Sequence[Booking], gone: Sequence[Booking]) -> None:
    """RulesBroken where the bookings as they were can't stand beside what was changed since."""
    book = chamber_book(now=timezone.now())
    if any(booking.chamber_id not in book.chambers for booking in (*restored, *remade)):
        raise ValidationError("A chamber of these bookings is not in the catalogue any more; plan again instead.")
    out = {booking.pk for booking in (*restored, *gone)}
    for way in book.ways.values():
        way.bookings = [booking for booking in way.bookings if booking.pk not in out]
    looked_at = []
    for booking in (*restored, *remade):
        if (home := book.ways.get(booking.load_id)) is not None:
            booking.load, booking.chamber = home.load, book.chambers[booking.chamber_id]
            booking.step = next((step for step in home.steps if step.pk == booking.step_id), None)
            home.bookings.append(booking)
            looked_at.append(booking)
    # What has become past, or never kept a wish, is no reason against taking back; places and closures are.
    broken = broken_rules(book, looked_at, [], is_new=False)
    shared = [one for _, found in broken for one in found if one.rule in {"capacity", "closure", "together", "retired"}]
    if shared:
        raise RulesBroken(shared)
