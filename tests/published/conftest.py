"""Check values and data of published examples; `statistics.md` names the source, conventions and programs of each."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def expected() -> Callable[[str, str], float]:
    """The check value of an example and quantity; a quantity may be given by its beginning where that is unique."""
    examples = {
        example["id"]: {value["quantity"]: value["value"] for value in example["values"]}
        for example in json.loads((DATA / "statistics_expected.json").read_text(encoding="utf-8"))
    }

    def value(example: str, quantity: str) -> float:
        values = examples[example]
        if quantity in values:
            return values[quantity]
        (found,) = (name for name in values if name.startswith(quantity))
        return values[found]

    return value


@pytest.fixture(scope="session")
def table() -> Callable[[str], dict[str, np.ndarray]]:
    """A data file as columns: numbers where all cells are numbers (blank = NaN), else texts."""

    def columns(name: str) -> dict[str, np.ndarray]:
        with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return {key: _column([row[key] for row in rows]) for key in rows[0]}

    return columns


def _column(cells: list[str]) -> np.ndarray:
    try:
        return np.array([float(cell) if cell else np.nan for cell in cells])
    except ValueError:
        return np.array(cells)
