"""Who may do what: four roles, answered through Django's own permissions."""

from __future__ import annotations

from django.db import models


class Role(models.TextChoices):
    TECHNICIAN = "technician", "Technician"
    LEAD = "lead", "Lab lead"
    QA = "qa", "QA"
    GUEST = "guest", "Guest (reads only)"


# What a role may do beyond reading: whole apps, or single permissions.
APPS_A_LEAD_KEEPS = {"lab", "studies", "bench", "analysis", "reports", "jobs"}
TECHNICIAN_RECORDS = {
    f"bench.{verb}_{record}"
    for verb in ("add", "change")
    for record in (
        "repair",
        "inspection",
        "strengthtest",
        "deviation",
        "booking",
        "tracefile",
        "loadplace",
        "chamberfailure",
    )
} | {"lab.add_lampsurvey", "lab.change_lampsurvey", "lab.add_resinlot", "lab.change_resinlot"}
TECHNICIAN_RECORDS |= {f"lab.add_{record}" for record in ("hoursreading", "lampreplacement", "lotcount", "glasscount")}
QA_RECORDS = {
    "lab.approve_procedureversion",
    "bench.add_deviation",
    "bench.change_deviation",
    "analysis.add_analysis",
    "reports.add_report",
    "reports.add_signature",
}
# A person's role and password are the administrator's; nobody signs in somebody else's place by raising their own role.
ADMINISTRATOR_ONLY = {"lab.add_person", "lab.change_person", "lab.delete_person"}


def role_allows(role: str, permission: str) -> bool:
    """Whether a role grants a permission such as ``bench.add_repair``."""
    app, _, name = permission.partition(".")
    if permission in ADMINISTRATOR_ONLY or app not in APPS_A_LEAD_KEEPS:
        return False
    if name.startswith("view_"):
        return True
    if role == Role.LEAD:
        return not name.startswith("delete_") or app in {"lab", "studies"}
    if role == Role.TECHNICIAN:
        return permission in TECHNICIAN_RECORDS
    return role == Role.QA and permission in QA_RECORDS
