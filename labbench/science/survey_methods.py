"""What the Methods page says of lamp surveys and their meters."""

from __future__ import annotations

from labbench.science.method_entry import Method

SURVEYS = "Surveys of lamps"

SURVEY_METHODS: tuple[Method, ...] = (
    Method(
        SURVEYS,
        "Figures of a survey",
        "How much light falls on the cure area, and how even it is.",
        "Over the places, repeats averaged: mean, min / mean, min / max, (max - min) / (max + min), s / mean with n - 1; "
        "repeatability: root of the mean of the places' (s / mean)², weighted by n - 1.",
        "min / mean as EN 12464-1, (max - min) / (max + min) as IEC 60904-9 (seen in secondary sources).",
        ("Five readings by hand", "A grid of 25 places with repeats, computed independently"),
        "closed form",
        "Of the points that were read. No published limit for curing lamps of this kind is known: yardsticks only.",
    ),
    Method(
        SURVEYS,
        "Map between the points",
        "Where it is bright and dark.",
        "Delaunay triangulation of the points; in each triangle the plane through its corners; contours are cut from these planes.",
        "B. Delaunay (1934), by Qhull: C. B. Barber et al., ACM Trans. Math. Softw. 22 (1996), 469-483.",
        ("A plane of light, exactly", "scipy.interpolate.LinearNDInterpolator on grids, rings and single points"),
        "closed form",
        "Interpolated: an emitter between two points is not seen. Nothing is drawn outside the points, on one line, or from fewer than "
        "three.",
    ),
    Method(
        SURVEYS,
        "Uncertainty of the mean and of the coldest place",
        "By how much a survey can be wrong.",
        "u² = sum u_i²: calibration U / 2, geometry and drift ± a / sqrt 3, resolution q / sqrt 12, repeats s / sqrt n; "
        "df = u⁴ / sum u_i⁴ / df_i, cut to whole ones; U = t u, 95.45 %.",
        "JCGM 100:2008 (GUM), equations 10 and G.2b, 4.3.7, F.2.2.1, G.4.1.",
        ("GUM annex H.1 (end gauge): u 32 nm, df 16.7, U99 93 nm", "One spot read five times, computed independently"),
        "closed form",
        "What is not known of a meter is named and missing: the true uncertainty is then larger. What lies between the points is not in "
        "it. "
        "The coldest of many noisy readings tends to be too low.",
    ),
    Method(
        SURVEYS,
        "One survey against another",
        "Lamps, a lamp over time, cover, distance: ratio and difference, and whether it exceeds its uncertainty.",
        "Ratio: exp of the mean of ln(second / first) over common places with its t limits, both meters' u added in quadrature where "
        "they differ; "
        "difference: |d| > U(d); calibration and drift cancel under one meter.",
        "GUM 5.2.2 for what is common to both.",
        ("scipy.stats.ttest_rel of the logarithms", "Turning the comparison round turns the ratio over"),
        "closed form",
        "The limits are those of the mean ratio over these places. Time for the same dose assumes reciprocity.",
    ),
    Method(
        SURVEYS,
        "Two meters on one lamp",
        "Whether two meters agree as well as is stated of them.",
        "E_n = (x2 - x1) / sqrt(U1² + U2²) over the places that both read; consistent from -1 to 1.",
        "ISO 13528, performance statistics (from memory).",
        ("The definition, by hand",),
        "closed form",
        "A lamp that changed between the two readings looks like a meter that is off.",
    ),
)
