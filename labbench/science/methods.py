"""What is computed, when, by which formula, from which source, and what it was checked on: the content of a Methods page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Exactness = Literal["exact", "asymptotic", "simulated", "exact or simulated", "iterative", "closed form"]


@dataclass(frozen=True, slots=True)
class Method:
    """One method.

    Attributes
    ----------
    group : str
        The heading it stands under.
    name, used_for : str
    formula : str
        In plain characters; symbols explained.
    source : str
    checked_on : tuple of str
        Published examples whose values the tests reproduce (data and values stand with the tests), and what else.
    exactness : str
        "iterative" converges to rounding; its limits or p-values may still be asymptotic, the formula says so.
    caution : str or None
        What the reader must not take it for.
    """

    group: str
    name: str
    used_for: str
    formula: str
    source: str
    checked_on: tuple[str, ...]
    exactness: Exactness
    caution: str | None = None


SHARES, TABLES, ROUNDS = "Failure shares", "Association with failing", "Survival over the rounds"
STRENGTH, ADJUSTED, MARGIN, SEVERAL = "Strength", "All factors together", "No relevant difference", "Several tests"
CAUSE = "The cause, and the next coupons"

METHODS: tuple[Method, ...] = (
    Method(
        SHARES,
        "Clopper-Pearson limits",
        "The interval beside every failure share.",
        "low: P(X >= x | n, low) = alpha / 2; high: P(X <= x | n, high) = alpha / 2; X binomial, x failed of n.",
        "C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), 404-413.",
        ("81 of 263 and 0 of 20 in R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I",),
        "exact",
        "Never covers less than 95 %, usually more: 98 to 100 % for 3 to 12 coupons.",
    ),
    Method(
        SHARES,
        "Wilson limits",
        "A second interval, nearer to its nominal coverage on average.",
        "(x + z²/2) / (n + z²) ± z / (n + z²) sqrt(n p (1 - p) + z²/4), p = x / n, z the normal quantile.",
        "E. B. Wilson, J. Am. Stat. Assoc. 22 (1927), 209-212.",
        ("81 of 263 and 0 of 20 in R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I",),
        "asymptotic",
        "Outside 93 to 97 %: 86 % for 3 coupons that fail at 5 %, too rarely near 0 and 1; 97 to 99 % for 3 and 6 coupons otherwise. "
        "Clopper-Pearson limits stand beside it.",
    ),
    Method(
        SHARES,
        "Miettinen-Nurminen limits of a difference",
        "A level's failure share minus that of all other levels (forest plot).",
        "All differences d with |p1 - p2 - d| <= z sqrt(V(d) N / (N - 1)), V at the shares that are likeliest under d.",
        "O. Miettinen, M. Nurminen, Statistics in Medicine 4 (1985), 213-226.",
        (
            "56/70 - 48/80, 6/7 - 2/7, 5/56 - 0/29 in R. G. Newcombe, Statistics in Medicine 17 (1998), 873-890, table II",
            "83/88 - 69/76 (nephroblastoma)",
        ),
        "asymptotic",
        "Wider than it need be at few coupons: covers 98 to 100 % for 3 coupons a level, 95 % from 12 on unless almost none fail.",
    ),
    Method(
        SHARES,
        "Newcombe limits of a difference",
        "An alternative that is never degenerate.",
        "d - sqrt((p1 - l1)² + (u2 - p2)²) to d + sqrt((u1 - p1)² + (p2 - l2)²), l and u Wilson limits.",
        "R. G. Newcombe, Statistics in Medicine 17 (1998), 873-890, method 10.",
        ("The same three differences",),
        "asymptotic",
        "Covers 93 % for 6 coupons a level that fail at 30 %, 98 to 100 % for 3.",
    ),
    Method(
        SHARES,
        "Odds ratio, exact conditional limits",
        "Factors with two levels.",
        "Given the margins P(a) is proportional to C(n2, a) C(n1, F - a) psi^a; the estimate maximises it, the limits put "
        "alpha / 2 in each tail.",
        "J. Cornfield, Proc. 3rd Berkeley Symp. 4 (1956), 135-148; J. J. Gart, Biometrika 57 (1970), 471-475.",
        (
            "Tea tasting (Fisher 1935)",
            "Convicted twins (Fisher)",
            "University admissions and infection cream, over strata",
            "Exact logistic regression, drug data of Zamar, McNeney and Graham, J. Stat. Softw. 21(3), 2007",
        ),
        "exact",
    ),
    Method(
        TABLES,
        "Fisher-Freeman-Halton test",
        "Do the levels of a factor differ in failing? The confirmatory test of each factor.",
        "Sum of P(table) over the tables with the observed margins that are no more probable than the observed one; "
        "P = prod C(n_i, x_i) / C(N, F).",
        "G. H. Freeman, J. H. Halton, Biometrika 38 (1951), 141-149; C. R. Mehta, N. R. Patel, JASA 78 (1983), 427-434.",
        (
            "Tea tasting and convicted twins (Fisher)",
            "Arthritis treatment, 3 levels (Koch and Edwards 1988)",
            "Enumeration in whole numbers on random tables",
        ),
        "exact or simulated",
        "Simulated, with its standard error, where a table has too many neighbours to count.",
    ),
    Method(
        TABLES,
        "Boschloo's test",
        "Two levels: more powerful than Fisher's test.",
        "Largest probability, over the common share, of the tables whose two-sided Fisher p-value is at most the observed one.",
        "R. D. Boschloo, Statistica Neerlandica 24 (1970), 1-9.",
        ("Vaccine challenge, 7/15 against 12/15 (Mehta and Senchaudhuri 2003)", "scipy, equal arms"),
        "exact",
    ),
    Method(
        TABLES,
        "Cochran-Armitage trend test",
        "Numeric factors: does the failure share rise or fall?",
        "z = sum x_i (s_i - s_mean) / sqrt(p (1 - p) sum n_i (s_i - s_mean)²); two-sided, no continuity correction.",
        "P. Armitage, Biometrics 11 (1955), 375-386.",
        ("Smokers among lung-cancer patients (Fleiss 1981), two sets of scores",),
        "asymptotic",
        "6.8 % false alarms for two levels of 6 coupons that fail at 30 %; the exact version stands beside it.",
    ),
    Method(
        TABLES,
        "Exact trend test",
        "The same question at small numbers.",
        "Share of all ways to deal the failures to the coupons with |sum of scores of failed - expected| at least as large.",
        "A. Agresti, Categorical Data Analysis, 2nd ed. (2002), sec. 3.5.7.",
        ("Enumeration on random tables",),
        "exact or simulated",
    ),
    Method(
        TABLES,
        "Generalised Cochran-Mantel-Haenszel test",
        "The factor within strata of another factor, or of the block.",
        "U' V⁻ U; U sums x - n F / N over strata, V its hypergeometric covariance; chi-square. No continuity correction.",
        "J. R. Landis, E. R. Heyman, G. G. Koch, Int. Stat. Rev. 46 (1978), 237-254; N. Mantel, W. Haenszel (1959).",
        (
            "University admissions (Bickel et al. 1975)",
            "Infection cream, 8 centres (Beitler and Landis 1985)",
            "statsmodels on random data",
        ),
        "asymptotic",
        "4 to 6 % false alarms in two strata of 12 coupons a level, at most 5 % with fewer.",
    ),
    Method(
        TABLES,
        "Mantel-Haenszel odds ratio",
        "Two levels within strata.",
        "sum(a d / N) / sum(b c / N); limits from the Robins-Breslow-Greenland variance of its logarithm.",
        "J. Robins, N. Breslow, S. Greenland, Biometrics 42 (1986), 311-323.",
        ("University admissions", "Infection cream"),
        "asymptotic",
        "Covers 95 to 100 % in two strata of 3 to 12 coupons a level.",
    ),
    Method(
        TABLES,
        "Breslow-Day test with Tarone's correction",
        "Is the odds ratio the same in all strata?",
        "sum (a - E)² / V - (sum (a - E))² / sum V; E and V at the Mantel-Haenszel odds ratio.",
        "N. E. Breslow, N. E. Day (IARC 1980); R. E. Tarone, Biometrika 72 (1985), 91-95.",
        ("University admissions", "Infection cream"),
        "asymptotic",
        "Needs a fair number of coupons per stratum: up to 7 % false alarms in two strata of 3 to 12 coupons a level.",
    ),
    Method(
        ROUNDS,
        "Kaplan-Meier survival",
        "Share of coupons that still hold after each round.",
        "S = prod (1 - d / n); Greenwood variance S² sum d / (n (n - d)); limits S^exp(-/+ z se / (S |log S|)).",
        "E. L. Kaplan, P. Meier, JASA 53 (1958), 457-481; log-log limits: Kalbfleisch and Prentice (2002).",
        ("6-mercaptopurine arm (Freireich et al. 1963; Gehan 1965)", "statsmodels on random data"),
        "asymptotic",
        "No limits where none, or all, have failed. Covers 92 % for 3 coupons that fail at 30 %, 95 to 100 % otherwise.",
    ),
    Method(
        ROUNDS,
        "Turnbull's estimate",
        "Crack-outs found only after skipped inspections.",
        "Masses on the innermost intervals that maximise prod of the probability of each coupon's interval.",
        "B. W. Turnbull, J. R. Statist. Soc. B 38 (1976), 290-295; Y. Wang, J. R. Statist. Soc. B 69 (2007), 185-198.",
        ("Breast cosmesis, both arms (Finkelstein 1986)",),
        "iterative",
    ),
    Method(
        ROUNDS,
        "Log-rank test",
        "Do the levels differ over the rounds? Also stratified by block.",
        "U' V⁻ U of observed minus expected failures, hypergeometric variance; strata add up.",
        "N. Mantel (1966); Klein and Moeschberger, Survival Analysis, 2nd ed. (2003), sec. 7.3, 7.5.",
        ("6-mercaptopurine, plain and by matched pairs", "Glioma radio-immunotherapy (Grana et al. 2002)"),
        "asymptotic",
        "Up to 6 % false alarms, three levels of 3 to 12 coupons that mostly fail; the relabelled version stands beside it.",
    ),
    Method(
        ROUNDS,
        "Log-rank test by relabelling",
        "Where a level has fewer than 10 coupons.",
        "Share of relabellings with sum S_g² / n_g at least the observed one; S_g sums failed - cumulative hazard.",
        "T. Hothorn et al., Am. Statist. 60 (2006), 257-263.",
        ("Glioma radio-immunotherapy, grade III",),
        "exact or simulated",
        "Takes the chance of being censored as equal in all levels.",
    ),
    Method(
        ROUNDS,
        "Restricted mean rounds",
        "Mean number of rounds survived within the study.",
        "Area A under the Kaplan-Meier curve up to round T; se² = sum (area to the right)² d / (n (n - d)); limits symmetric in "
        "log(A / (T - A)), with a t quantile of n - 1 degrees of freedom.",
        "H. Uno et al., J. Clin. Oncol. 32 (2014), 2380-2385. The scale of the limits: no source, simulated.",
        ("Primary biliary cholangitis trial, both arms (mean and standard error)", "Simulated coverage"),
        "asymptotic",
        "Covers 95 to 100 % for 3 to 12 coupons; normal limits would cover 78 % for 3.",
    ),
    Method(
        ROUNDS,
        "Discrete-time hazard regression",
        "All factors, rounds and blocks together; predicted survival per level.",
        "log(-log(1 - p)) = round + block + factors, with Firth-type penalty; likelihood-ratio test per factor.",
        "R. L. Prentice, L. A. Gloeckler, Biometrics 34 (1978), 57-67; D. Firth, Biometrika 80 (1993), 27-38.",
        ("6-mercaptopurine in 5-week rounds (without penalty)", "statsmodels on random data (without penalty)"),
        "asymptotic",
        "Assumes proportional hazards; the score test beside it looks for a ratio that changes over the rounds. Up to 9 % false alarms "
        "and limits that cover 91 % for 3 coupons a level that mostly fail; 6 % and 94 % for 12.",
    ),
    Method(
        STRENGTH,
        "Two-parameter Weibull fit",
        "Weibull modulus m and characteristic strength s of the broken coupons.",
        "F(x) = 1 - exp(-(x / s)^m), maximum likelihood; limits conditional on the pattern of the strengths (exact); profile "
        "likelihood with censoring.",
        "J. F. Lawless (2003), sec. 5.2; the estimates of ASTM C1239 and ISO 20501.",
        (
            "Ball bearings (Lieblein and Zelen 1956)",
            "Glass fibre (Smith and Naylor 1987)",
            "20 units, 10 censored (NIST/SEMATECH e-Handbook 8.4.1.2)",
        ),
        "iterative",
        "The modulus from few coupons is too large; the unbiased one is given beside it (from 5 coupons on, none censored). Fracture away "
        "from the repair and the machine's limit count as censored; the profile limits then cover 93 to 98 %.",
    ),
    Method(
        STRENGTH,
        "Unbiasing factor",
        "Unbiased modulus = factor x modulus, complete samples.",
        "1 / E[m / true m]; depends on the number of coupons only; simulated, standard error at most 0.0003.",
        "Method: D. R. Thoman, L. J. Bain, C. E. Antle, Technometrics 11 (1969), 445-460.",
        ("Accurate simulation (the factors printed in 1969 are 0.002 to 0.004 larger)",),
        "simulated",
    ),
    Method(
        STRENGTH,
        "B10 and B1 strength with lower bound",
        "Strength that 90 % (99 %) of such repairs exceed.",
        "s (-log R)^(1/m); lower bound conditional on the pattern of the strengths: exact, with censoring exact where just the "
        "weakest broke.",
        "J. F. Lawless (2003), sec. 5.2.2.",
        ("Carbon fabric, B- and A-basis (reference program of the composites handbook CMH-17)",),
        "exact",
        "With 20 to 40 % of the stresses censored by a machine limit the bound holds in 96 to 99 %; the delta method's in 81 to 90 %.",
    ),
    Method(
        STRENGTH,
        "Percent of new glass",
        "Mean strength over that of pristine controls.",
        "r exp(-/+ t sqrt(s1² / (n1 m1²) + s2² / (n2 m2²))); t with Welch-Satterthwaite degrees of freedom.",
        "Delta method; F. E. Satterthwaite, Biometrics Bulletin 2 (1946). The combination: common practice, no source.",
        ("Simulated coverage",),
        "asymptotic",
        "Only coupons that lived to be broken; read the worst-rank test with it.",
    ),
    Method(
        STRENGTH,
        "Kruskal-Wallis test",
        "Do the levels differ in strength?",
        "12 / (N (N + 1)) sum n_g (mean rank - (N + 1) / 2)², corrected for ties; chi-square, or by relabelling.",
        "W. H. Kruskal, W. A. Wallis, JASA 47 (1952), 583-621.",
        ("Mucociliary efficiency (Hollander and Wolfe)", "Plant growth (Dobson 1983)", "Student's sleep data, exact"),
        "exact or simulated",
        "By chi-square 7 % false alarms at 3 coupons a level; by relabelling never above 5 %.",
    ),
    Method(
        STRENGTH,
        "Welch's one-way test",
        "Do the mean strengths differ, with unequal spreads?",
        "Welch's F with his denominator degrees of freedom.",
        "B. L. Welch, Biometrika 38 (1951), 330-336.",
        ("Plant growth", "Student's sleep data"),
        "asymptotic",
    ),
    Method(
        STRENGTH,
        "Worst-rank test",
        "Strength where some coupons cracked out before: they share the lowest rank.",
        "Kruskal-Wallis test on those ranks; chi-square, or by relabelling.",
        "J. M. Lachin, Controlled Clinical Trials 20 (1999), 408-422.",
        ("Constructed example, two programs",),
        "exact or simulated",
        "By chi-square up to 11 % false alarms at 3 coupons a level, most of them tied; by relabelling never above 5 %.",
    ),
    Method(
        STRENGTH,
        "Log-rank test of strength",
        "Do the levels differ, where some stresses are lower bounds (fracture away from the repair, machine limit)?",
        "Log-rank test with the stress in the place of the round; lower bounds as censored; also by relabelling.",
        "N. Mantel (1966); J. F. Lawless (2003), ch. 8.",
        ("statsmodels on random data",),
        "exact or simulated",
        "Its chi-square gives up to 10 % false alarms at 3 coupons a level; by relabelling never above 5 %.",
    ),
    Method(
        STRENGTH,
        "Games-Howell comparisons",
        "Which mean strengths differ.",
        "|difference| / se against the studentised range over sqrt 2, Welch degrees of freedom per pair.",
        "P. A. Games, J. F. Howell, J. Educ. Stat. 1 (1976), 113-125.",
        ("Pain thresholds (McClave and Dietrich)", "scipy on random data"),
        "asymptotic",
    ),
    Method(
        STRENGTH,
        "Dunn's comparisons",
        "Which levels differ in rank; Holm-adjusted.",
        "Difference of mean ranks over its standard error with the tie correction.",
        "O. J. Dunn, Technometrics 6 (1964), 241-252.",
        ("Pulse data (UCLA)", "Formula worked by hand", "scipy on random data (two levels)"),
        "asymptotic",
    ),
    Method(
        STRENGTH,
        "Jonckheere-Terpstra test",
        "Numeric factors: does strength rise or fall with the level?",
        "J counts the pairs in the order of the levels, ties half; exact where affordable, else z with ties.",
        "A. R. Jonckheere, Biometrika 41 (1954), 133-145; Hollander and Wolfe (1999), eq. 6.19.",
        ("Piecework and motivation (Hundal 1969)",),
        "exact",
    ),
    Method(
        STRENGTH,
        "Stress from load and geometry",
        "Three-point, four-point and ring-on-ring bending.",
        "3 F L / (2 b h²); 3 F (L - l) / (2 b h²); 3 F / (2 pi h²) [(1 - nu)(L² - l²) / (2 D²) + (1 + nu) log(L / l)].",
        "ASTM C1161; ASTM C1499, eq. 1 (both from memory).",
        ("Formulas worked by hand",),
        "closed form",
        "Laminated glass is taken as one solid plate: compare coupons of the same construction only.",
    ),
    Method(
        ADJUSTED,
        "Firth-penalised logistic regression",
        "Each factor given all others that can be told apart; finite where a level fails always or never.",
        "Maximum of log L + ½ log |X'WX|; likelihood-ratio test with the penalty of the whole design; profile limits.",
        "D. Firth, Biometrika 80 (1993), 27-38; G. Heinze, M. Schemper, Statistics in Medicine 21 (2002), 2409-2419.",
        ("Endometrial cancer grade, 79 patients", "Urinary tract infection, 239 women", "firthmodels on random data"),
        "asymptotic",
        "A factor that ran together with another one has no test: the reason names it. A limit may be missing where terms are many and "
        "coupons few. Limits cover 94 to 100 % for 3 to 12 coupons a level.",
    ),
    Method(
        MARGIN,
        "Two one-sided tests",
        "Evidence that shares or strengths differ by less than a margin; one of them alone: non-inferiority.",
        "Both z (t) tests against -margin and +margin; the interval of confidence 1 - 2 alpha lies within the margin. Strengths on "
        "their logarithms: a ratio between 1 - margin and 1 / (1 - margin).",
        "D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987), 657-680; Farrington and Manning (1990).",
        (
            "Plant growth, margin 1",
            "Nephroblastoma, 83/88 against 69/76, margin 0.10",
            "statsmodels on random data",
        ),
        "asymptotic",
        "Can hardly show anything at 3 to 6 coupons a level: shares that differ by just the margin pass as alike in at most 3 % of cases, "
        "as not worse in up to 6 %. Shares and strength have a margin each, set with the study.",
    ),
    Method(
        MARGIN,
        "Reliability demonstration",
        "What each level has shown, and how many coupons with at most k failures show a reliability R with confidence C.",
        "Smallest n with P(X <= k | n, 1 - R) <= 1 - C; without failures log(1 - C) / log(R), rounded up.",
        "Meeker, Hahn, Escobar, Statistical Intervals, 2nd ed. (2017); CMH-17-1G, table 8.5.12.",
        ("CMH-17-1G, table 8.5.12 (as reproduced in the tests of an open package)",),
        "exact",
    ),
    Method(
        SEVERAL,
        "Holm's adjustment",
        "The exact tests of all factors together; everything else is exploratory.",
        "Sorted p-values times m, m - 1, ...; running maximum, at most 1.",
        "S. Holm, Scand. J. Statist. 6 (1979), 65-70.",
        ("15 p-values of Benjamini and Hochberg (1995)", "statsmodels on random data"),
        "exact",
    ),
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
        "P(|effect| > margin | D) <= 0.05; 3 coupons a level, 2 of them without the likeliest cause; at most 0.05 at even odds for "
        "a level as a second cause: R / (1 + R), R the mean over levels of m(cause or level) / m(cause).",
        "An equivalence statement; the limits are choices, tried by simulation, no published source.",
        ("By hand on two factors",),
        "closed form",
        "It leans on one cause, or two. Where two causes were at work, each enough by itself, 1.2 % of the simulated studies cleared one "
        "of them: more than wanted (0.5 %). With one cause, or two needed together, at most 0.4 % did.",
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
