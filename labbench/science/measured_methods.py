"""What the Methods page says of doses and measured values."""

from __future__ import annotations

from labbench.science.method_entry import Method

MEASURED = "What was measured of each repair"

MEASURED_METHODS = (
    Method(
        MEASURED,
        "Dose of a repair",
        "What a repair got over its cure area, and where the break lay.",
        "Irradiance of the survey that counts x cure time at each place; coldest, mean and hottest place; at the break linear over the "
        "triangle of places that holds it. The survey: newest of the lamp before the repair, same cover, within 5 mm, not older than "
        "the lab allows, same life of the lamp.",
        "Radiant exposure as ISO 80000-7 defines it; which survey counts is a choice of this project, no published source.",
        ("Squares of four places by hand", "Planes, which linear interpolation meets everywhere"),
        "closed form",
        "It takes the lamp to shine as when it was surveyed, and the same dose to do the same whatever the irradiance (reciprocity).",
    ),
    Method(
        MEASURED,
        "Measured values as levels",
        "Values of many repairs where the search for a cause needs levels.",
        "Up to six values as they are; more are cut at steps above 1/8 of their span (of the logarithms, where that is more than a "
        "factor of 4), else into four groups of about equal numbers. A group is called by its median.",
        "A choice of this project, no published source; outcomes are never looked at.",
        ("By hand", "Order of coupons irrelevant; groups part the values"),
        "closed form",
        "Where it cuts decides what can be found: between two groups lies no finer limit than the coupons had.",
    ),
    Method(
        MEASURED,
        "Name or measured value",
        "Which explains the failures better: the lamp, or the dose it gave.",
        "M(f) = sum over the hypotheses of f alone of w(h) m(D | h), the evidence of the search for a cause; P = M(f) / (M(f) + M(g)) at "
        "even odds. Beside it AICc = 2 k - 2 log L + 2 k (k + 1) / (n - k - 1) of a logistic model of each, and the penalised "
        "likelihood-ratio test of each with the other held fixed.",
        "R. E. Kass, A. E. Raftery, JASA 90 (1995), 773-795; C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989), 297-307 (both from memory).",
        (
            "Closed forms with Beta functions and plain quadrature",
            "Log likelihoods of statsmodels",
            "Relabelled levels, exchanged factors and reordered coupons",
        ),
        "closed form",
        "Each is taken as the only cause. Where every level of the one ran with one level of the other only, the coupons can't tell; "
        "the page says so, and which coupon would.",
    ),
)
