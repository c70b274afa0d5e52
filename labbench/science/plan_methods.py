"""What the Methods page says of planning: how many coupons, which combinations, in which order."""

from __future__ import annotations

from labbench.science.method_entry import Method

PLAN = "Before glass is broken"

PLAN_METHODS: tuple[Method, ...] = (
    Method(
        PLAN,
        "Coupons for two or several arms",
        "How many coupons an arm takes to see a difference of failure shares.",
        "Power: sum of P(outcome) over all outcomes whose exact test (Fisher; Freeman and Halton) has p <= alpha.",
        "R. A. Fisher; G. H. Freeman, J. H. Halton, Biometrika 38 (1951), 141-149 (from memory).",
        ("Printed power of Fisher's test", "scipy", "A plain loop over all tables"),
        "exact",
        "Three coupons an arm never convince: 3 of 3 against 0 of 3 is p = 0.10. The power goes up and down from one size to the next, "
        "because a number of failures is whole.",
    ),
    Method(
        PLAN,
        "Coupons to show that there is no relevant difference",
        "How many coupons clear a factor without a model of causes.",
        "Power of two one-sided score tests against the margin, over all outcomes.",
        "D. J. Schuirmann (1987, from memory); C. P. Farrington, G. Manning, Stat. Med. 9 (1990), 1447-1454.",
        ("A plain loop over all outcomes", "The normal formula, nearly"),
        "exact",
    ),
    Method(
        PLAN,
        "Coupons for a difference of strength",
        "How many survivors to break in each arm.",
        "Share of simulated studies in which Welch's test has p <= alpha; strengths Weibull of one modulus; seed and standard error said.",
        "B. L. Welch, Biometrika 34 (1947), 28-35 (from memory).",
        ("Non-central t for normal strengths, nearly",),
        "simulated",
    ),
    Method(
        PLAN,
        "Fixed plans: swaps, factorials and their fractions, D-optimal subsets",
        "Combinations that are chosen before anything has run.",
        "Fractions: columns of a two-level array without shared columns or products; D-optimal: exchange of coupons until det(X'X) of "
        "mean and main effects stops growing.",
        "S. Addelman, Technometrics 4 (1962), 21-46; V. V. Fedorov (1972), ch. 3 (both from memory); NIST e-Handbook 5.3.3.4.",
        ("Resolutions of the NIST tables", "Hadamard's bound", "All subsets of a small case"),
        "iterative",
        "The exchange is a search: a better subset may exist where there are too many to try all.",
    ),
    Method(
        PLAN,
        "What a plan can't tell apart",
        "Which factor is mixed with another, or with two others together.",
        "Largest canonical correlation between the columns of the two effects; 1: wholly mixed, named from 0.5 on.",
        "H. Hotelling, Biometrika 28 (1936), 321-377 (from memory).",
        ("The alias of a half of three factors", "Two-way tables by hand"),
        "exact",
    ),
    Method(
        PLAN,
        "Chance of isolating the cause",
        "How likely a plan finds one guilty level, two (both needed, or one enough), or a factor that matters by degrees.",
        "Share of played studies, each with a cause drawn at random, that end with this cause isolated (see: Probability of each cause).",
        "Simulation; no published source.",
        ("Repeated by its seed",),
        "simulated",
        "For the shares assumed on the plan's page. That nothing on the list is the cause is not played; three causes at once neither.",
    ),
    Method(
        PLAN,
        "Random allocation",
        "Which coupon gets which arm, load, place and turn at the repair bench.",
        "Arms spread evenly over the loads, then everything shuffled within its load and technician; levels that are hard to change stay "
        "together; the seed is kept.",
        "D. R. Cox, Planning of Experiments (1958), ch. 3 and 5 (from memory).",
        ("Balance within loads on random plans",),
        "simulated",
    ),
)
