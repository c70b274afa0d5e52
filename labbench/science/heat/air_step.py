"""What a coupon does when the air around it changes at once: when it gets there, how uneven it is on the way, for a range of h.

Air does not change at once in a chamber that was just opened: it takes longer then, and the stress is less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labbench.science.heat.conduction import CouponTemperatures, Reach, coupon_temperatures, reach_of, time_to_band
from labbench.science.heat.layers import Layer, heat_capacity_range, lumped_time_constant_s

Values = NDArray[np.float64]

STEPS = 2000
# So many time constants after a step of the air less than 0.1 % of it is left.
TIME_CONSTANTS = 7


@dataclass(frozen=True, slots=True)
class StepCase:
    """The answer for one heat-transfer coefficient.

    Attributes
    ----------
    h_w_m2_k : float
    capacity_share : float
        Heat capacity taken, as a share of the value used for the layers.
    time_constant_s : float
        Of the coupon as one lump.
    reach : Reach
        When all of the glass is inside the band; never, with the reason, where the air is not.
    largest_difference_k, largest_difference_at_s : float
        Between the warmest and the coldest place through the thickness, and when.
    highest_stress_mpa : float
        Highest tension that this difference makes in the glass, see `thermal_stress_mpa`.
    temperatures : CouponTemperatures
    """

    h_w_m2_k: float
    capacity_share: float
    time_constant_s: float
    reach: Reach
    largest_difference_k: float
    largest_difference_at_s: float
    highest_stress_mpa: float
    temperatures: CouponTemperatures

    def mid_c_at(self, seconds: Values) -> Values:
        """Temperature half-way through at these times after the step; what lies beyond those computed is the last."""
        found: Values = np.interp(seconds, self.temperatures.time_s, self.temperatures.mid_c)
        return found


@dataclass(frozen=True, slots=True)
class AirStep:
    """The answers over a range of coefficients: the slowest with most heat to move, the middle, the fastest with least."""

    slowest: StepCase
    middle: StepCase
    fastest: StepCase

    @property
    def cases(self) -> tuple[StepCase, ...]:
        """From slow to fast."""
        return self.slowest, self.middle, self.fastest


def air_step(
    layers: Sequence[Layer],
    *,
    h_range_w_m2_k: tuple[float, float],
    start_c: float,
    air_c: float,
    low_c: float,
    high_c: float,
    is_fitted: bool = False,
) -> AirStep:
    """What a coupon of one temperature does in air of another.

    Parameters
    ----------
    layers : sequence of Layer
    h_range_w_m2_k : tuple of float
        Lowest and highest heat-transfer coefficient; the middle is their geometric mean.
    start_c, air_c : float
        Of the coupon before, of the air after.
    low_c, high_c : float
        Edges of the band that the glass has to be in.
    is_fitted : bool
        Whether the coefficients come from a trace of such a coupon. Only their ratio to the heat capacity counts then, and the trace
        has shown it: the heat capacity is not varied on top.

    Raises
    ------
    ValueError
        If the range is none, or the band.
    """
    low_h, high_h = h_range_w_m2_k
    if not 0 < low_h <= high_h:
        raise ValueError(f"{low_h:g} to {high_h:g} W/(m² K) is no range of coefficients")
    if not low_c < high_c:
        raise ValueError(f"{low_c:g} to {high_c:g} degC is no band")
    least, most = (1.0, 1.0) if is_fitted else heat_capacity_range(layers)
    cases = [
        _case(layers, h, share, start_c=start_c, air_c=air_c, low_c=low_c, high_c=high_c)
        for h, share in ((low_h, most), (float(np.sqrt(low_h * high_h)), 1.0), (high_h, least))
    ]
    return AirStep(*cases)


def _case(
    layers: Sequence[Layer], h: float, share: float, *, start_c: float, air_c: float, low_c: float, high_c: float
) -> StepCase:
    # Less heat capacity at the same h and conductivity: as if the layers were lighter.
    scaled = tuple(replace(one, specific_heat_j_kg_k=one.specific_heat_j_kg_k * share) for one in layers)
    constant = lumped_time_constant_s(scaled, h)
    temperatures = coupon_temperatures(
        scaled,
        h_w_m2_k=h,
        start_c=start_c,
        air_c=np.full(STEPS + 1, air_c),
        step_s=TIME_CONSTANTS * constant / STEPS,
    )
    reach = Reach(None, None)
    if low_c < air_c < high_c:
        reach = reach_of(temperatures, low_c=low_c, high_c=high_c)
    if reach.seconds is None:
        # Never, with the reason; or beyond the time constants computed here, for a band that ends close to the air.
        reach = time_to_band(scaled, h_w_m2_k=h, start_c=start_c, air_c=air_c, low_c=low_c, high_c=high_c)
    difference = temperatures.warmest_c - temperatures.coldest_c
    at = int(np.argmax(difference))
    return StepCase(
        h_w_m2_k=h,
        capacity_share=share,
        time_constant_s=constant,
        reach=reach,
        largest_difference_k=float(difference[at]),
        largest_difference_at_s=float(temperatures.time_s[at]),
        highest_stress_mpa=float(temperatures.glass_stress_mpa.max()),
        temperatures=temperatures,
    )
