"""Binomial regression with a penalty on the information: finite estimates where a level fails always or never.

Maximises log L(b) + penalty · log |X'WX|; a penalty of ½ is Firth's (Jeffreys' prior), 0 plain maximum likelihood. W
holds the expected-information weights m (dp/dη)² / (p (1 - p)) of the link, h below the leverages of W½ X.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special
from scipy.linalg import lapack

from labbench.science.findings import Floats

LinkName = Literal["logit", "cloglog"]
DECREMENT = 1e-18
# Below, the curvature and the information differ too little to be worth their cost.
SMALL_LEVERAGE = 0.05
# Above, steps with the leverages held fixed only creep; the exact curvature takes rows² x terms operations, and far out
# it is not positive definite.
LARGE_LEVERAGE = 0.15
EXACT_SIZE = 4_000_000
MAX_STEPS = 500
# Largest change of a linear predictor in one step, and its largest size: beyond, shares are 0 or 1 to double precision.
LARGEST_MOVE = 5.0
LARGEST_PREDICTOR = 30.0
SURE_PREDICTOR = 8.0
PROFILE_DECREMENT = 1e-11
# Enough to tell whether a limit already found lies on the right hilltop.
CONFIRMING_DECREMENT = 1e-8
PROFILE_TOLERANCE = 1e-6
# A restricted fit that needs more has lost its way where the likelihood is all but flat.
PROFILE_STEPS = 40


@dataclass(frozen=True, slots=True)
class PenalisedFit:
    """A fit: coefficients (of the columns given), expected information, penalised log likelihood."""

    coefficients: Floats
    information: Floats
    log_likelihood: float
    has_converged: bool

    @property
    def standard_errors(self) -> Floats:
        """Square roots of the diagonal of the inverse expected information."""
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(self.information))))


@dataclass(frozen=True, slots=True)
class BinomialModel:
    """Grouped binomial data, a design of full column rank, a link and the penalty.

    Attributes
    ----------
    design : ndarray, shape (rows, terms)
    failed, coupons : ndarray, shape (rows,)
    link : {"logit", "cloglog"}
        log(p / (1 - p)), or log(-log(1 - p)).
    penalty : float
    """

    design: Floats
    failed: Floats
    coupons: Floats
    link: LinkName = "logit"
    penalty: float = 0.5

    def fit(
        self,
        *,
        free: NDArray[np.bool_] | None = None,
        start: Floats | None = None,
        decrement: float = DECREMENT,
        most_steps: int = MAX_STEPS,
    ) -> PenalisedFit:
        """Maximise over the free coefficients, the others stay at `start` (default 0).

        Ends when a step would gain less than `decrement` / 2 of log likelihood.

        The penalty is that of the whole design all the same: with the penalty of the smaller design a likelihood ratio
        could come out negative.

        References
        ----------
        D. Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993), 27-38. G. Heinze and M.
        Schemper, "A solution to the problem of separation in logistic regression", Statistics in Medicine 21 (2002),
        2409-2419.
        """
        terms = self.design.shape[1]
        b = np.zeros(terms) if start is None else start.astype(float).copy()
        moving = np.ones(terms, dtype=bool) if free is None else free
        point = self.at(b)
        if not np.isfinite(point.log_likelihood):
            return PenalisedFit(b, point.information, point.log_likelihood, False)
        for _ in range(most_steps):
            gradient = point.gradient[moving]
            direction = np.zeros_like(b)
            direction[moving] = _solve(point.curvature[np.ix_(moving, moving)], gradient)
            if float(gradient @ direction[moving]) < decrement:
                return PenalisedFit(b, point.information, point.log_likelihood, True)
            direction *= min(1.0, LARGEST_MOVE / max(float(np.abs(self.design @ direction).max()), LARGEST_MOVE))
            moved = _uphill(self.at, b, direction, point)
            if moved is None:
                break
            b, point = moved
        return PenalisedFit(b, point.information, point.log_likelihood, False)

    def at(self, b: Floats) -> Point:
        """Penalised log likelihood and its derivatives at some coefficients."""
        eta = np.clip(self.design @ b, -LARGEST_PREDICTOR, LARGEST_PREDICTOR)
        parts = _logit(eta) if self.link == "logit" else _cloglog(eta)
        weight = self.coupons * parts.weight
        weighted = self.design * np.sqrt(weight)[:, None]
        information = weighted.T @ weighted
        log_likelihood = float((self.failed * parts.log_p + (self.coupons - self.failed) * parts.log_q).sum())
        # Residual times (dp/dη) / (p (1 - p)).
        working = (self.failed - self.coupons * parts.p) * parts.ratio
        if self.penalty == 0:
            return Point(log_likelihood, self.design.T @ working, information, information)
        # By LAPACK itself: for small matrices numpy's wrapper takes longer than the work.
        factor, flaw = lapack.dpotrf(information, lower=1)
        if flaw:
            return Point(-np.inf, np.zeros_like(b), information, information)
        # Diagonal of W½ X (X'WX)⁻¹ X' W½, by a product with the small inverse: much faster than solving for every row.
        half: Floats = np.matmul(weighted, _inverse_of_lower(factor).T)
        leverage = np.einsum("ij,ij->i", half, half)
        gradient = self.design.T @ (working + self.penalty * leverage * parts.log_weight_slope)
        curvature = information
        if (largest := float(leverage.max())) > SMALL_LEVERAGE:
            curvature = information + 2 * self.penalty * (weighted * leverage[:, None]).T @ weighted
            is_near = float(np.abs(eta).max()) < LARGEST_PREDICTOR / 2
            if is_near and largest > LARGE_LEVERAGE and len(eta) ** 2 * len(b) <= EXACT_SIZE:
                curvature = self._exact_curvature(parts, half, leverage, curvature)
        log_likelihood += 2 * self.penalty * float(np.log(np.diag(factor)).sum())
        return Point(log_likelihood, gradient, information, curvature)

    def _exact_curvature(self, parts: _LinkParts, half: Floats, leverage: Floats, otherwise: Floats) -> Floats:
        """Minus the second derivatives of the penalised log likelihood, where they are positive definite.

        With A = X'WX, s the slope of log w and M = W½ X A⁻¹ X' W½: the second derivative of log |A| is X' diag(h w''/w) X
        - (sX)' (M∘M) (sX), as w''/w = s² + s'.
        """
        slope = parts.log_weight_slope
        of_likelihood = self.failed * parts.log_p_curvature + (self.coupons - self.failed) * parts.log_q_curvature
        diagonal = of_likelihood + self.penalty * leverage * (slope**2 + parts.log_weight_curvature)
        steep = self.design * slope[:, None]
        exact = (
            self.penalty * steep.T @ ((half @ half.T) ** 2 @ steep) - (self.design * diagonal[:, None]).T @ self.design
        )
        _, flaw = lapack.dpotrf(exact, lower=1)
        return otherwise if flaw else np.asarray(exact)


@dataclass(frozen=True, slots=True)
class Point:
    """Where a fit stands.

    `curvature` is X' W (1 + h) X, minus the derivative of the gradient at fixed leverages h (logit): with the
    information alone a coupon that has a term to itself (h = 1) makes the steps overshoot for ever. Where leverages are
    large it is the exact one: with the other the steps only creep towards the maximum.
    """

    log_likelihood: float
    gradient: Floats
    information: Floats
    curvature: Floats


@dataclass(frozen=True, slots=True)
class _LinkParts:
    p: Floats
    log_p: Floats
    log_q: Floats
    weight: Floats
    ratio: Floats
    log_weight_slope: Floats
    log_weight_curvature: Floats
    log_p_curvature: Floats
    log_q_curvature: Floats


def _logit(eta: Floats) -> _LinkParts:
    p, q = special.expit(eta), special.expit(-eta)
    weight = p * q
    log_p, log_q, one = special.log_expit(eta), special.log_expit(-eta), np.ones_like(eta)
    return _LinkParts(p, log_p, log_q, weight, one, 1 - 2 * p, -2 * weight, -weight, -weight)


def _cloglog(eta: Floats) -> _LinkParts:
    hazard = np.exp(eta)
    p = -np.expm1(-hazard)
    # dp/dη = e^η (1 - p); over p (1 - p) that is e^η / p.
    ratio = hazard / p
    q = np.exp(-hazard)
    # The slope of log p, and of that.
    slope = ratio * q
    bend = slope * (1 - hazard - slope)
    return _LinkParts(p, np.log(p), -hazard, hazard * slope, ratio, 2 - hazard - slope, -hazard - bend, bend, -hazard)


def _inverse_of_lower(factor: NDArray[np.floating]) -> Floats:
    """Inverse of a lower triangular matrix without a zero on its diagonal."""
    inverse, _ = lapack.dtrtri(factor, lower=1)
    return np.asarray(inverse, dtype=np.float64)


def _solve(matrix: Floats, right: Floats) -> Floats:
    _, _, solution, flaw = lapack.dgesv(matrix, right)
    if flaw:
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=None)[0])
    return np.asarray(solution).reshape(right.shape)


def _uphill(
    point_at: Callable[[Floats], Point], b: Floats, direction: Floats, point: Point
) -> tuple[Floats, Point] | None:
    """The first of ever shorter steps that does not go down (but for rounding)."""
    slack = 1e-13 * max(1.0, abs(point.log_likelihood))
    for halvings in range(30):
        moved = b + direction / 2**halvings
        new = point_at(moved)
        if new.log_likelihood >= point.log_likelihood - slack:
            return moved, new
    return None


def profile_limits(
    model: BinomialModel, fit: PenalisedFit, term: int, *, confidence: float = 0.95
) -> tuple[float | None, float | None]:
    """Profile limits of one coefficient: where twice the drop of the profile log likelihood is the chi-square quantile.

    Found by solving for the limit and the other coefficients at once; a plain fit at the limit then confirms it, and a search
    with such fits takes over where it does not (with the complementary log-log link the likelihood may have several
    hilltops). None where the search does not settle.

    References
    ----------
    D. J. Venzon and S. H. Moolgavkar, "A method for computing profile-likelihood-based confidence intervals", Applied
    Statistics 37 (1988), 87-94.
    """
    target = fit.log_likelihood - float(special.chdtri(1, 1 - confidence)) / 2
    return _checked_limit(model, fit, term, target, -1.0), _checked_limit(model, fit, term, target, 1.0)


def _checked_limit(model: BinomialModel, fit: PenalisedFit, term: int, target: float, side: float) -> float | None:
    free = np.arange(len(fit.coefficients)) != term

    nearest, estimate = fit.coefficients, float(fit.coefficients[term])
    # What has been found stands, whichever hilltop a later search would come to.
    known = {estimate: fit.log_likelihood - target}

    def above(at: float, *, decrement: float = PROFILE_DECREMENT) -> float:
        """Profile log likelihood minus the target; starts where the last such fit ended, as that is near."""
        nonlocal nearest
        if at in known:
            return known[at]
        start = np.where(free, nearest, at)
        restricted = model.fit(free=free, start=start, decrement=decrement, most_steps=PROFILE_STEPS)
        if not restricted.has_converged:
            raise _NoProfileError
        nearest = restricted.coefficients
        known[at] = restricted.log_likelihood - target
        return known[at]

    try:
        found = _profile_limit(model, fit, term, target, side)
        if found is not None:
            limit = float(found[term])
            # With the logit link and shares well within 0 and 1 there is one hilltop only.
            is_sure = model.link == "logit" and float(np.abs(model.design @ found).max()) < SURE_PREDICTOR
            if is_sure or abs(above(limit, decrement=CONFIRMING_DECREMENT)) < PROFILE_TOLERANCE:
                return limit
        step = side * float(fit.standard_errors[term])
        end = estimate + step
        nearest, inside = fit.coefficients, estimate
        # Further out the shares are 0 and 1 to double precision: as good as no limit.
        reach = LARGEST_PREDICTOR / float(np.abs(model.design[:, term]).max())
        while abs(end - estimate) < reach:
            if above(end) < 0:
                return float(optimize.brentq(above, inside, end, xtol=1e-8))
            step *= 2
            inside, end = end, estimate + step
    except _NoProfileError:
        pass
    return None


class _NoProfileError(Exception):
    """A fit at a fixed coefficient did not converge."""


def _profile_limit(model: BinomialModel, fit: PenalisedFit, term: int, target: float, side: float) -> Floats | None:
    """All coefficients at the limit; None where it is not reached."""
    b = fit.coefficients.copy()
    unit = np.zeros_like(b)
    unit[term] = 1.0
    others = unit == 0
    point = model.at(b)
    for _ in range(PROFILE_STEPS):
        steps = _solve(point.curvature, np.column_stack([point.gradient, unit]))
        room = 2 * (point.log_likelihood - target) + float(point.gradient @ steps[:, 0])
        slope = float(steps[term, 1])
        # Below the target by more than the quadratic can mend: only climb back.
        pull = side * np.sqrt(room / slope) if room > 0 and slope > 0 else 0.0
        direction = steps[:, 0] + pull * steps[:, 1]
        # Gradient per standard deviation: an error e of the other coefficients changes the profile by e² only.
        slant = np.abs(point.gradient[others]) / np.sqrt(np.diag(point.curvature)[others])
        if abs(point.log_likelihood - target) < 1e-9 and float(slant.max(initial=0.0)) < 1e-5:
            return b
        direction *= min(1.0, LARGEST_MOVE / max(float(np.abs(model.design @ direction).max()), LARGEST_MOVE))
        # Far out the curvature changes quickly: keep within a fair drop of the target.
        for halvings in range(20):
            new = model.at(b + direction / 2**halvings)
            if new.log_likelihood > target - 5:
                break
        b, point = b + direction / 2**halvings, new
    return None
