"""Thermal profiles: stored as versions, never changed once they are used, and what speaks against one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import Count

from labbench.formats.number_texts import number_text, with_unit
from labbench.lab.models import Chamber, ProfileStep, ThermalProfile
from labbench.lab.models.chambers import StepKind
from labbench.lab.records import keep, remove

MOST_STEPS = 12
MOST_SOAKS = 500
# Chambers in which a step of a kind can be made; on a cool-down bench and for a hold nobody sets the air.
ROOM_KINDS = {StepKind.COOL, StepKind.HOLD}


@dataclass(frozen=True, slots=True)
class StepValues:
    """One soak of a round as it was typed; temperatures in degC, None where not stated."""

    name: str
    kind: str
    min_minutes: int
    max_minutes: int | None = None
    air_set_point_c: float | None = None
    target_c: float | None = None
    tolerance_k: float | None = None


@dataclass(frozen=True, slots=True)
class ProfileValues:
    """A whole profile as it was typed."""

    name: str
    rounds: int
    max_transfer_minutes: int
    steps: tuple[StepValues, ...]
    note: str = ""
    is_common_practice: bool = False


def degc(fahrenheit: float) -> float:
    """A temperature in degC, to the hundredth that is stored."""
    return round((fahrenheit - 32) / 1.8, 2)


# Common practice, no published source; a lab changes what it likes.
STARTING_PROFILES = {
    "common": ProfileValues(
        "Freeze, heat, cool",
        3,
        10,
        (
            StepValues("freeze", StepKind.FREEZE, 480, 1080, degc(-10), degc(0), 6.0),
            StepValues("heat", StepKind.HEAT, 120, 180, degc(170), degc(170), 3.0),
            StepValues("cool", StepKind.COOL, 30, 480, 21.0, 28.0, 9.8),
        ),
        "Common practice, no published source: freezer air at -10 °F so that the glass settles near 0 °F, 8 h; oven at 170 °F about "
        "2 h; cool below 100 °F before the next freeze; three rounds. The tolerances are starting values.",
        True,
    )
}


def values_of(profile: ThermalProfile) -> ProfileValues:
    """A stored profile as it would be typed."""
    steps = tuple(
        StepValues(
            step.name,
            step.kind,
            step.min_minutes,
            step.max_minutes,
            step.air_set_point_c,
            step.target_c,
            step.tolerance_k,
        )
        for step in profile.steps.all()
    )
    return ProfileValues(
        profile.name, profile.rounds, profile.max_transfer_minutes, steps, profile.note, profile.is_common_practice
    )


@transaction.atomic
def create_profile(*, values: ProfileValues, by: Any) -> ThermalProfile:
    """The first version of a new profile."""
    name = values.name.strip()
    if ThermalProfile.objects.filter(name__iexact=name).exists():
        raise ValidationError(
            {"name": "There is a profile of this name. Open it and make a new version, or choose another name."}
        )
    return _store(values, version=1, by=by, reason="")


@transaction.atomic
def new_version(*, profile: ThermalProfile, values: ProfileValues, by: Any, reason: str) -> ThermalProfile:
    """A changed profile: the versions before stay as they are, so that what went through them keeps its meaning."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the profile is changed."})
    if _without_name(values) == _without_name(values_of(profile)):
        raise ValidationError(f"Nothing is changed against version {profile.version}.")
    newest = ThermalProfile.objects.filter(name=profile.name).aggregate(models.Max("version"))["version__max"]
    try:
        with transaction.atomic():
            return _store(values, name=profile.name, version=newest + 1, by=by, reason=reason)
    except IntegrityError as refused:
        raise ValidationError("Somebody stored a version at the same moment. Look at it, then try again.") from refused


def _without_name(values: ProfileValues) -> tuple[object, ...]:
    return values.rounds, values.max_transfer_minutes, values.steps, values.note.strip(), values.is_common_practice


def take_out(*, profile: ThermalProfile, by: Any, reason: str) -> None:
    """Take a version out that nothing has used yet."""
    if is_used(profile):
        raise ValidationError("This version is in use; it stays. Make a new version instead.")
    with transaction.atomic():
        try:
            remove(profile, by=by, reason=reason)
        except models.ProtectedError as refused:
            raise ValidationError("This version is in use; it stays. Make a new version instead.") from refused


def is_used(profile: ThermalProfile) -> bool:
    """Whether a load, a study or a booking goes by this version."""
    return (
        profile.loads.exists()  # type: ignore[attr-defined]
        or profile.studies.exists()  # type: ignore[attr-defined]
        or profile.steps.filter(bookings__isnull=False).exists()
    )


def versions_of(profile: ThermalProfile) -> models.QuerySet[ThermalProfile]:
    """All versions, the newest first, with how many loads went by each."""
    return _counted(ThermalProfile.objects.filter(name=profile.name)).order_by("-version")


def newest_profiles() -> list[ThermalProfile]:
    """The newest version of each profile with its steps, and how many loads and studies go by it; two queries."""
    newest = ThermalProfile.objects.filter(name=models.OuterRef("name")).order_by("-version").values("version")[:1]
    found = ThermalProfile.objects.filter(version=models.Subquery(newest)).prefetch_related("steps").order_by("name")
    return list(_counted(found))


def _counted(profiles: models.QuerySet[ThermalProfile]) -> models.QuerySet[ThermalProfile]:
    return profiles.annotate(load_count=Count("loads", distinct=True), study_count=Count("studies", distinct=True))


def _store(values: ProfileValues, *, version: int, by: Any, reason: str, name: str | None = None) -> ThermalProfile:
    check(values)
    profile = keep(
        ThermalProfile(
            name=(name or values.name).strip(),
            version=version,
            rounds=values.rounds,
            max_transfer_minutes=values.max_transfer_minutes,
            is_common_practice=values.is_common_practice,
            note=values.note.strip(),
        ),
        by=by,
        reason=reason,
    )
    for number, step in enumerate(values.steps, start=1):
        keep(
            ProfileStep(
                profile=profile,
                number=number,
                name=step.name.strip(),
                kind=step.kind,
                air_set_point_c=step.air_set_point_c,
                target_c=step.target_c,
                tolerance_k=step.tolerance_k,
                min_minutes=step.min_minutes,
                max_minutes=step.max_minutes,
            ),
            by=by,
            reason=reason,
        )
    return profile


def check(values: ProfileValues) -> None:
    """Refuse what contradicts itself, naming the step and the rule."""
    faults = []
    if not values.steps:
        faults.append("A profile has at least one step.")
    if len(values.steps) > MOST_STEPS:
        faults.append(f"A round has at most {MOST_STEPS} steps.")
    if len(values.steps) * values.rounds > MOST_SOAKS:
        faults.append(f"{values.rounds} rounds of {len(values.steps)} steps are more than {MOST_SOAKS} soaks.")
    seen: dict[str, int] = {}
    for number, step in enumerate(values.steps, start=1):
        name = step.name.strip().casefold()
        if name in seen:
            faults.append(f"Step {number}: “{step.name}” is already the name of step {seen[name]}.")
        seen.setdefault(name, number)
        if step.max_minutes is not None and step.max_minutes < step.min_minutes:
            faults.append(
                f"Step {number} ({step.name}): the longest soak of {step.max_minutes} min is below the least of {step.min_minutes} min."
            )
        if (step.target_c is None) != (step.tolerance_k is None):
            faults.append(f"Step {number} ({step.name}): a coupon target and its tolerance go together.")
    if faults:
        raise ValidationError(faults)


def warnings_of(steps: Sequence[ProfileStep | StepValues], chambers: Sequence[Chamber]) -> list[str]:
    """What speaks against a profile without making it wrong: air no chamber gives, glass that never gets there."""
    said = []
    for number, step in enumerate(steps, start=1):
        label = f"Step {number}, {step.name}"
        said += [f"{label}: {words}" for words in (*_chamber_warnings(step, chambers), *_target_warnings(step))]
    return said


def _chamber_warnings(step: ProfileStep | StepValues, chambers: Sequence[Chamber]) -> list[str]:
    if step.kind in ROOM_KINDS:
        return []
    fitting = [one for one in chambers if one.kind in {step.kind, Chamber.Kind.CYCLER} and one.retired_on is None]
    kind = Chamber.Kind(step.kind).label
    if not fitting:
        return [f"there is no {kind} and no programmable chamber in service."]
    if step.air_set_point_c is None:
        return []
    ranges = [
        (one.lowest_c, one.highest_c) for one in fitting if one.lowest_c is not None and one.highest_c is not None
    ]
    if len(ranges) < len(fitting) or any(low <= step.air_set_point_c <= high for low, high in ranges):
        return []
    lowest, highest = min(low for low, _ in ranges), max(high for _, high in ranges)
    return [
        f"no {kind} reaches air of {_c(step.air_set_point_c)}; those in service go from {_c(lowest)} to {_c(highest)}."
    ]


def _target_warnings(step: ProfileStep | StepValues) -> list[str]:
    said = []
    if step.target_c is None:
        said.append("without a coupon target no trace can prove this soak.")
    elif step.air_set_point_c is not None and step.tolerance_k is not None:
        off = abs(step.air_set_point_c - step.target_c)
        if off >= step.tolerance_k:
            said.append(
                f"air at {_c(step.air_set_point_c)} never leaves the glass within {with_unit(number_text(step.tolerance_k), 'K')} of "
                f"{_c(step.target_c)}: it ends up at the air’s temperature."
            )
    if step.max_minutes is None:
        said.append("without a longest soak the plan of the chambers may leave the load in for days.")
    return said


def _c(value: float) -> str:
    return with_unit(number_text(value, decimals=1), "°C")
