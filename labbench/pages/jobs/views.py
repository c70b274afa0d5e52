"""How far a job is; cancelling it and trying it again."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRedirect

from labbench.jobs.models import Job
from labbench.jobs.services import cancel, retry
from labbench.lab.roles import Role
from labbench.pages.jobs.places import place_of, study_of


@require_safe
def job(request: HttpRequest, pk: Any) -> HttpResponse:
    """The job; when it is done, its result. Asked for by htmx, only the part that changes."""
    shown = get_object_or_404(Job, pk=pk)
    study = study_of(shown)
    place = place_of(shown, study)
    is_part = bool(request.htmx)  # type: ignore[attr-defined]
    if shown.state == Job.State.DONE and place:
        return HttpResponseClientRedirect(place) if is_part else redirect(place)
    may_act = may_act_on(request.user, shown)
    context = {
        "job": shown,
        "study": study,
        "poll_url": reverse("job", args=[pk]),
        "cancel_url": reverse("cancel-job", args=[pk]) if may_act else "",
        "retry_url": reverse("retry-job", args=[pk]) if may_act else "",
    }
    return render(request, "parts/job.html" if is_part else "jobs/job.html", context)


def may_act_on(person: Any, job: Job) -> bool:
    """Whoever asked for it, and whoever keeps the jobs; a guest only reads."""
    is_own = job.requested_by_id == person.pk and person.role != Role.GUEST
    return bool(is_own or person.has_perm("jobs.change_job"))


def acted_on(request: HttpRequest, pk: UUID) -> Job:
    found = get_object_or_404(Job, pk=pk)
    if not may_act_on(request.user, found):
        raise PermissionDenied("Only whoever asked for this job, or a lab lead, may do this.")
    return found


@require_POST
def cancel_job(request: HttpRequest, pk: UUID) -> HttpResponse:
    found = cancel(job=acted_on(request, pk))
    if not found.is_open and found.state != Job.State.CANCELLED:
        messages.info(request, f"It was {found.get_state_display()} before it could be cancelled.")
    return redirect("job", pk)


@require_POST
def retry_job(request: HttpRequest, pk: UUID) -> HttpResponse:
    try:
        retry(job=acted_on(request, pk))
    except ValidationError as refused:
        messages.error(request, refused.messages[0])
    return redirect("job", pk)
