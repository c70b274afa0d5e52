"""The scenario: made the same each time, kept by the rules, and saying what it was built to say."""

import re
from collections import Counter
from datetime import timedelta
from itertools import pairwise

import pytest
from django.utils import timezone

from labbench.analysis.choices import Choice
from labbench.analysis.rivals import rivals_document
from labbench.analysis.services import inputs_of, runnable_levels
from labbench.analysis.sheets import study_sheet
from labbench.bench.models import Booking, Deviation, Inspection, Load, Repair, StrengthTest, TraceEvaluation
from labbench.bench.trace_standing import compare_moves
from labbench.bench.traces import evaluated, read_kept
from labbench.demo.generator import scenario, text_of, write
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.lab.models import Person, ProfileStep
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from labbench.science.sheet import RunnableLevels
from labbench.studies.models import Coupon, Study
from labbench.studies.planning import settings_of
from tests.demo.loaded import FIXTURES, demo_loaded

LAST_DAY = "2026-11-24"


def test_the_committed_fixtures_are_what_the_generator_makes(tmp_path):
    made = {path.name: path.read_bytes() for path in write(tmp_path)}
    kept = {path.name: path.read_bytes() for path in FIXTURES.iterdir() if path.is_file()}
    assert made == kept


def test_another_seed_makes_another_scenario():
    assert text_of(scenario(1)["study-elimination.json"]) != text_of(scenario(2)["study-elimination.json"])


def test_the_fixtures_stay_small_enough_to_read():
    assert sum(path.stat().st_size for path in FIXTURES.glob("*.json")) < 1_000_000
    longest = max(len(line) for path in FIXTURES.glob("*.json") for line in path.read_text().splitlines())
    assert longest < 1500


def test_nothing_is_recorded_after_the_last_day():
    text = "".join(text_of(doc) for doc in scenario().values())
    done = re.findall(
        r'"(?:repaired_at|seen_at|tested_at|started_at|ended_at|happened_at|prepared_at|at)": "([^"]+)"', text
    )
    assert max(done)[:10] <= LAST_DAY


def test_coupon_codes_do_not_tell_the_arm():
    written = scenario()["study-elimination.json"]
    assert all(re.fullmatch(r"[A-Z2-9]{4}", row["code"]) for row in written["coupons"])
    starts = Counter(row["code"][0] for row in written["coupons"] if row["levels"].get("lamp") == "LED-2")
    assert max(starts.values()) <= 5


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    """The whole demo, for every test here that asks for it."""
    with django_db_blocker.unblock(), demo_loaded():
        yield


@pytest.fixture(scope="module")
def results(demo, django_db_blocker):
    """The analysis of each study, by its code."""
    found = {}
    with django_db_blocker.unblock():
        for study in Study.objects.all():
            levels = {name: tuple(values) for name, values in runnable_levels(study).items()}
            evaluation = evaluate(
                study_sheet(study).sheet,
                confidence=study.confidence,
                margin=study.margin,
                next_count=12,
                runnable=RunnableLevels(levels=levels, impossible=()),
            )
            found[study.code] = document(evaluation)
    return found


def factor_of(result, name):
    return next(factor for factor in result["factors"] if factor["factor"] == name)


def stratified_p(factor, by):
    return next(row["p_value"] for row in factor["stratified"] if row["by"] == by)


class TestElimination:
    def test_the_plain_shares_blame_the_lamp(self, results):
        lamp = factor_of(results["EL-26-11"], "lamp")
        shares = {level["level"]: level["failure_share"] for level in lamp["levels"]}
        assert max(shares, key=shares.get) == "LED-2"
        assert lamp["association"]["p_value"] < 0.05

    def test_within_a_lot_the_lamp_makes_no_difference(self, results):
        lamp = factor_of(results["EL-26-11"], "lamp")
        assert stratified_p(lamp, "resin_lot") > 0.2
        assert lamp["adjusted"]["p_value"] > 0.2

    def test_within_a_lamp_the_lot_makes_one(self, results):
        lot = factor_of(results["EL-26-11"], "resin_lot")
        assert stratified_p(lot, "lamp") < 0.05
        assert lot["adjusted"]["p_value"] < 0.05

    def test_the_lot_is_implicated_and_not_confirmed(self, results):
        result = results["EL-26-11"]
        verdict = factor_of(result, "resin_lot")["verdict"]
        assert (verdict["state"], verdict["level"]) == ("implicated", "2609-C")
        assert result["cause"]["hypotheses"][0]["cause"] == "resin_lot = 2609-C"
        assert result["cause"]["confirmed"] is False

    def test_a_next_load_is_proposed(self, results):
        assert sum(row["count"] for row in results["EL-26-11"]["next_coupons"]) >= 8

    def test_a_third_load_is_prepared(self, demo, db):
        load = Load.objects.get(study__code="EL-26-11", name="Load 3")
        stages = set(Coupon.objects.filter(load_place__load=load).values_list("stage", flat=True))
        assert (load.state, stages, load.places.count()) == ("planned", {"prepared"}, 13)


class TestQualification:
    def test_one_lamp_is_clearly_worse(self, results):
        verdict = factor_of(results["QU-26-09"], "lamp")["verdict"]
        assert (verdict["state"], verdict["level"]) == ("implicated", "LED-3")

    def test_its_repairs_are_weaker_beside_new_glass(self, results):
        ratios = {
            level["level"]: level["strength"]["percent_of_pristine"]["ratio"]
            for level in factor_of(results["QU-26-09"], "lamp")["levels"]
        }
        assert ratios["LED-3"] < 0.75
        assert all(0.75 < ratio < 1 for lamp, ratio in ratios.items() if lamp != "LED-3")

    def test_the_controls_did_what_they_are_for(self, results):
        assert results["QU-26-09"]["sheet"]["controls"] == {"pristine": 12, "unrepaired": 3, "reference": 6}


def test_the_small_study_is_undecided(results):
    cover = factor_of(results["CO-26-10"], "cover")
    assert {level["level"]: (level["failed"], level["coupons"]) for level in cover["levels"]} == {
        "off": (1, 3),
        "on": (3, 3),
    }
    assert cover["verdict"]["state"] == "undecided"


@pytest.mark.usefixtures("demo")
@pytest.mark.django_db
class TestRecords:
    def test_the_rules_found_their_deviations(self):
        found = Counter(Deviation.objects.filter(is_found_by_rule=True).values_list("kind", flat=True))
        assert set(found) == {"blinding", "calibration_overdue", "resin_expired", "survey_old"}
        assert (found["blinding"], found["calibration_overdue"]) == (2, 2)

    def test_people_wrote_down_the_rest(self):
        told = Deviation.objects.filter(is_found_by_rule=False).order_by("happened_at").values_list("kind", flat=True)
        assert list(told) == ["late_transfer", "handling", "chamber"]

    def test_inspectors_are_mostly_not_the_repairers(self):
        own = sum(look.inspector_id == look.coupon.repair.technician_id
                  for look in Inspection.objects.filter(coupon__repair__isnull=False).select_related("coupon__repair"))  # fmt: skip
        assert own == 2
        assert Inspection.objects.count() > 300

    def test_cracks_grow_before_some_coupons_crack_out(self):
        grown = Inspection.objects.filter(outcome="crack_growth", crack_growth_mm__gt=0)
        assert grown.filter(coupon__stage="cracked_out").count() >= 5

    def test_every_repair_has_its_dose_and_its_survey_or_a_deviation(self):
        for repair in Repair.objects.all():
            assert repair.dose_mj_cm2 == pytest.approx(repair.irradiance_mw_cm2 * repair.cure_time_s)
        without = Repair.objects.filter(survey=None)
        assert {repair.lamp.code for repair in without.select_related("lamp")} == {"TUBE-2"}

    def test_bookings_follow_the_profile(self):
        done = Booking.objects.exclude(ended_at=None).select_related("step", "load__profile")
        for booking in done:
            soaked = booking.ended_at - booking.started_at
            assert soaked >= timedelta(minutes=booking.step.min_minutes), booking
            assert soaked <= timedelta(minutes=booking.step.max_minutes), booking

    def test_transfers_are_in_time_but_for_the_late_one(self):
        late = []
        for load in Load.objects.filter(state="done"):
            moves = list(load.bookings.order_by("planned_start"))
            for before, after in pairwise(moves):
                if after.started_at - before.ended_at > timedelta(minutes=10):
                    late.append((load.study.code, load.name, after.round_number, after.step.name))
        assert late == [("QU-26-09", "Load 2", 2, "cool")]

    def test_a_chamber_never_holds_more_than_its_places(self):
        for booking in Booking.objects.select_related("chamber"):
            at_once = Booking.objects.filter(
                chamber=booking.chamber, planned_start__lt=booking.planned_end, planned_end__gt=booking.planned_start
            )
            coupons = sum(other.load.places.count() for other in at_once)
            assert coupons <= booking.chamber.capacity_coupons

    def test_histories_carry_the_scenarios_time_and_people(self):
        repair = Repair.objects.select_related("technician").first()
        entry = repair.history.get()
        assert (entry.history_date, entry.history_user) == (repair.repaired_at, repair.technician)
        study = Study.objects.get(code="EL-26-11")
        assert [entry.state for entry in study.history.order_by("history_date")] == ["planned", "running"]
        assert timezone.localtime(study.created_at).date().isoformat() == "2026-10-29"
        looks = Inspection.history.exclude(history_date__gte=timezone.now())
        assert looks.count() == Inspection.objects.count()

    def test_a_correction_keeps_what_stood_before_and_why(self):
        corrected = [test for test in StrengthTest.objects.all() if test.history.count() == 2]
        assert len(corrected) == 1
        now, before = corrected[0].history.order_by("-history_date")
        assert now.force_n != before.force_n
        assert now.history_change_reason.startswith("Digits changed over")

    def test_nobody_has_a_passphrase_that_is_in_the_fixtures(self):
        assert not any(person.has_usable_password() for person in Person.objects.all())

    def test_nothing_points_to_real_people(self):
        assert all(person.last_name == "" and person.email == "" for person in Person.objects.all())


@pytest.mark.django_db
def test_the_clock_is_the_real_one_again_after_loading(demo):
    assert abs(timezone.now() - timezone.now()) < timedelta(minutes=1)
    assert timezone.now.__module__ == "django.utils.timezone"


def test_the_open_study_has_what_its_plan_keeps_to(demo, db):
    study = Study.objects.get(code="EL-26-11")
    settings = settings_of(study)
    assert (settings.test_places, settings.loads_ready) == (12, 2)
    lamp = study.factors.get(name="lamp")
    assert (lamp.is_hard_to_change, lamp.levels_per_session) == (True, 2)
    assert set(study.factors.filter(levels__is_reference=True).values_list("name", flat=True)) == {
        "resin_lot",
        "lamp",
        "cure_time_s",
    }
    lot = study.factors.get(name="resin_lot").levels.get(name="2609-C")
    assert (lot.most_coupons, lot.is_baseline) == (34, True)


def test_the_loggers_file_shows_one_short_soak_an_open_door_and_a_move_written_down_too_early(demo):
    evaluation = TraceEvaluation.objects.select_related("trace").get()
    trace = read_kept(evaluation.trace, evaluation.inputs["mapping"]).trace
    assert trace.channels == ("air_c", "coupon_UCRK_c", "coupon_4ZTU_c")
    evaluation.result = evaluated(trace, evaluation.inputs)[1]
    steps = evaluation.result["document"]["steps"]
    assert [step["verdict"] for step in steps] == [*["met"] * 7, "short", "met"]
    # The door: the air of the first night warms up to -4 degC, and the glass leaves its band for a while.
    assert steps[0]["times_inside"] == 2
    comparison = compare_moves(evaluation)
    assert [(m.round_number, m.step) for m in comparison.moves if m.remarks] == [(3, "freeze"), (3, "heat")]
    assert "22 min later than the move into the chamber" in comparison.moves[7].remarks[0]


def test_every_step_of_the_profile_can_be_met_by_its_own_air(demo):
    steps = list(ProfileStep.objects.all())
    assert len(steps) == 3
    for step in steps:
        assert abs(step.air_set_point_c - step.target_c) <= step.tolerance_k, step.name


class TestDose:
    """Repairs that got too little light crack out, whatever the lamp is called and however long it shone."""

    @pytest.fixture
    def study(self, demo, db):
        return Study.objects.get(code="DO-26-10")

    @staticmethod
    def chosen(study, choice):
        inputs = inputs_of(study, choice=choice)
        sheet = read_coupon_sheet(inputs.sheet_csv.encode()).sheet
        return document(evaluate(sheet, margin=study.margin)), rivals_document(sheet, inputs.parameters)

    def test_names_do_not_isolate_the_cause(self, results):
        result = results["DO-26-10"]
        assert result["cause"]["isolated"] is None
        assert {factor["verdict"]["state"] for factor in result["factors"]} == {"undecided"}

    def test_the_measured_dose_does(self, study):
        names = ("lamp", "cure_time_s")
        result, rivals = self.chosen(study, Choice(measured=("dose_min_mj_cm2",), without=names))
        assert result["cause"]["isolated"] == "dose_min_mj_cm2 <= 171"
        assert [(rival["factors"][0], rival["state"]) for rival in rivals] == [
            ("lamp", "second"),
            ("cure_time_s", "second"),
        ]

    def test_where_each_lamp_gave_one_dose_nothing_can_tell_and_a_coupon_is_named(self, demo, db):
        study = Study.objects.get(code="QU-26-09")
        _, (rival,) = self.chosen(study, Choice(measured=("dose_min_mj_cm2",), without=("lamp",)))
        assert rival["state"] == "aliased"
        assert rival["breaking_coupon"]["levels"]["lamp"] == "LED-3"
