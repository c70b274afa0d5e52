"""What the Methods page says of lamps that fade, of cures and of exposure."""

from __future__ import annotations

from labbench.science.method_entry import Method

CURES = "Lamps and cures"

CURE_METHODS: tuple[Method, ...] = (
    Method(
        CURES,
        "Fading of a lamp",
        "When a lamp will give less than the lab allows.",
        "output = B exp(-alpha hours), least squares of ln(output) on hours of one life; limits of alpha and of the curve by Student's t, "
        "of the hours to a level by Fieller; reported up to 6 times the hours watched.",
        "ANSI/IES TM-21 (equations from an article of the society, 2019; the standard not read); E. C. Fieller, J. R. Stat. Soc. B 16 "
        "(1954), 175-185 (from memory).",
        (
            "Invented maintenance data of 10,000 h, recomputed",
            "statsmodels, for the limits",
            "Walking along the curve, for Fieller's limits",
        ),
        "closed form",
        "An analogy: TM-21 is for twenty LED packages tested for 6,000 h or more, not for the irradiance below one UV-A lamp. Nothing is "
        "projected for fluorescent tubes, which fail outright. The limits take surveys to err independently: a meter that always reads "
        "wrong is not in them.",
    ),
    Method(
        CURES,
        "Time for a dose, equal effect",
        "How long to cure at the coldest point, through layers, or at another irradiance.",
        "t = H / (E T), T the product of the layers' transmittances (Beer-Lambert: T^(d'/d) at another thickness); equal effect: E^p t = "
        "constant, p by least squares of ln t on ln E with t-based limits.",
        "J. W. Martin, J. W. Chin, T. Nguyen, Prog. Org. Coat. 47 (2003), 292-311 (abstract read).",
        ("Arithmetic by hand", "statsmodels, for the limits of p"),
        "closed form",
        "p = 1, reciprocity, is an assumption until the lab has tried it. Reflection at the faces of a layer is left out.",
    ),
    Method(
        CURES,
        "Depth of cure",
        "How deep a dose begins a gel, where the lab has Dp and Ec of its resin.",
        "C = Dp ln(H / Ec); Dp and Ec by least squares of depth on ln H, Ec's limits by Fieller.",
        "P. F. Jacobs, Rapid Prototyping & Manufacturing (1992) (from memory).",
        (
            "0.231 mm for Dp 0.175 mm, Ec 8, H 30 mJ/cm², example of a public tutorial",
            "Walking along the curve, for Fieller's limits",
        ),
        "closed form",
        "Ec is where a gel begins, not full cure. Dp and Ec differ many-fold between labs and wavelengths.",
    ),
    Method(
        CURES,
        "Exposure of people to UV-A",
        "How soon a measured irradiance uses up the published limit.",
        "t = 1e4 J/m² / E, 315 to 400 nm, unweighted, eye, within 8 h; beside it 30 J/m² weighted, S(365 nm) = 0.00011.",
        "ICNIRP, Health Physics 87 (2004), 171-186; 2006/25/EC annex I, table 1.1, row b from memory.",
        ("The risk groups of IEC 62471 (from memory)",),
        "closed form",
        "A warning, never a permission. The edition in force, local codes and a qualified person decide.",
    ),
)
