"""The methods behind a result, with their sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from labbench.science.methods import METHODS


def methods_used(result: Mapping[str, Any]) -> list[str]:
    """The methods that a document names, each once, in the order of their first use."""
    return list(dict.fromkeys(named(result)))


def sources() -> list[list[str]]:
    """Every method with where it is published."""
    return [[method.name, method.source] for method in METHODS]


def named(part: Any) -> Iterator[str]:
    if isinstance(part, Mapping):
        if isinstance(part.get("method"), str):
            yield part["method"]
        for inner in part.values():
            yield from named(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from named(inner)
