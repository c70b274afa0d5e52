"""What the Methods page says of one method."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Exactness = Literal["exact", "asymptotic", "simulated", "exact or simulated", "iterative", "closed form"]


@dataclass(frozen=True, slots=True)
class Method:
    """One method.

    Attributes
    ----------
    group : str
        The heading it stands under.
    name, used_for : str
    formula : str
        In plain characters; symbols explained.
    source : str
    checked_on : tuple of str
        Published examples whose values the tests reproduce (data and values stand with the tests), and what else.
    exactness : str
        "iterative" converges to rounding; its limits or p-values may still be asymptotic, the formula says so.
    caution : str or None
        What the reader must not take it for.
    """

    group: str
    name: str
    used_for: str
    formula: str
    source: str
    checked_on: tuple[str, ...]
    exactness: Exactness
    caution: str | None = None
