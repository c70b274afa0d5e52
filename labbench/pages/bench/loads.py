"""A load: its coupons, bookings, deviations and traces; its start and end; all its looks in one go."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db.models import Count, Min
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_tables2 import RequestConfig

from labbench.bench import loads, services
from labbench.bench.models import Booking, Deviation, Inspection, Load, TraceFile
from labbench.bench.queries import NEEDS_LOOK
from labbench.bench.soak_watch import in_order
from labbench.bench.trace_standing import files_of, proof_of
from labbench.lab.models import ProfileStep
from labbench.pages.bench.cautions import caution
from labbench.pages.bench.forms import LoadLookForm
from labbench.pages.bench.inspections import failure_modes
from labbench.pages.bench.tables import LoadCouponTable
from labbench.pages.today.cards import cards_of_load
from labbench.pages.today.forms import MoveForm
from labbench.pages.today.moves import go_back_refused
from labbench.pages.today.which_time import ask_which
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon

ROWS_AT_ONCE = 40
STEPS: dict[str, Any] = {"start": loads.start_load, "finish": loads.finish_load, "back": loads.step_back_load}


def open_load(pk: int) -> Load:
    return get_object_or_404(Load.objects.select_related("study", "profile"), pk=pk)


def under_way(load: Load) -> int | None:
    """The round whose end is to be looked at, the lowest among the coupons that still travel; None if none does."""
    rows = Coupon.objects.filter(NEEDS_LOOK, load_place__load=load)
    lowest = rows.aggregate(Min("rounds_survived"))["rounds_survived__min"]
    return None if lowest is None else lowest + 1


@require_safe
def load(request: HttpRequest, pk: int) -> HttpResponse:
    row = open_load(pk)
    table = LoadCouponTable(Coupon.objects.filter(load_place__load=row).select_related("load_place"))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    deviations = row.deviations.filter(coupon=None).select_related("recorded_by")
    of_coupons = Deviation.objects.filter(coupon__load_place__load=row).select_related("coupon", "recorded_by")
    if is_blinded(request.user, row.study):
        of_coupons = of_coupons.filter(is_found_by_rule=False)
    counts = Coupon.objects.filter(load_place__load=row).order_by().values_list("stage").annotate(Count("pk"))
    bookings = in_order(list(row.bookings.select_related("chamber", "step", "started_by", "ended_by")))
    moved = sorted((one for one in bookings if one.started_at), key=lambda one: one.started_at or timezone.now())
    context = {
        "load": row,
        "cards": cards_of_load(row),
        "now_ms": int(timezone.now().timestamp() * 1000),
        "last_moved": moved[-1] if moved else None,
        "table": table,
        "stages": [(stage, Coupon.Stage(stage).label, count) for stage, count in sorted(counts)],
        "bookings": bookings,
        "is_in_chamber": any(one.started_at and one.ended_at is None for one in bookings),
        "deviations": [*deviations[:50], *of_coupons[:50]],
        "trace_files": files_of(row),
        "soak_proof": proof_of(row),
        "round_number": under_way(row),
        "can_move": row.state == Load.State.RUNNING and request.user.has_perm("bench.change_booking"),
        "can_inspect": request.user.has_perm("bench.add_inspection"),
    }
    return render(request, "bench/load.html", context | caution(request, "load"))


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def step(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """Start a load, finish it, or take the last of these back."""
    if name not in STEPS:
        raise Http404("There is no such step.")
    row = open_load(pk)
    form = MoveForm(request.POST)
    if (which := ask_which(request, form)) is not None:
        return which
    try:
        if name == "start" and request.POST.get("into"):
            begun = start_into(request, row, form)
            messages.success(request, f"{row.name} is running now; it is in {begun.chamber}.")
            return back(request, row)
        row = STEPS[name](load=row, by=request.user, **confirmed(request, name))
    except (loads.NotRepaired, loads.NotReady):
        return ask_to_start(request, open_load(pk))
    except loads.MadeAlready as told:
        messages.info(request, " ".join(told.messages))
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return go_back_refused(request, row)
    else:
        messages.success(request, f"{row.name} is {row.get_state_display()} now.")
        waiting = Coupon.objects.filter(NEEDS_LOOK, load_place__load=row).count()
        if name == "finish" and waiting:
            messages.warning(request, f"{waiting} of its coupons have not been looked at after their last round.")
    return back(request, row)


def back(request: HttpRequest, row: Load) -> HttpResponse:
    """To the page of the day if somebody came from there, else to the load."""
    return redirect("today") if request.POST.get("back") == "today" else redirect("load", row.pk)


def start_into(request: HttpRequest, row: Load, form: MoveForm) -> Booking:
    """Started and put into its first chamber by one press."""
    if not form.is_valid():
        raise next(iter(form.errors.as_data().values()))[0]
    given = form.cleaned_data
    booking = Booking.objects.filter(pk=given["into"], load=row).first()
    if booking is None or (given["chamber"] is None and given["shown"] not in {None, booking.chamber_id}):
        raise ValidationError(f"The plan of {row.name} has changed meanwhile; nothing was stored. Look at it again.")
    begun = loads.start_into(
        load=row,
        booking=booking,
        by=request.user,
        at=given["at"],
        chamber=given["chamber"],
        **confirmed(request, "start"),
    )
    return begun.record


def confirmed(request: HttpRequest, name: str) -> dict[str, Any]:
    """The coupons that may travel without a repair, as the page that asked about them sends them."""
    if name != "start":
        return {}
    unrepaired = {key for text in request.POST.getlist("unrepaired") if (key := whole(text))}
    return {"unrepaired": unrepaired, "is_early": "early" in request.POST}


def ask_to_start(request: HttpRequest, row: Load) -> HttpResponse:
    """Everything that speaks against starting this load, to be confirmed together."""
    context = {
        "load": row,
        "coupons": loads.not_repaired(row),
        "is_again": "unrepaired" in request.POST,
        "kept": {
            name: request.POST[name] for name in ("into", "chamber", "shown", "at", "back") if name in request.POST
        },
        "is_early": row.ready_at is not None and row.ready_at > timezone.now(),
    }
    return render(request, "bench/start_load.html", context)


@permission_required("bench.add_inspection", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def inspect_load(request: HttpRequest, pk: int) -> HttpResponse:
    """One row per coupon that still travels; all looks are stored together or none is."""
    row = open_load(pk)
    # Other rows are asked for by the same form, so that what was chosen so far stays chosen.
    is_sent = request.method == "POST" and "show" not in request.POST
    asked = request.POST if request.method == "POST" else request.GET
    chosen = ("round_number", "step_number") if is_sent or request.method != "POST" else ("show_round", "show_step")
    steps = list(ProfileStep.objects.filter(profile=row.profile_id or row.study.profile_id))
    number, after = whole(asked.get(chosen[0])) or under_way(row) or 1, whole(asked.get(chosen[1]))
    position = number * 1000 + (after or Inspection.END_OF_ROUND)
    travelling = Coupon.objects.filter(NEEDS_LOOK, load_place__load=row).exclude(inspections__position__gte=position)
    if is_sent:
        # Those that were shown, also where somebody else was quicker: their refusal is said at their row.
        shown = [key for name in request.POST if name.startswith("mode_") and (key := whole(name[5:]))]
        placed = Coupon.objects.filter(load_place__load=row, pk__in=shown[:ROWS_AT_ONCE])
        rows = list(placed.order_by("load_place__place", "code"))
    else:
        rows = list(travelling.order_by("load_place__place", "code")[: ROWS_AT_ONCE + 1])
    kept = {} if is_sent else chosen_so_far(request, rows[:ROWS_AT_ONCE])
    form = LoadLookForm(
        request.POST if is_sent else None,
        coupons=rows[:ROWS_AT_ONCE],
        initial=kept | {"round_number": number, "step_number": after},
    )
    if request.method == "POST" and form.is_valid():
        try:
            stored = services.record_inspections(looks=form.looks(), by=request.user, seen_at=timezone.now())
        except ValidationError as refused:
            form.add_refusals(refused)
        else:
            say_what_was_stored(request, [one.record for one in stored], number)
            return redirect("load", pk)
    context = {
        "load": row,
        "form": form,
        "rows": list(form.rows()),
        "round_number": number,
        "step_number": after,
        "steps": steps,
        "rounds": range(1, row.study.rounds_planned + 1),
        "is_cut": len(rows) > ROWS_AT_ONCE,
        "modes": failure_modes(row.study),
    }
    return render(request, "bench/inspect_load.html", context | caution(request, "inspection"))


def chosen_so_far(request: HttpRequest, rows: list[Coupon]) -> dict[str, str]:
    """What was chosen and typed for the coupons that are shown now, and a warning of what belongs to others."""
    fields = {f"{name}_{coupon.pk}" for coupon in rows for name in ("outcome", "growth", "mode")}
    if left := [name for name in request.POST if name.startswith("outcome_") and name not in fields]:
        one = "One choice was" if len(left) == 1 else f"{len(left)} choices were"
        messages.warning(request, f"{one} of coupons that do not wait for this look, and not kept.")
    return {name: request.POST[name] for name in fields & request.POST.keys()}


def whole(text: str | None) -> int | None:
    """A small whole number out of an address, None where it is none."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) <= 9 else None


def say_what_was_stored(request: HttpRequest, looks: list[Inspection], number: int) -> None:
    counts: dict[str, int] = {}
    for look in looks:
        counts[look.get_outcome_display()] = counts.get(look.get_outcome_display(), 0) + 1
    words = ", ".join(f"{count} {word}" for word, count in counts.items())
    messages.success(request, f"Stored after round {number}: {words}. Each can be undone at the bench.")


@require_safe
def trace_file(request: HttpRequest, pk: int) -> FileResponse:
    """A logger's file, unchanged, to be kept and not shown: its bytes are somebody else's."""
    trace = get_object_or_404(TraceFile, pk=pk)
    try:
        file = trace.file.open("rb")
    except FileNotFoundError as error:
        raise Http404("The file of this trace is missing.") from error
    answer = FileResponse(file, as_attachment=True, filename=trace.filename, content_type="application/octet-stream")
    answer["X-Content-Type-Options"] = "nosniff"
    return answer
