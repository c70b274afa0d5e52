"""Does the failure share rise or fall with a numeric factor?"""

from __future__ import annotations

import numpy as np

from labbench.science.findings import Counts, Finding, Floats, normal_two_sided, not_computed


def cochran_armitage(failed: Counts, coupons: Counts, scores: Floats) -> Finding:
    """Cochran-Armitage test for a linear trend, two-sided, without continuity correction.

    z = sum x_i (s_i - s̄) / sqrt(p (1 - p) sum n_i (s_i - s̄)²), p the pooled share, s̄ the mean score over the
    coupons. `statistic` is z: positive where more coupons fail at higher scores.

    References
    ----------
    P. Armitage, "Tests for linear trends in proportions and frequencies", Biometrics 11 (1955), 375-386.
    """
    method = "Cochran-Armitage trend test, two-sided, no continuity correction"
    x, n, s = np.asarray(failed, dtype=float), np.asarray(coupons, dtype=float), np.asarray(scores, dtype=float)
    total = n.sum()
    if (n > 0).sum() < 2:
        return not_computed(method, "fewer than two levels have coupons", n_used=int(total))
    if not np.isfinite(s).all():
        return not_computed(method, "a level is not a finite number", n_used=int(total))
    share = x.sum() / total
    if share in (0.0, 1.0):
        return not_computed(method, f"{'no' if share == 0 else 'every'} coupon failed", n_used=int(total))
    # Scores are scaled first: a huge or tiny unit must not cost digits.
    s = s / max(float(np.abs(s).max()), 1e-300)
    centred = s - (n * s).sum() / total
    centred = centred / np.abs(centred).max()
    z = float((x * centred).sum() / np.sqrt(share * (1 - share) * (n * centred**2).sum()))
    return Finding(method, normal_two_sided(z), statistic=z, df=1, n_used=int(total))
