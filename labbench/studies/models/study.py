"""Studies, their factors and levels, and their coupons."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.science.sheet import UNIT_SUFFIXES

code_characters = RegexValidator(r"^[^\s/\\?#%]+$", "No blanks and none of / \\ ? # %% in a code.")
factor_name_characters = RegexValidator(
    r"^[a-z][a-z0-9_]*$", "Small letters, digits and underscores only, a letter first, e.g. cure_time_s."
)


class Study(models.Model):
    """One question, its coupons and its answer."""

    class State(models.TextChoices):
        PLANNED = "planned", "planned"
        RUNNING = "running", "running"
        CLOSED = "closed", "closed"

    code = models.CharField(max_length=40, unique=True, validators=[code_characters])
    title = models.CharField(max_length=160)
    question = models.TextField(help_text="What failed, and what may be the cause?")
    state = models.CharField(max_length=8, choices=State, default=State.PLANNED)
    lead = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="studies_led"
    )
    profile = models.ForeignKey(
        "lab.ThermalProfile", on_delete=models.PROTECT, null=True, blank=True, related_name="studies"
    )
    procedure_version = models.ForeignKey(
        "lab.ProcedureVersion", on_delete=models.PROTECT, null=True, blank=True, related_name="studies"
    )
    rounds_planned = models.PositiveSmallIntegerField(
        default=3, validators=[MinValueValidator(1), MaxValueValidator(1000)]
    )
    confidence = models.FloatField("confidence of intervals", default=0.95)
    margin = models.FloatField(
        "margin of indifference",
        default=0.15,
        help_text="A difference in failure share that would not matter to you, as a fraction.",
    )
    strength_margin = models.FloatField(
        "margin of strength",
        default=0.15,
        help_text="A loss of strength that would not matter to you, as a fraction of the strength compared with.",
    )
    is_blind = models.BooleanField("inspectors do not see the levels", default=True)
    started_on = models.DateField(null=True, blank=True)
    closed_on = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-created_at"]
        verbose_name_plural = "studies"
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["planned", "running", "closed"]), name="study_state_is_known"
            ),
            models.CheckConstraint(condition=Q(rounds_planned__range=(1, 1000)), name="study_rounds_1_to_1000"),
            models.CheckConstraint(
                condition=Q(confidence__gt=0.5, confidence__lt=1), name="study_confidence_half_to_one"
            ),
            models.CheckConstraint(condition=Q(margin__gt=0, margin__lt=1), name="study_margin_between_0_and_1"),
            models.CheckConstraint(
                condition=Q(strength_margin__gt=0, strength_margin__lt=1), name="study_strength_margin_between_0_and_1"
            ),
            models.CheckConstraint(condition=Q(closed_on__gte=F("started_on")), name="study_closed_after_start"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class Factor(models.Model):
    """A variable that may be the cause; its name's ending gives the unit, as in a coupon sheet."""

    class Source(models.TextChoices):
        TEXT = "text", "named levels"
        NUMBER = "number", "a number with its unit"
        RESIN = "resin", "resins of the catalogue"
        RESIN_LOT = "resin_lot", "resin lots of the catalogue"
        LAMP = "lamp", "lamps of the catalogue"
        GLASS = "glass", "glass stock of the catalogue"
        PROCEDURE = "procedure", "procedure versions"
        TECHNICIAN = "technician", "people"

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="factors")
    name = models.CharField(max_length=60, validators=[factor_name_characters])
    source = models.CharField("levels are", max_length=12, choices=Source, default=Source.TEXT)
    order = models.PositiveSmallIntegerField(default=0)
    is_hard_to_change = models.BooleanField(
        "hard to change", default=False, help_text="Kept at one level as long as possible while a load is repaired."
    )
    levels_per_session = models.PositiveSmallIntegerField(
        "levels in one session",
        null=True,
        blank=True,
        help_text="At most so many of its levels while a load is repaired, e.g. two lamps. Leave empty: any number.",
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["order", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(levels_per_session__gte=1), name="factor_at_least_one_level_per_session"
            ),
            models.UniqueConstraint(fields=["study", "name"], name="factor_name_is_unique_per_study"),
            models.CheckConstraint(
                condition=Q(
                    source__in=["text", "number", "resin", "resin_lot", "lamp", "glass", "procedure", "technician"]
                ),
                name="factor_source_is_known",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_numeric(self) -> bool:
        return self.source == self.Source.NUMBER

    @property
    def unit_suffix(self) -> str:
        return max((s for s in UNIT_SUFFIXES if self.name.endswith(s)), key=len, default="")


class Level(models.Model):
    """One value of a factor, bound to a catalogue record or to a number where the factor says so."""

    factor = models.ForeignKey(Factor, on_delete=models.CASCADE, related_name="levels")
    name = models.CharField(max_length=200)
    number = models.FloatField(null=True, blank=True)
    resin = models.ForeignKey("lab.Resin", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    resin_lot = models.ForeignKey("lab.ResinLot", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    lamp = models.ForeignKey("lab.Lamp", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    glass = models.ForeignKey("lab.GlassStock", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    procedure_version = models.ForeignKey(
        "lab.ProcedureVersion", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    technician = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    is_baseline = models.BooleanField(
        "baseline", default=False, help_text="The level that was used when the repairs failed."
    )
    is_reference = models.BooleanField(
        "reference", default=False, help_text="The level of the reference repair, which is known to hold."
    )
    most_coupons = models.PositiveIntegerField(
        "enough for so many coupons",
        null=True,
        blank=True,
        help_text="In all, those of the study that carry it included. Leave empty: no limit.",
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["factor", "number", "name"]
        constraints = [
            models.UniqueConstraint(fields=["factor", "name"], name="level_name_is_unique_per_factor"),
            models.UniqueConstraint(fields=["factor", "number"], name="level_number_is_unique_per_factor"),
            models.UniqueConstraint(
                fields=["factor"], condition=Q(is_baseline=True), name="level_one_baseline_per_factor"
            ),
            models.UniqueConstraint(
                fields=["factor"], condition=Q(is_reference=True), name="level_one_reference_per_factor"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Coupon(models.Model):
    """One piece of laminated glass with one break, or a control.

    `stage`, `rounds_survived` and `failed_round` sum up what the bench recorded; `labbench.bench.standing` keeps them, nobody types them.
    """

    class Role(models.TextChoices):
        TEST = "test", "test"
        PRISTINE = "pristine", "pristine control"
        UNREPAIRED = "unrepaired", "unrepaired control"
        REFERENCE = "reference", "reference repair"

    class BreakType(models.TextChoices):
        BULLSEYE = "bullseye", "bullseye"
        HALF_MOON = "half_moon", "half-moon"
        STAR = "star", "star"
        COMBINATION = "combination", "combination"
        CRACK = "crack", "crack"

    class Stage(models.TextChoices):
        PREPARED = "prepared", "prepared"
        REPAIRED = "repaired", "repaired"
        CYCLING = "cycling", "in rounds"
        SURVIVED = "survived", "held all rounds"
        CRACKED_OUT = "cracked_out", "cracked out"
        BROKEN = "broken", "strength tested"
        WITHDRAWN = "withdrawn", "withdrawn"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="coupons")
    code = models.CharField(max_length=200)
    role = models.CharField(max_length=10, choices=Role, default=Role.TEST)
    glass = models.ForeignKey("lab.GlassStock", on_delete=models.PROTECT, null=True, blank=True, related_name="coupons")
    break_type = models.CharField(max_length=12, choices=BreakType, blank=True)
    size_mm = models.FloatField("break size (mm)", null=True, blank=True)
    legs = models.PositiveSmallIntegerField(null=True, blank=True)
    edge_distance_mm = models.FloatField("edge distance (mm)", null=True, blank=True)
    position = models.CharField(max_length=40, blank=True, help_text="Where the break is on the glass.")
    rounds_planned = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(1000)],
        help_text="Leave empty: as the study.",
    )
    withdrawn_on = models.DateField(null=True, blank=True)
    withdrawn_reason = models.CharField(
        max_length=200, blank=True, help_text="E.g. broken in handling. The coupon stays in the count."
    )
    note = models.TextField(blank=True)
    stage = models.CharField(max_length=12, choices=Stage, default=Stage.PREPARED, editable=False)
    rounds_survived = models.PositiveSmallIntegerField(default=0, editable=False)
    failed_round = models.PositiveSmallIntegerField(null=True, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["study", "code"]
        indexes = [
            models.Index(fields=["study", "stage", "role"], name="coupon_study_stage"),
            models.Index(fields=["code"], name="coupon_code"),
            models.Index(fields=["stage", "study"], name="coupon_stage"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["study", "code"], name="coupon_code_is_unique_per_study"),
            models.CheckConstraint(
                condition=Q(role__in=["test", "pristine", "unrepaired", "reference"]), name="coupon_role_is_known"
            ),
            models.CheckConstraint(
                condition=Q(break_type__in=["", "bullseye", "half_moon", "star", "combination", "crack"]),
                name="coupon_break_type_is_known",
            ),
            models.CheckConstraint(
                condition=Q(role="pristine", break_type="") | ~Q(role="pristine"), name="coupon_pristine_has_no_break"
            ),
            models.CheckConstraint(condition=Q(size_mm__gt=0, size_mm__lte=2000), name="coupon_size_0_to_2000_mm"),
            models.CheckConstraint(
                condition=Q(edge_distance_mm__gte=0, edge_distance_mm__lte=5000), name="coupon_edge_0_to_5000_mm"
            ),
            models.CheckConstraint(condition=Q(legs__lte=100), name="coupon_legs_at_most_100"),
            models.CheckConstraint(condition=Q(rounds_planned__range=(1, 1000)), name="coupon_rounds_1_to_1000"),
            models.CheckConstraint(
                condition=Q(failed_round__gt=F("rounds_survived")), name="coupon_failed_after_survived"
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_on=None, withdrawn_reason="")
                | (Q(withdrawn_on__isnull=False) & ~Q(withdrawn_reason="")),
                name="coupon_withdrawn_with_reason",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_near_edge(self) -> bool:
        """Within 50 mm of the glass edge the glass carries tension near its surface (common practice, no source)."""
        return self.edge_distance_mm is not None and self.edge_distance_mm < 50


class CouponLevel(models.Model):
    """The level of one factor that a coupon was given."""

    coupon = models.ForeignKey(Coupon, on_delete=models.CASCADE, related_name="coupon_levels")
    factor = models.ForeignKey(Factor, on_delete=models.CASCADE, related_name="coupon_levels")
    level = models.ForeignKey(Level, on_delete=models.PROTECT, related_name="coupon_levels")
    history = HistoricalRecords()

    class Meta:
        ordering = ["factor__order"]
        constraints = [models.UniqueConstraint(fields=["coupon", "factor"], name="coupon_has_one_level_per_factor")]

    def __str__(self) -> str:
        return f"{self.factor} = {self.level}"


class ImportedSheet(models.Model):
    """A coupon sheet that was taken in; the same bytes are recognised when they come again."""

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="imported_sheets")
    sha256 = models.CharField(max_length=64)
    filename = models.CharField(max_length=200)
    coupons = models.PositiveIntegerField()
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-imported_at"]
        constraints = [models.UniqueConstraint(fields=["study", "sha256"], name="sheet_is_imported_once_per_study")]

    def __str__(self) -> str:
        return self.filename
