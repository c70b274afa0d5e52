"""Heat going into and out of a laminated coupon: one-dimensional conduction, convection on both faces.

Finite volumes through the thickness, an implicit scheme of second order in time. Left out: the edges (a coupon is much wider than
thick), contact resistances, frost, the heat of a transition in the interlayer, and radiation other than within h.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.heat.layers import (
    GLASS_EXPANSION_1_K,
    GLASS_MODULUS_MPA,
    GLASS_POISSON,
    Layer,
    lumped_time_constant_s,
)

Values = NDArray[np.float64]

# Through the whole coupon. See the tests for what finer cells change.
CELLS = 45
# L-stable, second order: R. Alexander, "Diagonally implicit Runge-Kutta methods for stiff O.D.E.'s", SIAM Journal on Numerical
# Analysis 14 (1977), 1006-1021, theorem 5 (two stages).
GAMMA = 1 - 1 / np.sqrt(2)
MOST_STEPS = 200_000


@dataclass(frozen=True, slots=True)
class CouponTemperatures:
    """Temperatures of a coupon over time.

    Attributes
    ----------
    time_s, air_c : ndarray, shape (n,)
    cells_c : ndarray, shape (n, cells)
        Through the thickness.
    left_c, right_c : ndarray, shape (n,)
        The two surfaces.
    mid_c : ndarray, shape (n,)
        Half-way through.
    mean_c : ndarray, shape (n,)
        Weighted with the heat capacity of the layers.
    surface_stress_mpa, glass_stress_mpa : ndarray, shape (n,)
        Of the surface that has more tension at the time; the highest tension anywhere in the glass. See `thermal_stress_mpa`.
    """

    time_s: Values
    air_c: Values
    cells_c: Values
    left_c: Values
    right_c: Values
    mid_c: Values
    mean_c: Values
    surface_stress_mpa: Values
    glass_stress_mpa: Values

    @property
    def coldest_c(self) -> Values:
        """Coldest place at each time, shape (n,)."""
        coldest: Values = np.minimum(np.minimum(self.left_c, self.right_c), self.cells_c.min(axis=1))
        return coldest

    @property
    def warmest_c(self) -> Values:
        """Warmest place at each time, shape (n,)."""
        warmest: Values = np.maximum(np.maximum(self.left_c, self.right_c), self.cells_c.max(axis=1))
        return warmest


@dataclass(frozen=True, slots=True)
class Reach:
    """When all of the coupon is inside a band for good, or why not within the time computed."""

    seconds: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class _Cells:
    """Heat capacity, conductances and the places of the cells; per square metre."""

    capacity: Values  # J/(m² K)
    stiffness: Values  # W/(m² K), (cells, cells)
    from_air: Values  # W/(m² K), conductance to the air, only the outer two are not 0
    to_surface: tuple[float, float]  # W/(m² K), from the outer cells' centres to the surfaces
    is_glass: NDArray[np.bool_]
    middle_mm: Values
    total_mm: float


def coupon_temperatures(
    layers: Sequence[Layer],
    *,
    h_w_m2_k: float | tuple[float, float],
    start_c: float,
    air_c: Values,
    step_s: float,
    cells_per_layer: int | None = None,
) -> CouponTemperatures:
    """Temperatures of a coupon in air that is known at even times.

    Parameters
    ----------
    layers : sequence of Layer
        From one face to the other.
    h_w_m2_k : float or tuple of float
        Heat-transfer coefficient with radiation, of both faces or of each.
    start_c : float
        Uniform temperature of the coupon at the start.
    air_c : ndarray, shape (n,)
        Air at 0, step_s, 2 step_s, ...; straight in between. A jump of the air at the start: begin with the new air.
    step_s : float
    cells_per_layer : int, optional
        Made odd, so that a cell lies on the mid-plane; 45 over all layers if not given. The error falls with the square
        of the cells' size and of the step.

    Raises
    ------
    ValueError
        If there is no layer, a coefficient or step is not above 0, or there are more than 200,000 steps.
    """
    h = h_w_m2_k if isinstance(h_w_m2_k, tuple) else (h_w_m2_k, h_w_m2_k)
    if not layers or min(h) <= 0 or step_s <= 0 or not 1 <= len(air_c) <= MOST_STEPS:
        raise ValueError("needs a layer, coefficients and a step above 0, and 1 to 200,000 temperatures of the air")
    cells = _cells(layers, h, (cells_per_layer or CELLS // len(layers)) | 1)
    states = _advance(cells, float(start_c), np.asarray(air_c, dtype=np.float64), step_s)
    return _described(cells, h, states, np.asarray(air_c, dtype=np.float64), step_s)


def _cells(layers: Sequence[Layer], h: tuple[float, float], per_layer: int) -> _Cells:
    width_m = np.repeat([layer.thickness_mm / 1000 / per_layer for layer in layers], per_layer)
    k = np.repeat([layer.conductivity_w_m_k for layer in layers], per_layer)
    volumetric = np.repeat([layer.density_kg_m3 * layer.specific_heat_j_kg_k for layer in layers], per_layer)
    half = width_m / (2 * k)  # m² K/W from a cell's centre to its face
    between = 1 / (half[:-1] + half[1:])  # harmonic: exact for steady flux across an interface
    from_air = np.zeros(len(k))
    from_air[0] += 1 / (1 / h[0] + half[0])
    from_air[-1] += 1 / (1 / h[1] + half[-1])
    diagonal = from_air.copy()
    diagonal[:-1] += between
    diagonal[1:] += between
    stiffness = np.diag(diagonal) - np.diag(between, 1) - np.diag(between, -1)
    edges_mm = np.r_[0, np.cumsum(width_m)] * 1000
    return _Cells(
        capacity=volumetric * width_m,
        stiffness=stiffness,
        from_air=from_air,
        to_surface=(float(1 / half[0]), float(1 / half[-1])),
        is_glass=np.repeat([layer.kind == "glass" for layer in layers], per_layer),
        middle_mm=(edges_mm[:-1] + edges_mm[1:]) / 2,
        total_mm=float(edges_mm[-1]),
    )


def _advance(cells: _Cells, start_c: float, air_c: Values, step_s: float) -> Values:
    """Cells' temperatures at all times, shape (n, cells): C dT/dt = -K T + g T_air.

    Both stages solve (C + gamma dt K) k = -K T_stage + g T_air(stage); the system is small, so its inverse is kept.
    """
    inverse = np.linalg.inv(np.diag(cells.capacity) + GAMMA * step_s * cells.stiffness)
    rate, air = -inverse @ cells.stiffness, inverse @ cells.from_air
    identity = np.eye(len(air))
    # k1 = rate T + air a1; k2 = rate (T + (1 - gamma) dt k1) + air a2; T' = T + dt ((1 - gamma) k1 + gamma k2)
    first = (1 - GAMMA) * step_s
    onward = identity + first * rate + GAMMA * step_s * (rate + first * rate @ rate)
    by_first = first * air + GAMMA * step_s * first * rate @ air
    by_second = GAMMA * step_s * air
    at_first = air_c[:-1] + GAMMA * np.diff(air_c)
    driven = np.outer(at_first, by_first) + np.outer(air_c[1:], by_second)
    states = np.empty((len(air_c), len(air)))
    states[0] = start_c
    for at in range(len(driven)):
        np.dot(onward, states[at], out=states[at + 1])
        states[at + 1] += driven[at]
    return states


def _described(
    cells: _Cells, h: tuple[float, float], states: Values, air_c: Values, step_s: float
) -> CouponTemperatures:
    left = (h[0] * air_c + cells.to_surface[0] * states[:, 0]) / (h[0] + cells.to_surface[0])
    right = (h[1] * air_c + cells.to_surface[1] * states[:, -1]) / (h[1] + cells.to_surface[1])
    # Before the first step the surface is as warm as the coupon, whatever the air is.
    left[0], right[0] = states[0, 0], states[0, -1]
    glass_weight = np.where(cells.is_glass, cells.capacity, 0)
    mean_of_glass = states @ glass_weight / glass_weight.sum() if glass_weight.any() else states.mean(axis=1)
    surface = np.maximum(thermal_stress_mpa(mean_of_glass - left), thermal_stress_mpa(mean_of_glass - right))
    inside = thermal_stress_mpa(mean_of_glass - np.min(states, axis=1, where=cells.is_glass[None, :], initial=np.inf))
    return CouponTemperatures(
        time_s=np.arange(len(air_c), dtype=np.float64) * step_s,
        air_c=air_c,
        cells_c=states,
        left_c=left,
        right_c=right,
        mid_c=_at(cells, states, cells.total_mm / 2),
        mean_c=states @ cells.capacity / cells.capacity.sum(),
        surface_stress_mpa=surface,
        glass_stress_mpa=np.maximum(surface, inside),
    )


def _at(cells: _Cells, states: Values, place_mm: float) -> Values:
    """Temperature at a depth, straight between the centres of the two cells around it."""
    above = int(np.clip(np.searchsorted(cells.middle_mm, place_mm), 1, len(cells.middle_mm) - 1))
    below = above - 1
    share = (place_mm - cells.middle_mm[below]) / (cells.middle_mm[above] - cells.middle_mm[below])
    at: Values = states[:, below] + share * (states[:, above] - states[:, below])
    return at


def thermal_stress_mpa(mean_minus_local_k: Values) -> Values:
    """Stress from a temperature difference to the mean of the glass, tension positive: E alpha dT / (1 - nu).

    For glass kept flat and free to grow as a whole, as the plies of a symmetric laminate are by a stiff interlayer; a soft one lets
    them bow and makes it less. Residual, edge and clamping stresses, and what a crack makes of them, come on top.

    References
    ----------
    W. D. Kingery, "Factors affecting thermal stress resistance of ceramic materials", Journal of the American Ceramic Society 38
    (1955), 3-15; glass values EN 572-1.
    """
    stress: Values = GLASS_MODULUS_MPA * GLASS_EXPANSION_1_K / (1 - GLASS_POISSON) * mean_minus_local_k
    return stress


def reach_of(temperatures: CouponTemperatures, *, low_c: float, high_c: float) -> Reach:
    """When the whole thickness is inside a band and stays there until the end of what was computed; straight between steps."""
    coldest, warmest = temperatures.coldest_c, temperatures.warmest_c
    is_inside = (coldest >= low_c) & (warmest <= high_c)
    if not is_inside[-1]:
        return Reach(None, "not all of the glass is inside at the end of the time computed")
    last_outside = len(is_inside) - 1 - int(np.argmax(~is_inside[::-1])) if not is_inside.all() else -1
    if last_outside < 0:
        return Reach(0.0, None)
    times = temperatures.time_s[last_outside : last_outside + 2]
    crossings = [
        _crossing(times, values[last_outside : last_outside + 2], edge)
        for values, edge in ((coldest, low_c), (warmest, high_c))
    ]
    return Reach(max(crossings), None)


def _crossing(times: Values, values: Values, edge: float) -> float:
    """Where the line between two values crosses an edge; its beginning where it does not."""
    before, after = values - edge
    return float(times[0] if before * after >= 0 else times[0] + (times[1] - times[0]) * before / (before - after))


def time_to_band(
    layers: Sequence[Layer],
    *,
    h_w_m2_k: float,
    start_c: float,
    air_c: float,
    low_c: float,
    high_c: float,
    steps: int = 2000,
) -> Reach:
    """How long a coupon takes in air of one temperature until all of it is inside a band.

    None, with the reason, where the air itself is not inside: the glass only comes closer and closer to it.
    """
    if not low_c < air_c < high_c:
        return Reach(None, f"air of {air_c:g} degC never brings the glass inside {low_c:g} to {high_c:g} degC")
    if low_c <= start_c <= high_c:
        return Reach(0.0, None)
    edge_k = air_c - low_c if start_c < low_c else high_c - air_c
    lumped_s = lumped_time_constant_s(layers, h_w_m2_k) * np.log(abs(start_c - air_c) / edge_k)
    # The middle lags behind the lump by about L²/(2a); doubled, with a quarter of the lumped time, it is surely in.
    lag_s = sum(
        (layer.thickness_mm / 1000) ** 2 * layer.density_kg_m3 * layer.specific_heat_j_kg_k / layer.conductivity_w_m_k
        for layer in layers
    )
    step_s = float(1.25 * lumped_s + 2 * lag_s) / steps
    temperatures = coupon_temperatures(
        layers, h_w_m2_k=h_w_m2_k, start_c=start_c, air_c=np.full(steps + 1, air_c), step_s=step_s
    )
    return reach_of(temperatures, low_c=low_c, high_c=high_c)
