"""Difference of two failure shares: score intervals and tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np

from labbench.science.findings import Floats
from labbench.science.intervals import normal_quantile, wilson

Variance = Literal["Miettinen-Nurminen", "Mee"]
FIRST_BISECTIONS, LARGEST_STEPS = 4, 60
ROOM_TOLERANCE, WIDTH_TOLERANCE = 1e-13, 1e-16


def restricted_shares(x1: Floats, n1: Floats, x2: Floats, n2: Floats, difference: Floats) -> tuple[Floats, Floats]:
    """Maximum-likelihood shares under p1 - p2 = difference, in closed form.

    References
    ----------
    C. P. Farrington and G. Manning, Statistics in Medicine 9 (1990), 1447-1454, appendix. O. Miettinen and M. Nurminen,
    Statistics in Medicine 4 (1985), 213-226, appendix 1.
    """
    d, theta = difference, n2 / n1
    p1, p2 = x1 / n1, x2 / n2
    a = 1 + theta
    b = -(1 + theta + p1 + theta * p2 + d * (theta + 2))
    c = d * d + d * (2 * p1 + theta + 1) + p1 + theta * p2
    e = -p1 * d * (1 + d)
    v = b**3 / (3 * a) ** 3 - b * c / (6 * a * a) + e / (2 * a)
    u = np.copysign(np.sqrt(np.maximum(b * b / (3 * a) ** 2 - c / (3 * a), 0.0)), v)
    cosine = np.divide(v, u**3, out=np.zeros_like(v), where=u != 0)
    w = (np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3
    first = np.clip(2 * u * np.cos(w) - b / (3 * a), np.maximum(0.0, d), np.minimum(1.0, 1 + d))
    return first, first - d


def score_statistic(
    x1: Floats, n1: Floats, x2: Floats, n2: Floats, difference: Floats, *, variance: Variance = "Miettinen-Nurminen"
) -> Floats:
    """Score z of the hypothesis p1 - p2 = difference; Mee's variance (and Farrington-Manning's) lacks N / (N - 1)."""
    first, second = restricted_shares(x1, n1, x2, n2, difference)
    spread = first * (1 - first) / n1 + second * (1 - second) / n2
    if variance == "Miettinen-Nurminen":
        spread = spread * (n1 + n2) / (n1 + n2 - 1)
    gap = x1 / n1 - x2 / n2 - difference
    # Without spread the hypothesis is certain: met exactly or impossible.
    still = np.where(np.abs(gap) < 1e-15, 0.0, np.copysign(np.inf, gap))
    return np.where(spread > 0, gap / np.sqrt(np.where(spread > 0, spread, 1.0)), still)


def score_difference(
    x1: Floats,
    n1: Floats,
    x2: Floats,
    n2: Floats,
    *,
    confidence: float = 0.95,
    variance: Variance = "Miettinen-Nurminen",
) -> tuple[Floats, Floats]:
    """Score limits of p1 - p2; every argument of shape (pairs,). The limits solve |z(difference)| = quantile.

    References
    ----------
    O. Miettinen and M. Nurminen, "Comparative analysis of two rates", Statistics in Medicine 4 (1985), 213-226. R. W.
    Mee, Biometrics 40 (1984), 1175-1176.
    """
    z = normal_quantile(confidence)
    observed = x1 / n1 - x2 / n2

    # Lower and upper limits together; |z| rises from 0 at the observed difference outwards.
    sides = np.repeat([-1.0, 1.0], len(observed))
    x1, n1, x2, n2 = (np.tile(part, 2) for part in (x1, n1, x2, n2))

    def room(difference: Floats) -> Floats:
        return np.asarray(z - np.abs(score_statistic(x1, n1, x2, n2, difference, variance=variance)))

    low, high = np.split(_where_room_ends(room, np.tile(observed, 2), sides), 2)
    return low, high


def _where_room_ends(room: Callable[[Floats], Floats], inside: Floats, outside: Floats) -> Floats:
    """Between `inside`, where there is room, and `outside` where it is used up (or `outside` itself, if it never is).

    False position with Illinois halving, after and where needed between bisections. Source: M. Dowell and P. Jarratt,
    BIT 11 (1971), 168-174.
    """
    room_in, room_out = room(inside), room(outside)
    went_in = np.zeros(len(inside), dtype=bool)
    best, best_room = outside, np.abs(room_out)
    for step in range(LARGEST_STEPS):
        is_straight = np.isfinite(room_out) & (room_out < 0) & (step >= FIRST_BISECTIONS)
        fall = np.where(is_straight, room_in - room_out, 1.0)
        guess = np.where(is_straight, inside + (outside - inside) * room_in / fall, (inside + outside) / 2)
        left = room(guess)
        nearer = np.abs(left) < best_room
        best, best_room = np.where(nearer, guess, best), np.where(nearer, np.abs(left), best_room)
        if bool(((best_room < ROOM_TOLERANCE) | (np.abs(outside - inside) < WIDTH_TOLERANCE)).all()):
            break
        goes_in = left >= 0
        again = (goes_in == went_in) & (step > FIRST_BISECTIONS)
        room_out = np.where(goes_in, np.where(again, room_out / 2, room_out), left)
        room_in = np.where(goes_in, left, np.where(again, room_in / 2, room_in))
        inside, outside, went_in = np.where(goes_in, guess, inside), np.where(goes_in, outside, guess), goes_in
    return np.where(best_room < ROOM_TOLERANCE, best, (inside + outside) / 2)


def newcombe_difference(
    x1: Floats, n1: Floats, x2: Floats, n2: Floats, *, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Newcombe's hybrid of two Wilson intervals (his method 10), for p1 - p2; every argument of shape (pairs,).

    References
    ----------
    R. G. Newcombe, "Interval estimation for the difference between independent proportions", Statistics in Medicine 17
    (1998), 873-890.
    """
    p1, p2 = x1 / n1, x2 / n2
    low1, high1 = wilson(x1.astype(np.int64), n1.astype(np.int64), confidence=confidence)
    low2, high2 = wilson(x2.astype(np.int64), n2.astype(np.int64), confidence=confidence)
    low = p1 - p2 - np.sqrt((p1 - low1) ** 2 + (high2 - p2) ** 2)
    high = p1 - p2 + np.sqrt((high1 - p1) ** 2 + (p2 - low2) ** 2)
    return low, high
