"""Fracture stress from load and geometry."""

from __future__ import annotations

from math import isfinite, log, pi

# Poisson's ratio of soda-lime-silica glass, EN 572-1 (from memory).
POISSON_RATIO_GLASS = 0.23


def fracture_stress_mpa(
    method: str,
    *,
    force_n: float | None,
    thickness_mm: float | None,
    outer_span_mm: float | None,
    width_mm: float | None = None,
    inner_span_mm: float | None = None,
    plate_mm: float | None = None,
    poisson_ratio: float = POISSON_RATIO_GLASS,
) -> float:
    """Fracture stress (MPa) of a linear-elastic plate or beam.

    With force F, thickness h, width b, support span or ring diameter L, load span or ring diameter l, plate diameter D:

    - ``three_point``: 3 F L / (2 b h²)
    - ``four_point``: 3 F (L - l) / (2 b h²)
    - ``ring_on_ring``: 3 F / (2 pi h²) [(1 - nu) (L² - l²) / (2 D²) + (1 + nu) ln(L / l)]

    Laminated glass is taken as one solid plate: compare coupons of the same construction and method only.

    Raises
    ------
    ValueError
        If a measure that the method needs is missing, not positive, or the spans contradict each other.

    References
    ----------
    ASTM C1161 (beams in bending) and ASTM C1499, eq. 1 (equibiaxial bending of plates); EN 1288-3 uses the same four-point
    formula for glass, with a factor for the plate's own weight that is left out here. (Equations from memory.)
    """
    needed = {"force": force_n, "thickness": thickness_mm, "support span or ring": outer_span_mm}
    if method in {"three_point", "four_point"}:
        needed["width"] = width_mm
    if method in {"four_point", "ring_on_ring"}:
        needed["load span or ring"] = inner_span_mm
    if method == "ring_on_ring":
        needed["plate diameter"] = plate_mm
    if method not in {"three_point", "four_point", "ring_on_ring"}:
        raise ValueError(f"there is no formula for the method {method!r}")
    for name, value in needed.items():
        if value is None:
            raise ValueError(f"The {name} is missing; the stress can't be computed without it.")
        if not isfinite(value) or value <= 0:
            raise ValueError(f"The {name} must be above zero, not {value:g}.")
    F, h, L = float(force_n or 0), float(thickness_mm or 0), float(outer_span_mm or 0)
    if method == "three_point":
        return 3 * F * L / (2 * float(width_mm or 0) * h**2)
    inner = float(inner_span_mm or 0)
    if inner >= L:
        raise ValueError(f"The load span or ring ({inner:g} mm) must be smaller than the support ({L:g} mm).")
    if method == "four_point":
        return 3 * F * (L - inner) / (2 * float(width_mm or 0) * h**2)
    D, nu = float(plate_mm or 0), poisson_ratio
    if L > D:
        raise ValueError(f"The support ring ({L:g} mm) must not be larger than the plate ({D:g} mm).")
    return 3 * F / (2 * pi * h**2) * ((1 - nu) * (L**2 - inner**2) / (2 * D**2) + (1 + nu) * log(L / inner))
