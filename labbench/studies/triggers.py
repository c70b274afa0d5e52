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
