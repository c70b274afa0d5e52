"""What is typed where loads are moved: a time, another chamber, a reason."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from labbench.bench.loads import CLOCKS_DIFFER
from labbench.bench.models import Load
from labbench.bench.split_loads import Mend
from labbench.bench.todays_work import in_use
from labbench.formats.date_texts import clock_text, moment_text
from labbench.lab.models import Chamber
from labbench.pages.local_times import in_the_labs_zone
from labbench.studies.models import Coupon


class LocalTimeField(forms.CharField):
    """A time in the lab's own zone, or with its offset; left empty it is now.

    A time that the clock skipped is refused in words, one that came twice raises `ComesTwice`.
    """

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("required", False)
        super().__init__(max_length=40, widget=forms.DateTimeInput(attrs={"type": "datetime-local"}), **extra)

    def clean(self, value: Any) -> datetime:
        text, now = super().clean(value), timezone.now()
        if not text:
            return now
        try:
            at = parse_datetime(text)
        except ValueError:
            at = None
        if at is None:
            raise ValidationError(f"“{text}” is no time; write it like 2026-11-25 14:05.")
        if timezone.is_naive(at):
            at = in_the_labs_zone(at)
        if at.year < 1990:
            raise ValidationError("This time is before 1990.")
        if at.year > 2190:
            # The end of all years has no time by another clock.
            raise ValidationError("This time is still to come; record what has happened.")
        if at > now + CLOCKS_DIFFER:
            shown = moment_text(timezone.localtime(at))
            raise ValidationError(
                f"{shown} is still to come; by the server it is {clock_text(timezone.localtime(now))}. "
                "Record what has happened."
            )
        return at.astimezone(UTC)


class ChamberField(forms.ModelChoiceField):
    """One of the chambers in use, as the page of the day lists them."""

    def __init__(self, **extra: Any) -> None:
        super().__init__(Chamber.objects.none(), **extra)

    def __deepcopy__(self, memo: Any) -> ChamberField:
        made: ChamberField = super().__deepcopy__(memo)
        # Every form asks anew: which chambers are in use depends on the day.
        made.queryset = Chamber.objects.filter(in_use(timezone.now()))
        return made


class MoveForm(forms.Form):
    """When a load went into a chamber or came out, and what was said about what this does not keep."""

    at = LocalTimeField(label="time", help_text="Leave empty: now.")
    chamber = ChamberField(required=False, label="other chamber")
    into = forms.IntegerField(required=False, min_value=1)
    # The chamber that the page showed: the plan may have changed meanwhile.
    shown = forms.IntegerField(required=False, min_value=1)
    of = forms.CharField(required=False, max_length=40)
    sure = forms.BooleanField(required=False)
    reason = forms.CharField(required=False, max_length=400, widget=forms.Textarea(attrs={"rows": 2}))

    def clean_of(self) -> datetime | None:
        try:
            at = parse_datetime(self.cleaned_data["of"]) if self.cleaned_data["of"] else None
        except ValueError:
            at = None
        return at if at is not None and timezone.is_aware(at) else None


class WhyForm(forms.Form):
    """Why something did not go by the profile."""

    reason = forms.CharField(max_length=400, widget=forms.Textarea(attrs={"rows": 2}))


class FailureForm(forms.Form):
    """From when, until when, and what was seen."""

    began_at = LocalTimeField(label="failed from", help_text="As well as it is known. Leave empty: now.")
    is_over = forms.BooleanField(label="it works again", required=False)
    ended_at = LocalTimeField(label="works again from", help_text="Only where it works again. Leave empty: now.")
    note = forms.CharField(
        label="what was seen",
        required=False,
        max_length=2000,
        help_text="E.g. power cut in the building; door found open, air at −4 °C.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )


class WorksAgainForm(forms.Form):
    """When a chamber was seen to work again."""

    ended_at = LocalTimeField(label="works again from", help_text="Leave empty: now.")


class GoOnForm(forms.Form):
    """Where a load of a failed chamber goes on, and since when."""

    chamber = ChamberField()
    at = LocalTimeField(label="since", help_text="Leave empty: now.")


class CalendarForm(forms.Form):
    """What a private calendar tells of, and when it rings."""

    is_of_all_studies = forms.ChoiceField(
        label="moves of",
        choices=[("all", "all studies"), ("mine", "my studies")],
        widget=forms.RadioSelect,
        help_text="Yours are those that you lead, repaired coupons of, or moved loads of.",
    )
    alarm_minutes = forms.IntegerField(
        label="alarm before a move", min_value=0, max_value=1440, help_text="0: no alarm."
    )


class SplitForm(forms.Form):
    """Which coupon was found where, and what becomes of it."""

    coupon = forms.ModelChoiceField(Coupon.objects.none(), empty_label="which one?")
    chamber = ChamberField(label="found in", empty_label="where?")
    found_at = LocalTimeField(label="found at", help_text="Leave empty: now.")
    mend = forms.ChoiceField(label="what becomes of it", choices=Mend.choices, widget=forms.RadioSelect)
    companion = forms.ModelChoiceField(
        Load.objects.none(),
        label="the load it was found with",
        required=False,
        empty_label="none",
        help_text="Only where it goes on with that load.",
    )
    note = forms.CharField(
        label="how it came there", required=False, max_length=400, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args: Any, coupons: QuerySet[Coupon], others: QuerySet[Load], **extra: Any) -> None:
        super().__init__(*args, **extra)
        for name, rows in (("coupon", coupons), ("companion", others)):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)
            field.queryset = rows

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if given.get("mend") == Mend.WITH and given.get("companion") is None:
            self.add_error("companion", "Which load was it found with?")
        if given.get("mend") == Mend.BACK:
            given["companion"] = None
        return given
