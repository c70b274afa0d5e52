"""What a laminated coupon is made of, as far as heat goes, and how sure each number is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum
from typing import Literal


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a coupon, in SI units but for the thickness."""

    kind: Literal["glass", "interlayer"]
    thickness_mm: float
    density_kg_m3: float
    specific_heat_j_kg_k: float
    conductivity_w_m_k: float

    @property
    def areal_heat_capacity_j_m2_k(self) -> float:
        """Heat to warm a square metre of the layer by 1 K."""
        return self.density_kg_m3 * self.specific_heat_j_kg_k * self.thickness_mm / 1000


@dataclass(frozen=True, slots=True)
class UncertainInput:
    """A number of the model: what is used, how far it may be off, and how much is known of it."""

    name: str
    value: float
    low: float
    high: float
    standing: str


# Soda-lime-silicate float glass: EN 572-1 (as reproduced in handbooks; the standard itself was not read).
GLASS_DENSITY_KG_M3 = 2500.0
GLASS_SPECIFIC_HEAT_J_KG_K = 720.0
GLASS_CONDUCTIVITY_W_M_K = 1.0
GLASS_MODULUS_MPA = 70_000.0
GLASS_POISSON = 0.2
GLASS_EXPANSION_1_K = 9e-6
# Plasticised PVB film: density from a film's data sheet, the others typical, from memory; not standard values.
INTERLAYER_DENSITY_KG_M3 = 1070.0
INTERLAYER_SPECIFIC_HEAT_J_KG_K = 1900.0
INTERLAYER_CONDUCTIVITY_W_M_K = 0.22

UNCERTAIN_INPUTS = (
    UncertainInput("heat-transfer coefficient in W/(m² K)", 15, 5, 60, "depends on the fan and the rack: fit it to a coupon's trace"),
    UncertainInput("specific heat of glass in J/(kg K)", 720, 720, 800, "EN 572-1; handbooks go up to 800"),
    UncertainInput("conductivity of glass in W/(m K)", 1.0, 0.8, 1.1, "EN 572-1; range of handbooks"),
    UncertainInput("specific heat of the interlayer in J/(kg K)", 1900, 1600, 2200, "typical, from memory; rises through its transition"),
    UncertainInput("conductivity of the interlayer in W/(m K)", 0.22, 0.20, 0.24, "typical, from memory"),
)  # fmt: skip


def glass(thickness_mm: float) -> Layer:
    """A layer of float glass.

    Raises
    ------
    ValueError
        If the thickness is not above 0.
    """
    _check_thickness(thickness_mm)
    return Layer("glass", thickness_mm, GLASS_DENSITY_KG_M3, GLASS_SPECIFIC_HEAT_J_KG_K, GLASS_CONDUCTIVITY_W_M_K)


def laminate(outer_mm: float, interlayer_mm: float, inner_mm: float) -> tuple[Layer, ...]:
    """Glass, interlayer, glass.

    Raises
    ------
    ValueError
        If a thickness is not above 0.
    """
    _check_thickness(interlayer_mm)
    film = Layer(
        "interlayer",
        interlayer_mm,
        INTERLAYER_DENSITY_KG_M3,
        INTERLAYER_SPECIFIC_HEAT_J_KG_K,
        INTERLAYER_CONDUCTIVITY_W_M_K,
    )
    return glass(outer_mm), film, glass(inner_mm)


def _check_thickness(thickness_mm: float) -> None:
    if not 0 < thickness_mm <= 100:
        raise ValueError(f"a layer of {thickness_mm:g} mm is not possible")


def areal_heat_capacity_j_m2_k(layers: Sequence[Layer]) -> float:
    """Heat to warm a square metre of the coupon by 1 K."""
    return fsum(layer.areal_heat_capacity_j_m2_k for layer in layers)


def lumped_time_constant_s(layers: Sequence[Layer], h_w_m2_k: float) -> float:
    """Time constant of the coupon taken as one lump, both faces in air: sum of rho c d over 2 h.

    Good to about 2 % of the step where h d / (2 k) < 0.1 (Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, section
    5.2; Cengel, section 4-1).
    """
    return areal_heat_capacity_j_m2_k(layers) / (2 * h_w_m2_k)


def heat_capacity_range(layers: Sequence[Layer]) -> tuple[float, float]:
    """Lowest and highest heat capacity of the coupon as a share of the value used, from `UNCERTAIN_INPUTS`."""
    used = areal_heat_capacity_j_m2_k(layers)
    named = {"glass": UNCERTAIN_INPUTS[1], "interlayer": UNCERTAIN_INPUTS[3]}
    low = fsum(each.areal_heat_capacity_j_m2_k * named[each.kind].low / named[each.kind].value for each in layers)
    high = fsum(each.areal_heat_capacity_j_m2_k * named[each.kind].high / named[each.kind].value for each in layers)
    return low / used, high / used
