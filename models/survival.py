"""Lives that are censored: Weibull regression, Kaplan-Meier, competing ends, and when to change at least cost.

A life is any amount above nought (area, cuts, hours); where its end was not seen it says "at least" (right-censored).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOST_STEPS: Final = 100
LEAST_ENDS: Final = 3
FLAT: Final = 0.05
"""What costs so little more than the least is as good: a band, not a point."""
GRID: Final = 400
FINER: Final = 8


class Weibull(NamedTuple):
    """A Weibull regression: log life = design @ ``location`` + ``spread`` × (smallest extreme value).

    ``covariance`` is that of (location..., log spread), by the curvature at the maximum.
    """

    location: Floats
    spread: float
    covariance: Floats
    log_likelihood: float
    lives: int
    ends: int

    @property
    def shape(self) -> float:
        """β: above 1 the hazard grows with age."""
        return 1 / self.spread

    @property
    def scale(self) -> float:
        """η of a fit without covariates: 63 % have ended by then."""
        return float(np.exp(self.location[0]))

    def quantile(self, share: float) -> float:
        """The life by which a share has ended, of a fit without covariates."""
        return float(self.scale * (-np.log1p(-share)) ** self.spread)

    def survival(self, life: ArrayLike) -> Floats:
        """The share that lasts longer, of a fit without covariates."""
        return np.asarray(np.exp(-((np.asarray(life, float) / self.scale) ** self.shape)))


def weibull(lives: ArrayLike, ended: ArrayLike, design: ArrayLike | None = None) -> Weibull:
    """Fit by maximum likelihood. ``ended`` (n,) is False where a life only says "at least"; ``design`` is (n, k).

    Raises ``ValueError`` on lives that are not above nought, and where fewer than three have ended.
    """
    t, d = np.asarray(lives, float), np.asarray(ended, bool).astype(float)
    x = np.ones((len(t), 1)) if design is None else np.asarray(design, float)
    if t.shape != d.shape or x.shape[:1] != t.shape:
        raise ValueError(f"lives {t.shape}, ended {d.shape}, design {x.shape}: expected (n,), (n,), (n, k)")
    if not (np.isfinite(t).all() and (t > 0).all()):
        raise ValueError("lives must be finite and above nought")
    if d.sum() < LEAST_ENDS:
        raise ValueError(f"{d.sum():.0f} of {len(t)} lives have ended; expected {LEAST_ENDS} or more")
    y, k = np.log(t), x.shape[1]
    values = np.append(np.linalg.lstsq(x, y, rcond=None)[0], np.log(max(float(np.std(y)), 0.05)))
    best = _log_likelihood(values, x, y, d)
    for _ in range(MOST_STEPS):
        gradient, hessian = _slopes(values, x, y, d)
        # held away from singular where far from the maximum
        step = np.linalg.solve(-hessian + 1e-12 * np.eye(k + 1), gradient)
        if gradient @ step < 0:
            step = gradient / np.abs(np.diag(hessian)).max()
        length = 1.0
        while length > 1e-10:
            found = _log_likelihood(values + length * step, x, y, d)
            if found >= best:
                values, best = values + length * step, found
                break
            length /= 2
        if np.max(np.abs(length * step)) < 1e-11:
            break
    covariance = np.asarray(np.linalg.inv(-_slopes(values, x, y, d)[1]), float)
    return Weibull(values[:k], float(np.exp(values[k])), covariance, best, len(t), int(d.sum()))


def _log_likelihood(values: Floats, x: Floats, y: Floats, d: Floats) -> float:
    z = np.minimum((y - x @ values[:-1]) / np.exp(values[-1]), 500.0)
    return float(np.sum(d * (z - values[-1] - y) - np.exp(z)))


def _slopes(values: Floats, x: Floats, y: Floats, d: Floats) -> tuple[Floats, Floats]:
    """Gradient and Hessian of the log likelihood by location and log spread."""
    spread = np.exp(values[-1])
    z = np.minimum((y - x @ values[:-1]) / spread, 500.0)
    e = np.exp(z)
    gradient = np.append(x.T @ (e - d) / spread, np.sum(z * (e - d) - d))
    by_both = -x.T @ ((e - d) + z * e) / spread
    hessian = np.zeros((len(values), len(values)))
    hessian[:-1, :-1] = -(x * e[:, None]).T @ x / spread**2
    hessian[:-1, -1] = hessian[-1, :-1] = by_both
    hessian[-1, -1] = -np.sum(z**2 * e + z * (e - d))
    return gradient, hessian


class Step(NamedTuple):
    """After a life that ended: the share that lasts longer, its error (Greenwood), how many were at risk before."""

    life: float
    survival: float
    error: float
    at_risk: int


def kaplan_meier(lives: ArrayLike, ended: ArrayLike) -> list[Step]:
    """The product-limit estimate, a step for each life at which any ended (Kaplan & Meier 1958).

    A life censored at the instant of an end was at risk.
    """
    t, d = np.asarray(lives, float), np.asarray(ended, bool)
    found: list[Step] = []
    survival, sums = 1.0, 0.0
    for life in np.unique(t[d]):
        at_risk, ends = int(np.sum(t >= life)), int(np.sum((t == life) & d))
        survival *= 1 - ends / at_risk
        sums += ends / (at_risk * (at_risk - ends)) if at_risk > ends else 0.0
        found.append(Step(float(life), survival, survival * sums**0.5, at_risk))
    return found


def median_life(steps: Sequence[Step]) -> float | None:
    """The first life by which half have ended; None where fewer have."""
    return next((step.life for step in steps if step.survival <= 0.5 + 1e-12), None)


def incidence(lives: ArrayLike, causes: Sequence[str | None]) -> dict[str, float]:
    """The share that has ended by each cause at the longest life (Aalen & Johansen 1978); None is censored.

    Ends by one cause keep a life from the others: 1 - Kaplan-Meier of each alone would claim too much.
    """
    t = np.asarray(lives, float)
    survival, found = 1.0, dict.fromkeys(sorted({cause for cause in causes if cause is not None}), 0.0)
    for life in np.unique(t[[cause is not None for cause in causes]]):
        at_risk = int(np.sum(t >= life))
        here = [cause for cause, end in zip(causes, t, strict=True) if end == life and cause is not None]
        for cause in here:
            found[cause] += survival / at_risk
        survival *= 1 - len(here) / at_risk
    return found


class Cause(NamedTuple):
    """A way for a blade to end unplanned: a Weibull hazard, and what such an end costs."""

    shape: float
    scale: float
    cost: float


class Optimum(NamedTuple):
    """The age at which a planned change costs least over the long run; ``flat`` is the band that costs hardly more.

    ``ages`` and ``rates`` draw the curve; ``run_out`` is the cost rate of never changing by plan. ``age`` is None where
    waiting always pays: hazards that do not grow.
    """

    age: float | None
    rate: float
    flat: tuple[float, float] | None
    run_out: float
    ages: Floats
    rates: Floats


def age_replacement(planned: float, causes: Sequence[Cause]) -> Optimum:
    """Minimise C(T) = [planned·R(T) + Σ cost_k·F_k(T)] / ∫₀ᵀ R (age replacement; Barlow & Proschan 1965).

    R is the share that lasts to T against all causes at once, F_k the share that ended by cause k before.
    """
    from scipy.optimize import brentq, minimize_scalar

    longest = 4 * min(cause.scale for cause in causes)
    ages, rates = curve(planned, causes)
    place = int(np.argmin(rates))
    run_out = _rate(8 * longest, planned, causes)
    if place == GRID - 1 or rates[place] >= run_out * (1 - 1e-6):
        return Optimum(None, run_out, None, run_out, ages, rates)
    low, high = float(ages[max(place - 1, 0)]), float(ages[place + 1])
    found = minimize_scalar(
        _rate, bounds=(low if place else low / GRID, high), args=(planned, causes), method="bounded",
        options={"xatol": longest * 1e-9},
    )  # fmt: skip
    age, rate = float(found.x), float(found.fun)

    def over(life: float) -> float:
        return _rate(life, planned, causes) - (1 + FLAT) * rate

    start = age / 1000
    begin = float(brentq(over, start, age)) if over(start) > 0 else start
    end = float(brentq(over, age, 8 * longest)) if over(8 * longest) > 0 else float("inf")
    return Optimum(age, rate, (begin, end), run_out, ages, rates)


def curve(planned: float, causes: Sequence[Cause]) -> tuple[Floats, Floats]:
    """Ages up to four times the shortest scale, and the cost rates of changing there, by the trapezoid rule."""
    longest = 4 * min(cause.scale for cause in causes)
    fine = longest * np.arange(GRID * FINER + 1) / (GRID * FINER)
    shares = [np.exp(-((fine / cause.scale) ** cause.shape)) for cause in causes]
    lasting = np.prod(shares, axis=0)
    spent = planned * lasting
    for number, cause in enumerate(causes):
        others = np.prod([share for k, share in enumerate(shares) if k != number], axis=0) * np.ones_like(fine)
        ended = -np.diff(shares[number]) * (others[1:] + others[:-1]) / 2
        spent[1:] += cause.cost * np.cumsum(ended)
    total = np.cumsum((lasting[1:] + lasting[:-1]) / 2) * fine[1]
    return fine[FINER::FINER], spent[FINER::FINER] / total[FINER - 1 :: FINER]


def best_age(planned: float, causes: Sequence[Cause]) -> float | None:
    """The age of least cost to one part in ``GRID``; None where waiting always pays."""
    ages, rates = curve(planned, causes)
    place = int(np.argmin(rates))
    return None if place == len(ages) - 1 else float(ages[place])


def _rate(age: float, planned: float, causes: Sequence[Cause]) -> float:
    from scipy.integrate import quad

    def lasting(life: float) -> float:
        return float(np.exp(-sum((life / cause.scale) ** cause.shape for cause in causes)))

    knots = [cause.scale for cause in causes if 0 < cause.scale < age]
    total = quad(lasting, 0, age, points=knots or None, limit=200, epsabs=0, epsrel=1e-10)[0]
    if len(causes) == 1:
        ended = [1 - lasting(age)]
    else:
        ended = [
            quad(
                lambda life, c=cause: c.shape / c.scale * (life / c.scale) ** (c.shape - 1) * lasting(life), 0, age,
                points=knots or None, limit=200,
            )[0]
            for cause in causes
        ]  # fmt: skip
    spent = planned * lasting(age) + sum(cause.cost * share for cause, share in zip(causes, ended, strict=True))
    return float(spent / total)


class Compared(NamedTuple):
    """Two groups of lives: how many times as long the second lasts, with its 90 % interval, and how many ended."""

    ratio: float
    low: float
    high: float
    ends: tuple[int, int]

    @property
    def decided(self) -> bool:
        """Whether the whole interval lies on one side of one."""
        return self.low > 1 or self.high < 1


def compare(lives: ArrayLike, ended: ArrayLike, second: ArrayLike) -> Compared:
    """Compare two groups by a Weibull regression with one shape; ``second`` (n,) marks the second group.

    The interval is Student's t with the ends less the three parameters, for few ends. Raises ``ValueError`` where a
    group has fewer than three ends.
    """
    from scipy.stats import t as student

    d, group = np.asarray(ended, bool), np.asarray(second, bool)
    ends = int(np.sum(d & ~group)), int(np.sum(d & group))
    if min(ends) < LEAST_ENDS:
        raise ValueError(f"{ends[0]} and {ends[1]} lives have ended; expected {LEAST_ENDS} or more in each group")
    fit = weibull(lives, ended, np.column_stack([np.ones(len(d)), group.astype(float)]))
    reach = float(student.ppf(0.95, sum(ends) - 3)) * float(fit.covariance[1, 1]) ** 0.5
    middle = float(fit.location[1])
    return Compared(float(np.exp(middle)), float(np.exp(middle - reach)), float(np.exp(middle + reach)), ends)
