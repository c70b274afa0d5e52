"""How long the published limit for UV-A on the eye lets somebody stand in a measured irradiance. A warning, never a permission.

Standing of the figures: 2006/25/EC annex I, table 1.1 row a and its definitions were read; row b (the UV-A limit) is from memory and
agrees with the risk groups of IEC 62471 (10, 33 and 100 W/m² for 1000, 300 and 100 s, each 1e4 J/m²; from memory too). Whoever relies on a
limit reads the edition in force; local codes may be stricter.
"""

from __future__ import annotations

from dataclasses import dataclass

from labbench.science.cure import J_M2_PER_MJ_CM2, W_M2_PER_MW_CM2

WORKDAY_S = 8 * 3600.0
# UV-A, 315 to 400 nm, unweighted, eye, within 8 h: ICNIRP, Health Physics 87 (2004), 171-186; 2006/25/EC annex I, table 1.1 row b.
UVA_LIMIT_J_M2 = 1e4
# UV, 180 to 400 nm, weighted with S(lambda), eye and skin, within 8 h: 2006/25/EC annex I, table 1.1 row a.
WEIGHTED_LIMIT_J_M2 = 30.0
# S(lambda) of 365 nm alone: 2006/25/EC annex I, table 1.2 (from a reproduction).
WEIGHT_365_NM = 0.00011
UVA_BAND_NM = (315.0, 400.0)


@dataclass(frozen=True, slots=True)
class Exposure:
    """What an irradiance uses up of a limit.

    Attributes
    ----------
    irradiance_mw_cm2 : float
    limit_j_m2 : float
        Radiant exposure that the limit allows within 8 h.
    seconds : float or None
        Until the limit is reached. None where there is no light, or where 8 h do not reach it.
    reason : str
        Why `seconds` is None; "" else.
    """

    irradiance_mw_cm2: float
    limit_j_m2: float
    seconds: float | None
    reason: str


def uva_exposure(irradiance_mw_cm2: float) -> Exposure:
    """Seconds until the unweighted UV-A limit of the eye, for an irradiance (mW/cm²) that stays the same.

    Raises
    ------
    ValueError
        If the irradiance is negative.
    """
    return exposure(irradiance_mw_cm2, limit_j_m2=UVA_LIMIT_J_M2, weight=1.0)


def weighted_exposure(irradiance_mw_cm2: float, *, weight: float = WEIGHT_365_NM) -> Exposure:
    """Seconds until the weighted limit of eye and skin; `weight` is S of the light, that of 365 nm alone if not given."""
    return exposure(irradiance_mw_cm2, limit_j_m2=WEIGHTED_LIMIT_J_M2, weight=weight)


def exposure(irradiance_mw_cm2: float, *, limit_j_m2: float, weight: float) -> Exposure:
    """Time = limit / (weight x irradiance), where it is shorter than the 8 h that the limit is for."""
    if irradiance_mw_cm2 < 0:
        raise ValueError("an irradiance is not negative")
    effective_w_m2 = weight * irradiance_mw_cm2 * W_M2_PER_MW_CM2
    if effective_w_m2 * WORKDAY_S < limit_j_m2:
        reason = "no light" if irradiance_mw_cm2 == 0 else "8 h at this irradiance do not reach the limit"
        return Exposure(irradiance_mw_cm2, limit_j_m2, None, reason)
    return Exposure(irradiance_mw_cm2, limit_j_m2, limit_j_m2 / effective_w_m2, "")


def is_uva(wavelength_nm: float | None) -> bool:
    """Whether a peak lies in the UV-A (315 to 400 nm, CIE and ISO); an unknown one is taken to."""
    return wavelength_nm is None or UVA_BAND_NM[0] <= wavelength_nm <= UVA_BAND_NM[1]


def limit_in_mj_cm2() -> float:
    """The UV-A limit as a dose of the lab's unit: 1000 mJ/cm²."""
    return UVA_LIMIT_J_M2 / J_M2_PER_MJ_CM2
