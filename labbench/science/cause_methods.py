"""What the Methods page says of the search for the cause: its probability, clearing, confirming, the next load."""

from __future__ import annotations

from labbench.science.method_entry import Method

CAUSE = "The cause, and the next coupons"

CAUSE_METHODS: tuple[Method, ...] = (
    Method(
        CAUSE,
        "Probability of each cause",
        "Which explanation of the failures is likeliest: none of the factors, a level of one, two levels needed together, two of which "
        "one is enough, or an irregular effect of one factor.",
        "P(h | D) ~ P(h) m(D | h); m the product over exposed and other coupons of B(a + F, b + S) / B(a, b), times the chance that the "
        "exposed fail more given the data over the same before; exposed Beta(3, 1), others Beta(1, 9). Isolated from 0.95 on.",
        "R. E. Kass, A. E. Raftery, J. Am. Stat. Assoc. 90 (1995), 773-795; I. Klugkist, B. Kato, H. Hoijtink, Statistica Neerlandica 59 "
        "(2005), 57-69 (both from memory).",
        (
            "Two factors before and after the break, by two independent programs",
            "All outcomes of small loads enumerated",
        ),
        "closed form",
        "Not in the model: effects of a load, three or more causes, causes outside the list. The prior weights are a choice and stand "
        "beside the result. Of simulated studies with 6 factors (failing 80 %, else 5 %) fewer than 1 % accused an innocent factor, up to "
        "4 % missed a guilty one.",
    ),
    Method(
        CAUSE,
        "Cleared",
        "A factor that makes no difference above the margin.",
        "P(|effect| > margin | D) <= 0.05; 3 coupons a level, 2 of them without the likeliest cause, 4 of the level that the failed "
        "repair had; at most 0.05 at even odds for a level as a second cause: R / (1 + R), R the mean over levels of m(cause or level) "
        "/ m(cause), or that of the failed repair's own level where it is larger.",
        "An equivalence statement; the limits are choices, tried by simulation, no published source.",
        ("By hand on two factors",),
        "closed form",
        "It leans on one cause, or two. Where two causes were at work, each enough by itself, one of them was cleared in 0.3 % of 600 "
        "simulated studies when a cause was isolated (95 % limits 0.1 to 1.2), in none once it was confirmed. Where the study names no "
        "baseline that failed, 1.2 % of 1,000 cleared one. The price: at isolation two of five innocent factors are still undecided; the "
        "load that confirms clears all but 4 % of them (one guilty level) or 8 % (two).",
    ),
    Method(
        CAUSE,
        "Confirmed",
        "Whether coupons that were run after a cause was isolated agree, by themselves.",
        "A later load of at least 4 coupons with the cause and 4 without it: 2 more failures with it (of arms unlike in size: difference "
        "of shares times the smaller arm), and the cause still isolated by all coupons. Those without it are the failed repair with the "
        "accused variable changed, where it is named.",
        "The limits are choices, tried by simulation, no published source. Fisher's one-sided exact test, which needs no prior, stands by.",
        ("By hand", "scipy"),
        "exact",
        "A load of 4 and 4 seldom gives p below 0.05: 3 of 4 against none of 4 is p = 0.07. It is the second of two steps, no proof by "
        "itself.",
    ),
    Method(
        CAUSE,
        "Loads that differ",
        "Whether coupons that should fare alike fared differently from load to load.",
        "Cochran-Mantel-Haenszel test of load and failing among coupons with the same levels (told from p < 0.01), and among coupons on "
        "the same side of a likely cause (p < 0.001).",
        "N. Mantel, W. Haenszel, J. Natl. Cancer Inst. 22 (1959), 719-748; the limits are choices.",
        ("The test itself: printed examples",),
        "asymptotic",
        "Only loads that hold like coupons can be compared: a bad load that holds one level alone looks like that level. Of 200 "
        "simulated studies without such a difference 1 was told of one.",
    ),
    Method(
        CAUSE,
        "The next load",
        "Which combinations to run: those expected to tell the remaining causes apart best, within stock and changes of a load.",
        "I(x) = H(h) - E H(h | y), coupon by coupon given the unknown outcomes of those chosen before; 64 courses of the load are kept.",
        "D. V. Lindley, Ann. Math. Statist. 27 (1956), 986-1005 (from memory); K. Chaloner, I. Verdinelli, Statist. Sci. 10 (1995), "
        "273-304.",
        ("Two factors: best loads of 1 to 4 coupons among all", "Information of a load by enumeration"),
        "exact or simulated",
        "Greedy: a sound heuristic, no proven optimum. Simulated with 6 factors of 2 to 4 levels and loads of 12, the cause was isolated "
        "after 24 coupons (median) if one level was guilty, after 36 if two were or if failures were graded; if nothing was, 23 % of the "
        "studies came to no end in 60. Where exactly one level is guilty, and that is known, it does no better than a fixed two-level "
        "array of 16 coupons (isolated in 86 %); such an array misses two causes.",
    ),
)
