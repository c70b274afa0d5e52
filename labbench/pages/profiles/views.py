"""Thermal profiles: the list, one version, a new profile, a new version of one."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from labbench.lab import profiles
from labbench.lab.models import Chamber, ThermalProfile
from labbench.lab.profiles import STARTING_PROFILES, ProfileValues
from labbench.pages.profiles.forms import ProfileForm, StepsOfRound, step_forms
from labbench.pages.profiles.round_picture import round_picture
from labbench.pages.refusals import add_refusal
from labbench.pages.surveys.entry import number_in

EMPTY = ProfileValues("", 3, 10, ())
CAUTIONS = (
    "Hot and deeply cold surfaces burn: insulated gloves for both.",
    "Glass can crack out in the hand: eye protection, face away.",
)


class ReasonForm(forms.Form):
    """Why something is taken out."""

    reason = forms.CharField(max_length=200, help_text="Kept in the history.")


@require_safe
def profile_list(request: HttpRequest) -> HttpResponse:
    """The newest version of each profile."""
    return render(request, "profiles/profiles.html", {"profiles": profiles.newest_profiles()})


@require_safe
def profile(request: HttpRequest, pk: int) -> HttpResponse:
    """One version with its picture, what speaks against it, and its other versions."""
    found = open_profile(pk)
    steps = list(found.steps.all())
    versions = list(profiles.versions_of(found))
    context = {
        "profile": found,
        "steps": steps,
        "picture": round_picture(steps, found.max_transfer_minutes),
        "warnings": profiles.warnings_of(steps, list(Chamber.objects.all())),
        "versions": versions,
        "newest": versions[0],
        "is_used": profiles.is_used(found),
        "hazards": CAUTIONS,
    }
    return render(request, "profiles/profile.html", context)


@permission_required("lab.add_thermalprofile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_profile(request: HttpRequest) -> HttpResponse:
    """A profile, begun from common practice (?from=common), from a stored one (?from=its number) or from nothing."""
    start = starting_values(request.GET.get("from", ""))
    form, steps = forms_of(request, start, is_new_version=False)
    if request.method == "POST" and all([form.is_valid(), steps.is_valid()]):
        try:
            made = profiles.create_profile(values=form.values(steps.steps()), by=request.user)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return stored(request, made, f"{made.name} is stored.")
    return render(request, "profiles/new.html", {"form": form, "steps": steps, "starts": starts()})


@permission_required("lab.add_thermalprofile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_version(request: HttpRequest, pk: int) -> HttpResponse:
    """The same profile changed: a version of its own."""
    found = open_profile(pk)
    form, steps = forms_of(request, profiles.values_of(found), is_new_version=True)
    if request.method == "POST" and all([form.is_valid(), steps.is_valid()]):
        try:
            made = profiles.new_version(
                profile=found,
                values=form.values(steps.steps()),
                by=request.user,
                reason=form.cleaned_data["reason"],
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return stored(request, made, f"{made} is stored; the versions before stay as they were.")
    return render(request, "profiles/new_version.html", {"form": form, "steps": steps, "profile": found})


@permission_required("lab.delete_thermalprofile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def take_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a version out that nothing has used."""
    found = open_profile(pk)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            profiles.take_out(profile=found, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{found} is taken out; its history is kept.")
            return redirect("profiles")
    return render(request, "profiles/take_out.html", {"form": form, "profile": found})


def open_profile(pk: int) -> ThermalProfile:
    return get_object_or_404(ThermalProfile.objects.prefetch_related("steps"), pk=pk)


def starts() -> list[tuple[str, str]]:
    """What a new profile can be begun from."""
    common = [
        (key, f"{values.name} (common practice, no published source)") for key, values in STARTING_PROFILES.items()
    ]
    stored_ones = [(str(one.pk), str(one)) for one in profiles.newest_profiles()]
    return [*common, *stored_ones, ("nothing", "nothing: an empty profile")]


def starting_values(wanted: str) -> ProfileValues:
    if wanted in STARTING_PROFILES:
        return STARTING_PROFILES[wanted]
    if (number := number_in(wanted)) is not None:
        values = profiles.values_of(open_profile(number))
        return ProfileValues(
            "", values.rounds, values.max_transfer_minutes, values.steps, values.note, values.is_common_practice
        )
    return EMPTY


def forms_of(request: HttpRequest, start: ProfileValues, *, is_new_version: bool) -> tuple[ProfileForm, StepsOfRound]:
    initial: dict[str, Any] = asdict(start)
    step_values = initial.pop("steps")
    data = (request.POST,) if request.method == "POST" else ()
    form = ProfileForm(*data, initial=initial, is_new_version=is_new_version)
    return form, step_forms(*data, initial=step_values, spare=2 if step_values else 4)


def stored(request: HttpRequest, made: ThermalProfile, words: str) -> HttpResponse:
    messages.success(request, words)
    return redirect("profile", made.pk)
