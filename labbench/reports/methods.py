"""The methods behind a result, with their sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

try:
    from labbench.science.methods import METHODS  # type: ignore[import-not-found,unused-ignore]
except ImportError:  # until that module is there
    METHODS = ()  # type: ignore[assignment]


def methods_used(result: Mapping[str, Any]) -> list[str]:
    """The methods that a document names, each once, in the order of their first use."""
    return list(dict.fromkeys(named(result)))


def named(part: Any) -> Iterator[str]:
    if isinstance(part, Mapping):
        if isinstance(part.get("method"), str):
            yield part["method"]
        for inner in part.values():
            yield from named(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from named(inner)
