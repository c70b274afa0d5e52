"""What the Methods page says of the chambers: heat in a coupon, soaks in a trace, plans of loads."""

from __future__ import annotations

from labbench.science.method_entry import Method

CHAMBERS = "Freezers and ovens"

CHAMBER_METHODS: tuple[Method, ...] = (
    Method(
        CHAMBERS,
        "Heat in a laminated coupon",
        "When the glass reaches its band after the air has changed; how uneven it is on the way.",
        "rho c dT/dt = d/dx (k dT/dx) through glass, interlayer, glass; k dT/dx = h (T_air - T) at both faces. 45 finite volumes; implicit "
        "two-stage Runge-Kutta scheme of second order, L-stable.",
        "F. P. Incropera, D. P. DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory); R. Alexander, SIAM J. Numer. Anal. 14 "
        "(1977), 1006-1021, theorem 5; glass: EN 572-1.",
        (
            "Series of the plane wall, Biot numbers of the printed table",
            "Incropera and DeWitt, example 5.4",
            "Exact expansion of a laminate",
            "Halved cells and steps",
        ),
        "iterative",
        "One-dimensional: no edges, no frost, no contact resistance. h of a chamber is rarely known, so that times are given "
        "for a range of it and of the heat capacity. It tells when to look; a sensor on the glass proves the soak.",
    ),
    Method(
        CHAMBERS,
        "Stress of uneven temperature",
        "The highest tension that a step of the air makes in the glass of a coupon.",
        "sigma = E alpha / (1 - nu) (T_mean - T), free plate, each pane's own mean.",
        "W. D. Kingery, J. Am. Ceram. Soc. 38 (1955), 3-15; glass: EN 572-1.",
        ("Exact largest surface stress of a pane for several Biot numbers",),
        "iterative",
        "Without the break, the edges and what is left from making the glass: an order of size, no limit that is safe.",
    ),
    Method(
        CHAMBERS,
        "A chamber's heat transfer, fitted",
        "h from the air and one sensor on glass; then when glass without a sensor got there.",
        "Least squares of the conduction model over h between 2 and 250 W/(m² K); log h ± t s, with as many degrees of freedom as "
        "effective readings less two.",
        "D. M. Bates, D. G. Watts, Nonlinear Regression Analysis (1988), sec. 2.3; G. V. Bayley, J. M. Hammersley, J. R. Stat. Soc. Suppl. "
        "8 (1946), 184-197 (both from memory); range of h: Incropera and DeWitt, table 1.1 (from memory).",
        ("Invented traces of known h: found within its limits", "How often the limits hold the truth, simulated"),
        "iterative",
        "It holds for that place, load and fan only; a trace without enough change gives none.",
    ),
    Method(
        CHAMBERS,
        "Soaks in a temperature trace",
        "Whether each step of each round was reached and for how long, with no start times given.",
        "A soak: the longest time in which all coupons' channels stay inside target ± tolerance; one odd reading does not end "
        "it, a gap of five intervals does. Steps are laid onto the stretches of the air in order at least cost (dynamic programming).",
        "Own rules, from common practice without a published source: soaks are counted from the glass, not from the door.",
        ("Invented traces whose truth is known, with noise, spikes, gaps and steps gone wrong",),
        "exact",
        "Without a sensor on glass the air stands in: the glass was inside for less. Where a sensor was silent the soak is not known.",
    ),
    Method(
        CHAMBERS,
        "Plans of the chambers",
        "Which load goes into which chamber when: least lateness, then fewest moved bookings, earliest end, least total time.",
        "Intervals with cumulative places per chamber, starts and ends in staffed minutes, soaks and transfers within their limits; the "
        "measures one after another, each fixed before the next. A first plan by dynamic programming load by load.",
        "Constraint solver CP-SAT of OR-Tools; cumulative constraint: A. Aggoun, N. Beldiceanu, Math. Comput. Modelling 17 (1993), 57-73 "
        "(from memory).",
        ("All plans of tiny labs", "A checker of the rules that shares no code, on random labs"),
        "iterative",
        "Proved only where the plan says so, with the bound beside it; what a search of some seconds found may be improved.",
    ),
    Method(
        CHAMBERS,
        "The earliest end that no plan can beat",
        "How far a plan may be from the best.",
        "Loads counted instead of placed: how many soaks c places can take between staffed minutes; relaxations as integer and linear "
        "programs. A chamber of c places is c places of one coupon each (interval graphs are perfect).",
        "M. C. Golumbic, Algorithmic Graph Theory and Perfect Graphs (1980), ch. 8 (from memory).",
        ("All plans of tiny labs", "Never above a plan that was found, on random labs"),
        "exact",
    ),
)
