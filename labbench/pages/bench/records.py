"""What all records of the bench share: just recorded, undo, correct, take out."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labbench.bench import services
from labbench.bench.models import Deviation, Inspection, Repair, StrengthTest
from labbench.bench.queries import RECORDS, allocation, next_coupons, possible_actions
from labbench.bench.refusals import closed_words
from labbench.bench.services import Record
from labbench.lab.roles import Role
from labbench.pages import meanwhile
from labbench.pages.bench.forms import DeviationForm, InspectionForm, ReasonForm, RepairForm, StrengthForm
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon

SENT_AGAIN_WITHIN = timedelta(minutes=2)
WORDS = {"repair": "repair", "inspection": "inspection", "strength": "strength test", "deviation": "deviation"}
# Who a record says did the work.
HANDS = {Repair: "technician_id", Inspection: "inspector_id", StrengthTest: "tested_by_id", Deviation: "recorded_by_id"}


def open_coupon(pk: int) -> Coupon:
    """A coupon with what its pages show of its study, load and glass."""
    rows = Coupon.objects.select_related("study", "glass", "load_place__load", "repair__technician")
    return get_object_or_404(rows, pk=pk)


def why_not(coupon: Coupon, action: str) -> str:
    """Why an action is not recorded of this coupon now, "" if it can be."""
    if action in possible_actions(coupon):
        return ""
    if words := closed_words(coupon.study):
        return words
    stage, role = coupon.get_stage_display(), coupon.get_role_display()
    if action == "repair" and coupon.role in {Coupon.Role.PRISTINE, Coupon.Role.UNREPAIRED}:
        return f"Coupon {coupon.code} is a {role}; it is not repaired."
    if action == "repair" and hasattr(coupon, "repair"):
        return f"Coupon {coupon.code} is repaired already; correct that record instead."
    return f"Coupon {coupon.code}: {stage}. No {WORDS[action]} is recorded now."


def add_refusal(form: forms.Form, refused: ValidationError) -> None:
    """Show what a service refused, at its field where the form has it."""
    if not hasattr(refused, "error_dict"):
        form.add_error(None, refused)
        return
    for name, faults in refused.error_dict.items():
        form.add_error(name if name in form.fields else None, faults)


def sent_again(record_kind: str, coupon: Coupon | None, person: Any, **same: Any) -> Record | None:
    """The record that a double tap or a reload tried to store once more."""
    row = RECORDS[record_kind].objects.filter(coupon=coupon, **same).order_by("-pk").first()
    if row is None:
        return None
    recent = timezone.now() - SENT_AGAIN_WITHIN
    mine = row.history.filter(history_type="+", history_user=person, history_date__gte=recent)
    return row if mine.exists() else None


def stored_once(request: HttpRequest, kind: str, record: Record) -> HttpResponse:
    messages.info(request, "This was sent twice and is stored once.")
    return redirect("recorded", kind, record.pk)


def the_record(kind: str, pk: int) -> Record:
    model = RECORDS.get(kind)
    if model is None:
        raise Http404("There is no such kind of record.")
    # Any: a queryset of one of several models, of which only a deviation may have no coupon.
    rows: QuerySet[Any] = model.objects.select_related("coupon__study", "coupon__load_place__load")
    if model is Deviation:
        rows = rows.select_related("study", "load")
    record: Record = get_object_or_404(rows, pk=pk)
    return record


def may_change(person: Any, record: Record, made_by: int | None = None) -> bool:
    """A technician corrects what is their own; a lab lead everything, QA deviations."""
    if not person.has_perm(f"bench.change_{record._meta.model_name}"):
        return False
    if person.is_superuser or person.role != Role.TECHNICIAN:
        return True
    return person.pk in {getattr(record, HANDS[type(record)]), made_by}


def require_change(person: Any, record: Record) -> None:
    if not person.has_perm(f"bench.change_{record._meta.model_name}"):
        raise PermissionDenied
    made = record.history.filter(history_type="+").values_list("history_user", flat=True).first()
    if not may_change(person, record, made):
        raise PermissionDenied("This record is another person’s; the lab lead can correct it.")


def back_to(record: Record) -> HttpResponse:
    """The page that shows where a record belongs."""
    if record.coupon_id is not None:
        return redirect("coupon", record.coupon_id)
    if isinstance(record, Deviation) and record.load_id is not None:
        return redirect("load", record.load_id)
    return redirect("deviations")


@require_safe
def recorded(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """What was just stored, what the rules found in it, Undo, and the next coupon."""
    try:
        record = the_record(kind, pk)
    except Http404:
        messages.info(request, "This record was taken out again.")
        return redirect("bench")
    found = Deviation.objects.filter(coupon=record.coupon_id, is_found_by_rule=True)
    of_looks = Q(kind=Deviation.Kind.BLINDING)
    deviations = list(
        found.filter(of_looks, happened_at=record.seen_at)
        if isinstance(record, Inspection)
        else found.exclude(of_looks).filter(happened_at=record.repaired_at)
        if isinstance(record, Repair)
        else found.none()
    )
    made = record.history.filter(history_type="+").first()
    can_undo = made is not None and made.history_user_id == request.user.pk
    # A repair names the arm: whoever is to inspect blind sees only that it was made.
    is_hidden = not can_undo and record.coupon is not None and is_blinded(request.user, record.coupon.study)
    context = {
        "kind": kind,
        "word": WORDS[kind],
        "record": record,
        "coupon": record.coupon,
        "deviations": [] if is_hidden else deviations,
        "is_hidden": is_hidden,
        "can_undo": can_undo and made.history_date >= timezone.now() - services.UNDO_WITHIN,
        "next_coupons": next_coupons(record),
    }
    return render(request, "bench/recorded.html", context)


@require_POST
def undo(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Take back one's own record of the last hours."""
    try:
        record = the_record(kind, pk)
    except Http404:
        messages.info(request, "This record was taken out already.")
        return redirect("bench")
    if not request.user.has_perm(f"bench.add_{record._meta.model_name}"):
        raise PermissionDenied
    code = f" of {record.coupon.code}" if record.coupon else ""
    try:
        services.undo(record=record, by=request.user, now=timezone.now())
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, f"Undone: {WORDS[kind]}{code}. The history keeps that it had been recorded.")
    back = request.POST.get("back", "")
    if url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure()):
        return redirect(back)
    return redirect("bench")


def correction_form(request: HttpRequest, record: Record, data: Any) -> Any:
    """The form that the record was made with, filled with what is stored, and a reason."""
    files, person = request.FILES if data is not None else None, request.user
    initial = {field.name: field.value_from_object(record) for field in record._meta.fields}
    if isinstance(record, Repair):
        initial["is_cover_on"] = "on" if record.is_cover_on else "off"
        form: Any = RepairForm(
            data,
            person=person,
            allocation=allocation(record.coupon),
            now=timezone.now(),
            record=record,
            initial=initial,
        )
    elif isinstance(record, Inspection):
        initial.pop("photo")
        form = InspectionForm(data, files, coupon=record.coupon, person=person, record=record, initial=initial)
    elif isinstance(record, StrengthTest):
        form = StrengthForm(data, person=person, record=record, initial=initial)
    else:
        form = DeviationForm(data, initial=initial)
        if record.is_found_by_rule:
            # What a rule found follows from the records; only why it happened is for people to say.
            form.fields = {"reason": form.fields["reason"]}
    for field in form.fields.values():
        if hasattr(field, "input_formats"):  # a moment: left empty it would become now
            field.required, field.help_text = True, ""
    form.fields["why"] = forms.CharField(
        label="why it is corrected", max_length=400, widget=forms.Textarea(attrs={"rows": 2})
    )
    return form


def changes_in(form: Any, record: Record) -> dict[str, Any]:
    """What the form says differently from what is stored; a photo only if a new one was taken."""
    given = {name: value for name, value in meanwhile.given(form).items() if name != "why"}
    if not given.get("photo"):
        given.pop("photo", None)
    # The form shows minutes: the seconds of the stored time are no correction.
    for name, value in list(given.items()):
        before = getattr(record, name)
        if (
            hasattr(before, "replace")
            and hasattr(before, "second")
            and value.replace(second=0) == before.replace(second=0, microsecond=0)
        ):
            given.pop(name)
    return {name: value for name, value in given.items() if value != getattr(record, name)}


@require_http_methods(["GET", "HEAD", "POST"])
def correct(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Change a stored record, with a reason; its history keeps what stood before."""
    record = the_record(kind, pk)
    require_change(request.user, record)
    form = meanwhile.watched(
        lambda row, data: correction_form(request, row, data),
        record,
        request.POST if request.method == "POST" else None,
    )
    seen = form.fields[meanwhile.SEEN].version
    if form.is_valid():
        changes = changes_in(form, record)
        if not changes:
            form.add_error(None, "Nothing was changed.")
        else:
            try:
                why = form.cleaned_data["why"]
                services.correct(record=record, by=request.user, reason=why, changes=changes, seen=seen)
            except ValidationError as refused:
                add_refusal(form, refused)
            else:
                messages.success(request, f"The {WORDS[kind]} is corrected; the history keeps what stood before.")
                return back_to(record)
    context = {"kind": kind, "word": WORDS[kind], "record": record, "coupon": record.coupon, "form": form}
    return render(request, "bench/correct.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def take_out(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Remove a record made by mistake, with a reason; its history stays."""
    record = the_record(kind, pk)
    require_change(request.user, record)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        try:
            services.take_out(record=record, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"The {WORDS[kind]} is taken out; the history keeps it.")
            return back_to(record)
    context = {"kind": kind, "word": WORDS[kind], "record": record, "coupon": record.coupon, "form": form}
    return render(request, "bench/take_out.html", context)
