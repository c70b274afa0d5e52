"""Rules over several rows of the bench, kept by the database."""

from labbench.lab.triggers import Refusal

# NEW.id is null while a row is inserted: COALESCE keeps the comparison true or false.
NO_LOOK_AFTER_CRACK_OUT = Refusal(
    "inspection_not_after_crack_out",
    "bench_inspection",
    "EXISTS (SELECT 1 FROM bench_inspection i WHERE i.coupon_id = NEW.coupon_id AND i.id <> COALESCE(NEW.id, -1) "
    "AND ((i.outcome = 'cracked_out' AND i.position < NEW.position) OR (NEW.outcome = 'cracked_out' AND i.position > NEW.position)))",
    "There is no inspection after a crack-out.",
)
NO_STRENGTH_AFTER_CRACK_OUT = Refusal(
    "strength_not_after_crack_out",
    "bench_strengthtest",
    "EXISTS (SELECT 1 FROM bench_inspection i WHERE i.coupon_id = NEW.coupon_id AND i.outcome = 'cracked_out')",
    "A coupon that cracked out has no strength left to test.",
)
NO_CRACK_OUT_AFTER_STRENGTH = Refusal(
    "crack_out_not_after_strength",
    "bench_inspection",
    "NEW.outcome = 'cracked_out' AND EXISTS (SELECT 1 FROM bench_strengthtest s WHERE s.coupon_id = NEW.coupon_id)",
    "This coupon was broken in a strength test; it can not have cracked out.",
)
LOAD_OF_THE_STUDY = Refusal(
    "load_place_of_the_study",
    "bench_loadplace",
    "NOT EXISTS (SELECT 1 FROM bench_load l JOIN studies_coupon c ON c.study_id = l.study_id "
    "WHERE l.id = NEW.load_id AND c.id = NEW.coupon_id)",
    "This load belongs to another study than the coupon.",
)
NO_REPAIR_OF_CONTROLS = Refusal(
    "repair_not_of_controls",
    "bench_repair",
    "EXISTS (SELECT 1 FROM studies_coupon c WHERE c.id = NEW.coupon_id AND c.role IN ('pristine', 'unrepaired'))",
    "A pristine or unrepaired control is not repaired.",
)
ONE_CHAMBER_AT_A_TIME = Refusal(
    "booking_one_chamber_at_a_time",
    "bench_booking",
    "EXISTS (SELECT 1 FROM bench_booking b WHERE b.load_id = NEW.load_id AND b.id <> COALESCE(NEW.id, -1) "
    "AND b.planned_start < NEW.planned_end AND NEW.planned_start < b.planned_end)",
    "A load is in one chamber at a time; these bookings overlap.",
)
# As it was, not as planned: a load that is still in a chamber is there until further notice.
IN_ONE_CHAMBER = Refusal(
    "booking_in_one_chamber",
    "bench_booking",
    "NEW.started_at IS NOT NULL AND EXISTS (SELECT 1 FROM bench_booking b WHERE b.load_id = NEW.load_id "
    "AND b.id <> COALESCE(NEW.id, -1) AND b.started_at IS NOT NULL "
    "AND (NEW.ended_at IS NULL OR b.started_at < NEW.ended_at) AND (b.ended_at IS NULL OR NEW.started_at < b.ended_at))",
    "This load was in another chamber at that time.",
)
ALL = (
    NO_LOOK_AFTER_CRACK_OUT,
    NO_STRENGTH_AFTER_CRACK_OUT,
    NO_CRACK_OUT_AFTER_STRENGTH,
    LOAD_OF_THE_STUDY,
    NO_REPAIR_OF_CONTROLS,
    ONE_CHAMBER_AT_A_TIME,
    IN_ONE_CHAMBER,
)
