"""The way from one chamber to the next, as far as the air beside the coupons shows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labbench.science.soaks.profile import ProfileStep
from labbench.science.soaks.traces import Values

# The air of a chamber is left for good when it differs from its level by the step's tolerance, at least by this.
LEAST_BAND_K = 3.0
# The air stands still on the way if it changes less than this share of what it then does until it arrives.
STANDS_STILL = 0.25
# A rate is taken over at least this time.
LEAST_RATE_S = 30.0
MOST_ROWS = 4000


@dataclass(frozen=True, slots=True)
class Transfer:
    """`left`: first row in which the step's air is left; `acts`: first row in which the next chamber's air acts."""

    left: int
    acts: int | None


def transfer_between(
    air_c: Values,
    elapsed_s: Values,
    before: tuple[int, int],
    after: tuple[int, int],
    steps: tuple[ProfileStep, ProfileStep],
) -> Transfer:
    """When a load left the air of one step, and when that of the next began to act on the glass.

    The level of a step's air is its median over the second half of the step, as an air set-point may lie outside the
    coupon's band. The first is left in the row after the last one within that level ± tolerance (at least 3 K). The second
    acts from the end of the last pause on the way: a time in which the air changes, per second, by less than a quarter of
    what it then changes on average until it arrives. Without a pause (a chamber that ramps, a room as warm as one of the
    steps, a way shorter than two readings) there is nothing to measure.

    Parameters
    ----------
    air_c, elapsed_s : ndarray, shape (n,)
        Air without holes; never decreasing seconds.
    before, after : tuple of int
        First and last row of the two steps, as the zones give them.
    steps : tuple of ProfileStep
        The two steps.
    """
    level = float(np.median(air_c[(before[0] + before[1]) // 2 : before[1] + 1]))
    next_level = float(np.median(air_c[(after[0] + after[1]) // 2 : after[1] + 1]))
    left = _left(air_c, level, max(steps[0].tolerance_k, LEAST_BAND_K), before, after[0])
    near = np.abs(air_c[after[0] : after[1] + 1] - next_level) <= max(steps[1].tolerance_k, LEAST_BAND_K)
    arrived = after[0] + int(np.argmax(near)) if near.any() else after[1]
    return Transfer(left, _acts(air_c, elapsed_s, left, arrived, level, next_level))


def _left(air_c: Values, level: float, band_k: float, before: tuple[int, int], until: int) -> int:
    is_at_level = np.abs(air_c[before[0] : until] - level) <= band_k
    if not is_at_level.any():
        return before[1] + 1
    return before[0] + len(is_at_level) - int(np.argmax(is_at_level[::-1]))


def _acts(air_c: Values, elapsed_s: Values, left: int, arrived: int, level: float, next_level: float) -> int | None:
    if arrived <= left + 1:
        return None
    rows = np.arange(left, arrived, max(1, (arrived - left) // MOST_ROWS))
    to_go_k = (next_level - air_c[rows]) * np.sign(next_level - level)
    to_go_s = elapsed_s[arrived] - elapsed_s[rows]
    lookback_s = np.maximum(LEAST_RATE_S, to_go_s / 10)
    earlier = np.searchsorted(elapsed_s, elapsed_s[rows] - lookback_s, side="right") - 1
    earlier = np.clip(earlier, 0, rows - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (air_c[rows] - air_c[earlier]) * np.sign(next_level - level) / (elapsed_s[rows] - elapsed_s[earlier])
        rate_to_come = to_go_k / to_go_s
    is_pause = (rate < STANDS_STILL * rate_to_come) & (to_go_k > 0.25 * abs(next_level - level))
    if not is_pause.any():
        return None
    last = len(rows) - 1 - int(np.argmax(is_pause[::-1]))
    return int(rows[last + 1]) if last + 1 < len(rows) else arrived
