"""What technicians record: repairs, loads and their moves, inspections, breaks, deviations, traces."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.studies.models import Coupon, Study


class Repair(models.Model):
    """The repair and cure of one coupon; a coupon is repaired once."""

    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="repair")
    repaired_at = models.DateTimeField()
    technician = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="repairs")
    procedure_version = models.ForeignKey(
        "lab.ProcedureVersion", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    resin_lot = models.ForeignKey("lab.ResinLot", on_delete=models.PROTECT, related_name="repairs")
    pit_resin_lot = models.ForeignKey(
        "lab.ResinLot", on_delete=models.PROTECT, null=True, blank=True, related_name="pit_repairs"
    )
    lamp = models.ForeignKey("lab.Lamp", on_delete=models.PROTECT, related_name="repairs")
    is_cover_on = models.BooleanField("cover on", default=False)
    distance_mm = models.FloatField("distance lamp to glass (mm)", null=True, blank=True)
    cure_time_s = models.FloatField("cure time (s)")
    vacuum_minutes = models.FloatField("vacuum (min)", null=True, blank=True)
    pressure_minutes = models.FloatField("pressure (min)", null=True, blank=True)
    glass_c = models.FloatField("glass temperature (°C)", null=True, blank=True)
    room_c = models.FloatField("room temperature (°C)", null=True, blank=True)
    radiometer = models.ForeignKey(
        "lab.Radiometer", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    irradiance_mw_cm2 = models.FloatField(
        "irradiance at the glass (mW/cm²)",
        null=True,
        blank=True,
        help_text="As measured that day. Leave empty if it was not measured.",
    )
    survey = models.ForeignKey(
        "lab.LampSurvey", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    dose_mj_cm2 = models.FloatField("radiant exposure (mJ/cm²)", null=True, blank=True, editable=False)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-repaired_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(cure_time_s__gt=0, cure_time_s__lte=86_400), name="repair_cure_time_0_to_1_day"
            ),
            models.CheckConstraint(
                condition=Q(distance_mm__gte=0, distance_mm__lte=2000), name="repair_distance_0_to_2000_mm"
            ),
            models.CheckConstraint(
                condition=Q(irradiance_mw_cm2__gte=0, irradiance_mw_cm2__lte=10_000), name="repair_irradiance_in_range"
            ),
            models.CheckConstraint(condition=Q(dose_mj_cm2__gte=0), name="repair_dose_not_negative"),
            models.CheckConstraint(condition=Q(glass_c__range=(-60, 120)), name="repair_glass_temperature_in_range"),
            models.CheckConstraint(condition=Q(room_c__range=(-40, 70)), name="repair_room_temperature_in_range"),
            models.CheckConstraint(
                condition=Q(vacuum_minutes__gte=0, vacuum_minutes__lte=1440), name="repair_vacuum_0_to_1440_min"
            ),
            models.CheckConstraint(
                condition=Q(pressure_minutes__gte=0, pressure_minutes__lte=1440), name="repair_pressure_0_to_1440_min"
            ),
        ]

    def __str__(self) -> str:
        return f"repair of {self.coupon_id}"


class Load(models.Model):
    """Coupons that travel together through a profile."""

    class State(models.TextChoices):
        PLANNED = "planned", "planned"
        RUNNING = "running", "running"
        DONE = "done", "done"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="loads")
    name = models.CharField(max_length=200)
    profile = models.ForeignKey(
        "lab.ThermalProfile", on_delete=models.PROTECT, null=True, blank=True, related_name="loads"
    )
    state = models.CharField(max_length=8, choices=State, default=State.PLANNED)
    ready_at = models.DateTimeField(null=True, blank=True)
    due_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["study", "name"]
        constraints = [
            models.UniqueConstraint(fields=["study", "name"], name="load_name_is_unique_per_study"),
            models.CheckConstraint(condition=Q(state__in=["planned", "running", "done"]), name="load_state_is_known"),
            models.CheckConstraint(condition=Q(due_at__gt=F("ready_at")), name="load_due_after_ready"),
        ]

    def __str__(self) -> str:
        return self.name


class LoadPlace(models.Model):
    """A coupon's place in its load; a coupon travels in one load only."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="places")
    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="load_place")
    place = models.PositiveSmallIntegerField("place in the chamber", null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["load", "place"]
        constraints = [models.UniqueConstraint(fields=["load", "place"], name="load_place_is_taken_once")]

    def __str__(self) -> str:
        return f"{self.coupon} in {self.load}"


class Booking(models.Model):
    """A load in a chamber for one step of one round, planned and as it was; a programmable chamber is booked once for all rounds."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="bookings")
    chamber = models.ForeignKey("lab.Chamber", on_delete=models.PROTECT, related_name="bookings")
    step = models.ForeignKey(
        "lab.ProfileStep", on_delete=models.PROTECT, null=True, blank=True, related_name="bookings"
    )
    round_number = models.PositiveSmallIntegerField("round", null=True, blank=True)
    planned_start = models.DateTimeField()
    planned_end = models.DateTimeField()
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    started_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["planned_start"]
        indexes = [models.Index(fields=["chamber", "planned_start"], name="booking_chamber_start")]
        constraints = [
            models.UniqueConstraint(fields=["load", "round_number", "step"], name="booking_once_per_step_of_a_load"),
            models.CheckConstraint(condition=Q(planned_end__gt=F("planned_start")), name="booking_ends_after_start"),
            models.CheckConstraint(condition=Q(ended_at__gt=F("started_at")), name="booking_ended_after_started"),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(started_at__isnull=False), name="booking_ended_only_if_started"
            ),
            models.CheckConstraint(
                condition=Q(step=None, round_number=None) | Q(step__isnull=False, round_number__gte=1),
                name="booking_step_with_round",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.load} in {self.chamber}"


class TraceFile(models.Model):
    """A logger's temperature file, kept unchanged, with its hash."""

    load = models.ForeignKey(Load, on_delete=models.PROTECT, related_name="traces")
    file = models.FileField(upload_to="traces/%Y/%m/")
    filename = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    uploaded_at = models.DateTimeField()
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    history = HistoricalRecords()

    class Meta:
        ordering = ["-uploaded_at"]
        constraints = [
            models.UniqueConstraint(fields=["load", "sha256"], name="trace_is_kept_once_per_load"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="trace_ends_after_start"),
        ]

    def __str__(self) -> str:
        return self.filename


class Inspection(models.Model):
    """One look at one coupon after a step (or after a whole round)."""

    class Outcome(models.TextChoices):
        INTACT = "intact", "intact"
        CRACK_GROWTH = "crack_growth", "crack growth"
        CRACKED_OUT = "cracked_out", "cracked out"
        DELAMINATION = "delamination", "delamination"
        VOID = "void", "void"
        DISCOLOURATION = "discolouration", "discolouration"
        PIT_LOSS = "pit_loss", "pit loss"

    coupon = models.ForeignKey(Coupon, on_delete=models.PROTECT, related_name="inspections")
    round_number = models.PositiveSmallIntegerField("round", help_text="0: before the first round.")
    step_number = models.PositiveSmallIntegerField(
        "after step", null=True, blank=True, help_text="Leave empty for the look at the end of the round."
    )
    # Where this look stands in time: the end of a round comes after all its steps. Kept so that the database can compare.
    position = models.PositiveIntegerField(editable=False)
    outcome = models.CharField(max_length=16, choices=Outcome)
    crack_growth_mm = models.FloatField("crack growth (mm)", null=True, blank=True)
    failure_mode = models.CharField(max_length=200, blank=True)
    photo = models.ImageField(upload_to="photos/%Y/%m/", blank=True)
    inspector = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="inspections")
    seen_at = models.DateTimeField()
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    END_OF_ROUND = 999

    class Meta:
        ordering = ["coupon", "position"]
        indexes = [
            # Failures across studies, newest first; the longer one finds them for their counts.
            models.Index(fields=["-seen_at"], condition=~Q(outcome="intact"), name="inspection_failures_seen"),
            models.Index(fields=["outcome", "seen_at", "coupon", "failure_mode"], name="inspection_outcome_seen"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["coupon", "position"], name="inspection_once_per_step"),
            models.UniqueConstraint(
                fields=["coupon"], condition=Q(outcome="cracked_out"), name="inspection_one_crack_out_per_coupon"
            ),
            models.CheckConstraint(
                condition=Q(
                    outcome__in=[
                        "intact",
                        "crack_growth",
                        "cracked_out",
                        "delamination",
                        "void",
                        "discolouration",
                        "pit_loss",
                    ]
                ),
                name="inspection_outcome_is_known",
            ),
            models.CheckConstraint(condition=Q(round_number__lte=1000), name="inspection_round_at_most_1000"),
            models.CheckConstraint(
                condition=Q(round_number__gte=1) | ~Q(outcome="cracked_out"), name="inspection_crack_out_from_round_1"
            ),
            models.CheckConstraint(
                condition=Q(round_number__gte=1) | Q(step_number=None), name="inspection_step_from_round_1"
            ),
            models.CheckConstraint(condition=Q(step_number__range=(1, 998)), name="inspection_step_1_to_998"),
            models.CheckConstraint(
                condition=Q(step_number=None, position=F("round_number") * 1000 + 999)
                | Q(step_number__isnull=False, position=F("round_number") * 1000 + F("step_number")),
                name="inspection_position_is_round_and_step",
            ),
            models.CheckConstraint(
                condition=Q(crack_growth_mm__gte=0, crack_growth_mm__lte=5000), name="inspection_growth_0_to_5000_mm"
            ),
        ]

    def __str__(self) -> str:
        return f"round {self.round_number}: {self.get_outcome_display()}"

    def clean(self) -> None:
        self.position = (
            self.round_number * 1000 + (self.step_number or self.END_OF_ROUND) if self.round_number is not None else 0
        )


class StrengthTest(models.Model):
    """The break of one coupon; the stress from load and geometry, or as the test house reported it."""

    class Method(models.TextChoices):
        FOUR_POINT = "four_point", "four-point bending"
        THREE_POINT = "three_point", "three-point bending"
        RING_ON_RING = "ring_on_ring", "ring on ring"
        REPORTED = "reported", "stress as reported"

    class Origin(models.TextChoices):
        AT_REPAIR = "at_repair", "at the repair"
        ELSEWHERE = "elsewhere", "elsewhere"
        NOT_KNOWN = "not_known", "not known"

    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="strength_test")
    method = models.CharField(max_length=14, choices=Method)
    force_n = models.FloatField("force at fracture (N)", null=True, blank=True)
    width_mm = models.FloatField("width (mm)", null=True, blank=True)
    thickness_mm = models.FloatField("thickness (mm)", null=True, blank=True)
    outer_span_mm = models.FloatField("support span or ring diameter (mm)", null=True, blank=True)
    inner_span_mm = models.FloatField("load span or ring diameter (mm)", null=True, blank=True)
    plate_mm = models.FloatField("plate diameter (mm)", null=True, blank=True)
    stress_mpa = models.FloatField("fracture stress (MPa)")
    origin = models.CharField("fracture origin", max_length=10, choices=Origin, default=Origin.NOT_KNOWN)
    is_machine_limit = models.BooleanField("machine limit reached, coupon did not break", default=False)
    tested_at = models.DateTimeField()
    tested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="strength_tests")
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-tested_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(method__in=["four_point", "three_point", "ring_on_ring", "reported"]),
                name="strength_method_is_known",
            ),
            models.CheckConstraint(
                condition=Q(origin__in=["at_repair", "elsewhere", "not_known"]), name="strength_origin_is_known"
            ),
            models.CheckConstraint(
                condition=Q(stress_mpa__gt=0, stress_mpa__lte=5000), name="strength_stress_0_to_5000_mpa"
            ),
            models.CheckConstraint(condition=Q(force_n__gt=0), name="strength_force_is_positive"),
            models.CheckConstraint(condition=Q(width_mm__gt=0), name="strength_width_is_positive"),
            models.CheckConstraint(condition=Q(thickness_mm__gt=0), name="strength_thickness_is_positive"),
            models.CheckConstraint(condition=Q(outer_span_mm__gt=0), name="strength_outer_span_is_positive"),
            models.CheckConstraint(condition=Q(inner_span_mm__gt=0), name="strength_inner_span_is_positive"),
            models.CheckConstraint(
                condition=Q(outer_span_mm__gt=F("inner_span_mm")), name="strength_outer_span_above_inner"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stress_mpa:g} MPa"


class Deviation(models.Model):
    """Anything that did not go by the profile or the procedure."""

    class Kind(models.TextChoices):
        LATE_TRANSFER = "late_transfer", "late transfer"
        SOAK = "soak", "soak short or long"
        CHAMBER = "chamber", "chamber fault or power cut"
        RESIN_EXPIRED = "resin_expired", "resin lot expired"
        CALIBRATION_OVERDUE = "calibration_overdue", "meter calibration overdue"
        SURVEY_OLD = "survey_old", "lamp survey missing or too old"
        ALLOCATION = "allocation", "not as allocated"
        REALLOCATED = "reallocated", "allocation changed after the lock"
        HANDLING = "handling", "broken or damaged in handling"
        BLINDING = "blinding", "inspector knew the repair"
        OTHER = "other", "other"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="deviations")
    load = models.ForeignKey(Load, on_delete=models.PROTECT, null=True, blank=True, related_name="deviations")
    coupon = models.ForeignKey(Coupon, on_delete=models.PROTECT, null=True, blank=True, related_name="deviations")
    kind = models.CharField(max_length=20, choices=Kind)
    happened_at = models.DateTimeField()
    description = models.TextField()
    reason = models.TextField("why it happened", blank=True)
    is_found_by_rule = models.BooleanField("found by a rule", default=False, editable=False)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="deviations")
    recorded_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["-happened_at"]
        indexes = [
            models.Index(fields=["study", "happened_at"], name="deviation_study_time"),
            models.Index(fields=["happened_at"], name="deviation_time"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    kind__in=[
                        "late_transfer",
                        "soak",
                        "chamber",
                        "resin_expired",
                        "calibration_overdue",
                        "survey_old",
                        "allocation",
                        "reallocated",
                        "handling",
                        "blinding",
                        "other",
                    ]
                ),
                name="deviation_kind_is_known",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.description[:60]}"
