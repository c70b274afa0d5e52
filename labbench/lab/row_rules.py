"""Rules over rows of the catalogue, kept by the database."""

from labbench.lab.triggers import Refusal

# NEW.id is null while a row is inserted: then no row is found, and nothing is refused.
APPROVED_VERSION_STAYS = Refusal(
    "procedure_version_stays",
    "lab_procedureversion",
    "EXISTS (SELECT 1 FROM lab_procedureversion v WHERE v.id = NEW.id AND NOT v.is_draft AND (v.text <> NEW.text "
    "OR v.number <> NEW.number OR v.procedure_id <> NEW.procedure_id OR v.effective_on <> NEW.effective_on OR NEW.is_draft))",
    "An approved version of a procedure stays as it is; write a new version.",
)
ALL = (APPROVED_VERSION_STAYS,)
