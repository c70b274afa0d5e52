"""The heat-transfer coefficient of a chamber from a measured trace, and when the glass got there where it was not measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.heat.conduction import CouponTemperatures, Reach, coupon_temperatures, reach_of
from labbench.science.heat.layers import Layer, heat_capacity_range, lumped_time_constant_s

Values = NDArray[np.float64]

# Free convection of gases begins at about 2, forced convection ends at about 250 W/(m² K) (Incropera and DeWitt, table 1.1).
LOWEST_H, HIGHEST_H = 2.0, 250.0
MOST_FIT_STEPS = 1500
LEAST_CHANGE_K = 5.0


@dataclass(frozen=True, slots=True)
class HeatTransferFit:
    """A fitted heat-transfer coefficient, or the reason why there is none.

    Attributes
    ----------
    h_w_m2_k : float or None
        Of both faces, radiation included.
    low, high : float or None
        Confidence limits from the scatter of the trace alone, for heat capacities as given.
    low_with_inputs, high_with_inputs : float or None
        The same, widened by how far the heat capacity of the layers may be off: the trace only shows their ratio.
    start_c : float or None
        Fitted temperature of the coupon at the start.
    residual_k : float or None
        Standard deviation of the readings about the model.
    effective_readings : float or None
        Independent readings that the correlated ones are worth: n (1 - r) / (1 + r), r the correlation of neighbours.
    is_converged : bool
    reason : str or None
    """

    h_w_m2_k: float | None
    low: float | None = None
    high: float | None = None
    low_with_inputs: float | None = None
    high_with_inputs: float | None = None
    start_c: float | None = None
    residual_k: float | None = None
    effective_readings: float | None = None
    is_converged: bool = False
    reason: str | None = None


def fit_heat_transfer(
    layers: Sequence[Layer],
    *,
    elapsed_s: Values,
    air_c: Values,
    glass_c: Values,
    confidence: float = 0.95,
    sensor: str = "mean",
) -> HeatTransferFit:
    """Heat-transfer coefficient with which the model follows a coupon's channel, by least squares.

    Parameters
    ----------
    layers : sequence of Layer
    elapsed_s, air_c, glass_c : ndarray, shape (n,)
        Readings in order of time; rows with a missing reading (NaN) are left out. Best one step of the air, from before it until
        the glass has settled.
    confidence : float
    sensor : str
        What the channel measures: ``"mean"`` (a thin probe within or under the coupon), ``"mid"`` or ``"surface"``.

    Returns
    -------
    HeatTransferFit
        Limits: log h ± t s, s from the curvature of the sum of squares, with as many degrees of freedom as
        effective readings less two (D. M. Bates and D. G. Watts, Nonlinear Regression Analysis, 1988, section 2.3; the
        effective number after G. V. Bayley and J. M. Hammersley, Journal of the Royal Statistical Society Supplement 8
        (1946), 184-197, for a correlation that falls geometrically).
    """
    from scipy import optimize, stats  # slow import

    is_known = ~(np.isnan(air_c) | np.isnan(glass_c))
    elapsed_s, air_c, glass_c = elapsed_s[is_known], air_c[is_known], glass_c[is_known]
    reason = _too_little(elapsed_s, air_c, glass_c)
    if reason is not None:
        return HeatTransferFit(None, reason=reason)
    elapsed_s = elapsed_s - elapsed_s[0]
    grid_s, step_s = np.linspace(0, elapsed_s[-1], MOST_FIT_STEPS + 1, retstep=True)
    grid_air_c: Values = np.asarray(np.interp(grid_s, elapsed_s, air_c), dtype=np.float64)

    def residuals(parameters: Values) -> Values:
        model = coupon_temperatures(
            layers,
            h_w_m2_k=float(np.exp(parameters[0])),
            start_c=float(parameters[1]),
            air_c=grid_air_c,
            step_s=float(step_s),
            cells_per_layer=5,
        )
        off: Values = np.interp(elapsed_s, grid_s, _measured(model, sensor)) - glass_c
        return off

    found = optimize.least_squares(
        residuals,
        x0=[np.log(15.0), float(glass_c[0])],
        bounds=([np.log(LOWEST_H / 4), -200.0], [np.log(HIGHEST_H * 4), 400.0]),
        x_scale=[0.1, 1.0],
    )
    h = float(np.exp(found.x[0]))
    if not LOWEST_H <= h <= HIGHEST_H:
        why = f"the best fit, {h:.3g} W/(m² K), is no convection in air: is the channel on the glass, beside this air?"
        return HeatTransferFit(None, is_converged=bool(found.success), reason=why)
    left = np.asarray(found.fun, dtype=np.float64)
    effective = _effective_readings(left)
    if effective < 4:
        return HeatTransferFit(None, reason="the model does not follow the channel: what is left is all of one piece")
    variance = float(np.mean(left**2)) * effective / (effective - 2)
    # The curvature counts every reading; as many as they are worth remain.
    slopes = np.asarray(found.jac, dtype=np.float64)
    curvature = np.linalg.inv(slopes.T @ slopes * effective / len(left))
    error = float(np.sqrt(variance * curvature[0, 0]) * stats.t.ppf((1 + confidence) / 2, effective - 2))
    low, high = h * float(np.exp(-error)), h * float(np.exp(error))
    capacity = heat_capacity_range(layers)
    return HeatTransferFit(
        h_w_m2_k=h,
        low=low,
        high=high,
        low_with_inputs=low * capacity[0],
        high_with_inputs=high * capacity[1],
        start_c=float(found.x[1]),
        residual_k=float(np.sqrt(np.mean(left**2))),
        effective_readings=effective,
        is_converged=bool(found.success),
    )


def _too_little(elapsed_s: Values, air_c: Values, glass_c: Values) -> str | None:
    if len(elapsed_s) < 10:
        return "fewer than ten rows have both an air and a glass reading"
    if not np.all(np.diff(elapsed_s) >= 0) or elapsed_s[-1] <= elapsed_s[0]:
        return "the readings are not in order of time"
    if float(np.max(np.abs(air_c - glass_c))) < LEAST_CHANGE_K or float(np.ptp(glass_c)) < LEAST_CHANGE_K:
        return f"the glass changes too little: a step of at least {LEAST_CHANGE_K:g} K is needed"
    return None


def _measured(model: CouponTemperatures, sensor: str) -> Values:
    places = {"mean": model.mean_c, "mid": model.mid_c, "surface": model.left_c}
    if sensor not in places:
        raise ValueError(f"sensor must be one of {', '.join(places)}, not {sensor}")
    return places[sensor]


def _effective_readings(left: Values) -> float:
    centred = left - left.mean()
    power = float(centred @ centred)
    correlation = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    correlation = min(max(correlation, 0.0), 0.999)
    return len(left) * (1 - correlation) / (1 + correlation)


@dataclass(frozen=True, slots=True)
class PredictedReach:
    """When the glass gets into a band behind measured air: earliest with the highest coefficient, latest with the lowest."""

    earliest: Reach
    latest: Reach


def predicted_reach(
    layers: Sequence[Layer],
    *,
    elapsed_s: Values,
    air_c: Values,
    start_c: float,
    h_range_w_m2_k: tuple[float, float],
    low_c: float,
    high_c: float,
) -> PredictedReach:
    """When a coupon without sensor is inside a band for good, in seconds from the start of the air given.

    Soak from the latest on: the coefficient of a chamber is rarely known better than its range.

    Parameters
    ----------
    layers : sequence of Layer
    elapsed_s, air_c : ndarray, shape (n,)
        Air in order of time, without missing readings.
    start_c : float
    h_range_w_m2_k : tuple of float
        Lowest and highest heat-transfer coefficient, e.g. the limits of a fit.
    low_c, high_c : float
        Edges of the band.
    """
    low_h, high_h = h_range_w_m2_k
    if not 0 < low_h <= high_h:
        raise ValueError(f"{low_h:g} to {high_h:g} W/(m² K) is no range of coefficients")
    seconds = float(elapsed_s[-1] - elapsed_s[0])
    if len(elapsed_s) < 2 or seconds <= 0:
        raise ValueError("needs the air of at least two times")
    steps = int(np.clip(20 * seconds / lumped_time_constant_s(layers, high_h), 500, 20_000))
    grid_s, step_s = np.linspace(0, seconds, steps + 1, retstep=True)
    grid_air_c = np.interp(grid_s, elapsed_s - elapsed_s[0], air_c)
    earliest, latest = (
        reach_of(
            coupon_temperatures(layers, h_w_m2_k=h, start_c=start_c, air_c=grid_air_c, step_s=float(step_s)),
            low_c=low_c,
            high_c=high_c,
        )
        for h in (high_h, low_h)
    )
    return PredictedReach(earliest, latest)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Places in a trace, the first and the one after the last."""

    first: int
    stop: int


def largest_air_step(elapsed_s: Values, air_c: Values, *, within_s: float = 600.0) -> Stretch | None:
    """The stretch of a trace that shows most of a coefficient: from before the air's largest change until it changes again.

    Parameters
    ----------
    elapsed_s, air_c : ndarray, shape (n,)
        In order of time; rows without a reading of the air (NaN) are passed over.
    within_s : float
        The change is looked for over so many seconds.

    Returns
    -------
    Stretch or None
        None where the air changes by less than twice the least change that a fit needs. It ends where the air has gone back by a
        third of its change, or with the trace.
    """
    known = np.flatnonzero(~np.isnan(air_c))
    if len(known) < 2:
        return None
    times, air = elapsed_s[known], air_c[known]
    later = np.minimum(np.searchsorted(times, times + within_s), len(times) - 1)
    change = air[later] - air
    at = int(np.argmax(np.abs(change)))
    size = float(change[at])
    if abs(size) < 2 * LEAST_CHANGE_K:
        return None
    # From the last moment before the change: the air is still within a tenth of it.
    before = at + int(np.flatnonzero(np.abs(air[at : later[at] + 1] - air[at]) <= 0.1 * abs(size))[-1])
    settled = int(later[at])
    towards = np.sign(size) * (air[settled:] - air[at])
    peak = np.maximum.accumulate(towards)
    gone_back = np.flatnonzero(peak - towards > abs(size) / 3)
    stop = settled + int(gone_back[0]) if len(gone_back) else len(times)
    return Stretch(int(known[before]), int(known[stop - 1]) + 1)


def fitted_temperatures(
    layers: Sequence[Layer], fit: HeatTransferFit, *, elapsed_s: Values, air_c: Values, sensor: str = "mean"
) -> Values:
    """What the fitted model gives for the channel at the times of the readings, shape (n,); rows without air are bridged.

    Raises
    ------
    ValueError
        If there is no fit.
    """
    if fit.h_w_m2_k is None or fit.start_c is None:
        raise ValueError(f"there is no fit: {fit.reason}")
    is_known = ~np.isnan(air_c)
    seconds = float(elapsed_s[-1] - elapsed_s[0])
    grid_s, step_s = np.linspace(0, seconds, MOST_FIT_STEPS + 1, retstep=True)
    grid_air_c = np.interp(grid_s, elapsed_s[is_known] - elapsed_s[0], air_c[is_known])
    model = coupon_temperatures(
        layers, h_w_m2_k=fit.h_w_m2_k, start_c=fit.start_c, air_c=grid_air_c, step_s=float(step_s), cells_per_layer=5
    )
    found: Values = np.interp(elapsed_s - elapsed_s[0], grid_s, _measured(model, sensor))
    return found
