"""Whether a second cause could hide behind the likeliest one: asked of the coupons alone, without the prior.

The prior of "two causes at once" is shared over many pairs of levels, so a few coupons seem to rule such a pair out that
the coupons themselves hardly speak against. Before a factor is cleared each of its levels is therefore weighed against
the likeliest cause with even odds: E exposed coupons of the cause, U others, of which the level has some,

    R = mean over levels of  m(cause or level | D) / m(cause | D),        P(second cause) = R / (1 + R),

with the beta-binomial evidence m of `evidence`. A coupon with the cause says nothing about a second one; a level that
never ran without it has a ratio near 1.

Where the repair that failed is known, whatever else made it fail is one of its own levels. That level of a factor is then
weighed by itself too, and the larger of the two probabilities counts: the ratio of one suspect is not thinned out by levels
that nobody suspects.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from labbench.science.confirmation import accused_side
from labbench.science.evidence import EXPOSED, UNEXPOSED, ModelForm, Posterior, Runs
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE_ANY, Integers


def second_cause_chances(
    found: Posterior, row: int, data: Runs, *, baseline: Integers | None = None
) -> tuple[float, ...]:
    """Probability per factor, at even odds, that one of its levels is a cause beside the likeliest one.

    Parameters
    ----------
    found : Posterior
    row : int
        Likeliest hypothesis of the likeliest cause.
    data : Runs
        The coupons that ran.
    baseline : ndarray of int, shape (factors,), optional
        Level of the repair that failed, -1 where none is named.

    Returns
    -------
    tuple of float
        0 for the factors of the cause itself, and for all where "none" is the likeliest: what single levels do is then
        no second cause and has its own prior.
    """
    hypotheses = found.hypotheses
    if hypotheses.kinds[row] <= NONE_ANY or not len(data):
        return (0.0,) * len(hypotheses.suspects)
    exposed = accused_side(found, row, data.codes)
    with_cause = data.failures[exposed].sum(), data.survivals[exposed].sum()
    without = data.failures[~exposed].sum(), data.survivals[~exposed].sum()
    alone = _log_evidence(
        np.array([with_cause[0]]),
        np.array([with_cause[1]]),
        np.array([without[0]]),
        np.array([without[1]]),
        found.form,
    )
    chances = []
    for factor, suspect in enumerate(hypotheses.suspects):
        if hypotheses.uses(factor)[row]:
            chances.append(0.0)
            continue
        codes, levels = data.codes[~exposed, factor], len(suspect.levels)
        failed = np.bincount(codes, weights=data.failures[~exposed], minlength=levels)
        held = np.bincount(codes, weights=data.survivals[~exposed], minlength=levels)
        together = _log_evidence(
            with_cause[0] + failed, with_cause[1] + held, without[0] - failed, without[1] - held, found.form
        )
        log_ratios = together - alone[0]
        worst = special.logsumexp(log_ratios) - np.log(levels)
        if baseline is not None and baseline[factor] >= 0:
            worst = max(worst, log_ratios[baseline[factor]])
        chances.append(float(special.expit(worst)))
    return tuple(chances)


def _log_evidence(failed: Floats, held: Floats, others_failed: Floats, others_held: Floats, form: ModelForm) -> Floats:
    (a, b), (c, d) = EXPOSED[form], UNEXPOSED[form]
    return np.asarray(
        special.betaln(a + failed, b + held)
        - special.betaln(a, b)
        + special.betaln(c + others_failed, d + others_held)
        - special.betaln(c, d)
    )
