"""Levels as people read them: the factor's name without its unit, the number with it."""

from __future__ import annotations

from labbench.bench.queries import Allocation
from labbench.formats.number_texts import UNIT_OF_SUFFIX
from labbench.pages.templatetags.quantities import quantity


def shown_levels(allocation: Allocation) -> list[tuple[str, str]]:
    """Pairs of factor and level."""
    shown = []
    for name, level in allocation.rows:
        suffix = next((end for end in UNIT_OF_SUFFIX if name.endswith(end)), "")
        if name in allocation.numbers and suffix:
            level = quantity(allocation.numbers[name], UNIT_OF_SUFFIX[suffix])
            name = name.removesuffix(suffix)
        shown.append((name.replace("_", " "), level))
    return shown
