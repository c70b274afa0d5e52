"""Several tests at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def holm(p_values: Sequence[float | None]) -> tuple[float | None, ...]:
    """Holm's step-down adjusted p-values, in the order given; None stays None and does not count.

    References
    ----------
    S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statist. 6 (1979), 65-70.
    """
    known = [index for index, p_value in enumerate(p_values) if p_value is not None]
    raw = np.array([p_values[index] for index in known], dtype=float)
    order = np.argsort(raw, kind="stable")
    factors = np.arange(len(raw), 0, -1)
    stepped = np.minimum(np.maximum.accumulate(raw[order] * factors), 1.0)
    adjusted: list[float | None] = [None] * len(p_values)
    for position, value in zip(order, stepped, strict=True):
        adjusted[known[int(position)]] = float(value)
    return tuple(adjusted)
