"""Rules over several rows of a study, kept by the database."""

from labbench.lab.triggers import Refusal

LEVEL_BELONGS = Refusal(
    "coupon_level_belongs",
    "studies_couponlevel",
    "NOT EXISTS (SELECT 1 FROM studies_level l JOIN studies_factor f ON f.id = l.factor_id "
    "JOIN studies_coupon c ON c.study_id = f.study_id "
    "WHERE l.id = NEW.level_id AND f.id = NEW.factor_id AND c.id = NEW.coupon_id)",
    "This level does not belong to this factor of the coupon's study.",
)
IMPOSSIBLE_BELONGS = Refusal(
    "impossible_level_belongs",
    "studies_impossiblelevel",
    "NOT EXISTS (SELECT 1 FROM studies_level l JOIN studies_factor f ON f.id = l.factor_id "
    "JOIN studies_impossiblecombination c ON c.study_id = f.study_id "
    "WHERE l.id = NEW.level_id AND f.id = NEW.factor_id AND c.id = NEW.combination_id)",
    "This level does not belong to this factor of the study.",
)
ALLOCATION_STAYS_LOCKED = Refusal(
    "allocation_stays_locked",
    "studies_allocation",
    "EXISTS (SELECT 1 FROM studies_allocation a WHERE a.id = NEW.id AND a.locked_at IS NOT NULL "
    "AND (NEW.locked_at IS NULL OR NEW.locked_at <> a.locked_at OR NEW.seed <> a.seed))",
    "A locked allocation stays as it was locked.",
)
ALLOCATED_BEFORE_THE_LOCK = Refusal(
    "allocated_before_the_lock",
    "studies_allocatedcoupon",
    "EXISTS (SELECT 1 FROM studies_allocation a WHERE a.id = NEW.allocation_id AND a.locked_at IS NOT NULL)",
    "This allocation is locked; its order stays as it is.",
)
ALLOCATED_IN_THE_STUDY = Refusal(
    "allocated_coupon_of_the_study",
    "studies_allocatedcoupon",
    "NOT EXISTS (SELECT 1 FROM studies_allocation a JOIN studies_coupon c ON c.study_id = a.study_id "
    "WHERE a.id = NEW.allocation_id AND c.id = NEW.coupon_id)",
    "This allocation belongs to another study than the coupon.",
)
PLANNING = (IMPOSSIBLE_BELONGS, ALLOCATION_STAYS_LOCKED, ALLOCATED_BEFORE_THE_LOCK, ALLOCATED_IN_THE_STUDY)
ALL = (LEVEL_BELONGS, *PLANNING)
