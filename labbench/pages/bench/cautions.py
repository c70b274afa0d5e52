"""Where the work can hurt someone: short, once a session, and never instead of the codes and data sheets."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest

from labbench.lab.queries import brightest_place
from labbench.pages.templatetags.quantities import duration, quantity
from labbench.science.uv_exposure import uva_exposure

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
    "lamp": [
        "UV-A harms eyes and skin: shield in place, UV-blocking eyewear on, skin covered, never look into a lamp.",
        "A lamp that looks dim can shine strongly in the UV-A, which the eye does not see.",
        "Tubes are glass and can break: gloves and eye protection when one is changed; lamp off, cool and unplugged.",
    ],
    "survey": [
        "The lamp burns uncovered while it is read: UV-blocking eyewear, face shield, gloves and sleeves; never look into it.",
        "Screen the place, so that nobody passes by unprotected. Turn the lamp off to move the grid.",
    ],
    "resin": [
        "Uncured acrylate resin irritates skin and can sensitise it for good: gloves, changed as soon as they are wetted; room aired.",
        "Wipe spilt resin up and cure it before it goes to waste; no cleaning of skin with solvent.",
    ],
    "glass": ["Cut and broken glass: cut-resistant gloves and eye protection; lift stacks with two people."],
    "load": [
        "Hot and deeply cold surfaces: insulated gloves; let nobody reach past an open door.",
        "Lift trays with two people where they are heavy; doors and racks can pinch.",
    ],
}
SESSION_KEY = "cautions_read"


def caution(request: HttpRequest, name: str, *further: str | Callable[[], str], alike: str = "") -> dict[str, Any]:
    """For the template: the hazards of this work, none once they were read in this session.

    `further`: sentences of this very lamp or lot, e.g. from `exposure_words`; what must be asked for is called only while unread.
    `alike`: a work with the same hazards; whoever has read those is not told again.
    """
    if {name, alike} & set(request.session.get(SESSION_KEY, [])):
        return {"caution_name": name, "hazards": []}
    more = [words() if callable(words) else words for words in further]
    return {"caution_name": name, "hazards": [*CAUTIONS[name], *filter(None, more)]}


def brightest_lamp_words() -> str:
    """The same of the brightest place that the last surveys of the lamps in service found."""
    found = brightest_place()
    return "" if found is None else exposure_words(found.irradiance_mw_cm2, found.survey.lamp.code)


def exposure_words(irradiance_mw_cm2: float | None, what: str = "") -> str:
    """How soon a measured irradiance uses up the published UV-A limit of the eye; "" where none was measured."""
    if not irradiance_mw_cm2:
        return ""
    found = uva_exposure(irradiance_mw_cm2)
    at = f"At the {quantity(irradiance_mw_cm2, 'mW/cm²')} measured{f' under {what}' if what else ''}"
    limit = "the limit for UV-A on the unprotected eye (1 J/cm² in 8 h: ICNIRP 2004, 2006/25/EC)"
    if found.seconds is None:
        return f"{at} {limit} is not reached in 8 h. That makes no place safe: a qualified person assesses exposure."
    spell = quantity(found.seconds, "s") if found.seconds < 600 else duration(found.seconds / 60)
    return f"{at} {limit} is used up after {spell} in all a day; near the lamp sooner. A qualified person assesses exposure."


def dismiss(request: HttpRequest, name: str) -> None:
    request.session[SESSION_KEY] = sorted({*request.session.get(SESSION_KEY, []), name})
