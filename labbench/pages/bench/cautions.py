"""Where the work can hurt someone: short, once a session, and never instead of the codes and data sheets."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

CAUTIONS = {
    "repair": [
        "UV-A harms eyes and skin: shield in place, UV-blocking eyewear on, never look into a lamp.",
        "Uncured acrylate resin irritates skin and can sensitise it: gloves on, room aired, no vapour breathed in.",
        "Broken glass has loose splinters: eye protection and cut-resistant gloves.",
    ],
    "inspection": [
        "Coupons and chamber parts can be hot or deeply cold: insulated gloves.",
        "A coupon can crack out in the hand and throw fragments: eye protection on, face away.",
    ],
    "strength": [
        "Glass breaks with flying fragments: guard closed, eye protection on, nobody beside the machine.",
        "Clear the fragments with a tool, never by hand; cut-resistant gloves.",
    ],
    "load": [
        "Hot and deeply cold surfaces: insulated gloves; let nobody reach past an open door.",
        "Lift trays with two people where they are heavy; doors and racks can pinch.",
    ],
}
SESSION_KEY = "cautions_read"


def caution(request: HttpRequest, name: str) -> dict[str, Any]:
    """For the template: the hazards of this work, none once they were read in this session."""
    read = name in request.session.get(SESSION_KEY, [])
    return {"caution_name": name, "hazards": [] if read else CAUTIONS[name]}


def dismiss(request: HttpRequest, name: str) -> None:
    request.session[SESSION_KEY] = sorted({*request.session.get(SESSION_KEY, []), name})
