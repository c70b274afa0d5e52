"""What every question of the page of sample sizes is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms

from labbench.pages.results.charts import Chart


@dataclass(frozen=True, slots=True)
class PowerPart:
    """One question with its answer. `big` is the number to read; `command` gives the same without a browser."""

    anchor: str
    title: str
    form: forms.Form
    big: str
    big_words: str
    sentences: tuple[str, ...]
    chart: Chart | None
    command: str


def unanswered(anchor: str, title: str, form: forms.Form, words: str = "") -> PowerPart:
    """A question that can't be answered as it is asked; the form says why, or the words do."""
    return PowerPart(anchor, title, form, "", "", (words,) if words else (), None, "")


def wanted_line(share: float) -> dict[str, Any]:
    return {
        "type": "line", "xref": "paper", "yref": "y", "x0": 0, "x1": 1, "y0": 100 * share, "y1": 100 * share,
        "line": {"width": 1.5, "dash": "dash", "color": "@ink-soft"},
    }  # fmt: skip


def command(**options: float | str) -> str:
    """The command line that gives the same numbers."""
    words = (
        f"--{name.replace('_', '-')} {value if isinstance(value, str) else format(value, '.10g')}"
        for name, value in options.items()
    )
    return "manage.py power " + " ".join(words)
