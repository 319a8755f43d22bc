"""Wear by cumulative area per alloy, learnt from ended grind cycles.

The model of cycle i with areas a_ij [m²] and wear w_i at its end::

    w_i = c_i · Σ_j r_j · a_ij,      log c_i ~ N(0, σ²),      r_j ≥ 0

r_j is wear per area of alloy j; c_i is what makes one cycle of a blade type differ from the next (grind, edge,
lot). The unit of replication is the cycle. Errors are taken in logs, because cycles end when wear meets a limit:
an additive regression of wear on area is bent by that rule, its errors being tied to the areas.

Rates are found by non-negative least squares (scikit-learn), repeated on the linearised log model, and drawn
towards r̄·ρ_j, one pooled rate times the stated ratio of the alloy. Fewer than ``MIN_ALLOY_CYCLES`` cycles give
the pooled rate alone. A cycle that was merely removed tells an upper bound of its wear: its expected log wear
given the bound enters (expectation maximisation for a censored normal). σ is drawn towards 0.3, the spread of
tool life in controlled tests (high-speed-steel tools, ASME J. Eng. Ind. 93(4) p. 1044, abstract).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import exp, log, sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.regression import least_squares

Floats = NDArray[np.float64]

MIN_CYCLES: Final = 3
MIN_ALLOY_CYCLES: Final = 9
MIN_LOAD_CYCLES: Final = 3
PRIOR_SPREAD: Final = 0.30
PRIOR_CYCLES: Final = 4.0
RATIO_SPREAD: Final = 0.5
UNSEEN_SPREAD: Final = 0.7
LOAD_SPREAD: Final = 0.25
DRAWS: Final = 200
LEAST_SPAN: Final = 0.1
CURVE_SPREAD: Final = 0.5
"""How far edge force may bend away from a straight line in wear, early in life; nothing of it is left at the limit,
where the scale was learnt."""
BENCH_SPREAD: Final = 0.07
"""Error of a bench reading with what wear along the cycle is not even."""
READING_SPREAD: Final = 0.03
"""Error of the bench reading alone."""
UNKNOWN: Final = "unknown"


@dataclass(frozen=True, slots=True)
class LoadReading:
    """An edge index with where it was read and where its baseline lay, as shares of what the cycle has cut."""

    excess: float
    error: float
    at_share: float
    sharp_share: float

    def wear(self, per_wear: float) -> float | None:
        """The wear now that explains the reading, or None where the two places lie too close.

        With wear growing along the cycle, 1 + excess = (1 + κ·w·at)/(1 + κ·w·sharp).
        """
        span = self.at_share - self.sharp_share - self.excess * self.sharp_share
        return self.excess / (per_wear * span) if span > LEAST_SPAN else None


@dataclass(frozen=True, slots=True)
class End:
    """An ended cycle: areas by alloy [m²] and wear at the end, in the scale the fit is made for.

    ``censored``: the wear was at most this. ``load``: the edge index at the end, where known.
    """

    areas_m2: Mapping[str, float]
    wear: float
    censored: bool = False
    load: LoadReading | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """What the edge index means in wear: index - 1 = κ · wear, log κ with spread ``spread``."""

    per_wear: float
    spread: float
    cycles: int


@dataclass(frozen=True, slots=True)
class WearFit:
    """A fitted wear model; rates per m², in the order of ``alloys``.

    ``factors`` are the quantiles of a cycle's standardised log factor at (i + ½)/200.
    """

    alloys: tuple[str, ...]
    rates: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    at_bound: tuple[bool, ...]
    base_rate: float
    sigma: float
    free: float
    cycles: int
    censored: int
    factors: tuple[float, ...]
    ratios: Mapping[str, float] = field(default_factory=dict)
    load: Load | None = None
    version: int = 1

    def rate(self, alloy: str) -> float:
        """Wear per m² of an alloy; one that no cycle has seen takes the pooled rate and its stated ratio."""
        if alloy in self.alloys:
            return self.rates[self.alloys.index(alloy)]
        return self.base_rate * self.ratios.get(alloy, 1.0)

    def expected(self, areas_m2: Mapping[str, float]) -> tuple[float, float]:
        """Wear that areas bring at factor one, and its relative variance from the rates' errors."""
        known = np.array([areas_m2.get(alloy, 0.0) for alloy in self.alloys])
        wear = float(known @ np.array(self.rates))
        variance = float(known @ np.array(self.covariance) @ known) if self.alloys else 0.0
        for alloy, area_m2 in sorted(areas_m2.items()):  # a sum of floats must not depend on who came first
            if alloy not in self.alloys:
                part = area_m2 * self.rate(alloy)
                wear += part
                variance += (UNSEEN_SPREAD * part) ** 2
        return wear, variance / wear**2 if wear > 0 else 0.0

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> WearFit:
        """The fit as it was."""
        plain = dict(value)
        plain["covariance"] = tuple(tuple(row) for row in value["covariance"])
        for name in ("alloys", "rates", "at_bound", "factors"):
            plain[name] = tuple(value[name])
        plain["load"] = None if value["load"] is None else Load(**value["load"])
        return cls(**plain)


def fit_wear(ends: Sequence[End], ratios: Mapping[str, float]) -> WearFit:
    """Fit the wear model to ended cycles; their order does not matter.

    ``ratios`` are stated wear ratios beside a base alloy; alloys without one count 1. Raises ``ValueError`` on
    fewer than three cycles whose wear is not censored, and on NaN or areas below zero.
    """
    usable = sorted((end for end in ends if sum(end.areas_m2.values()) > 0), key=_order)
    told = [end for end in usable if not end.censored]
    if len(told) < MIN_CYCLES:
        raise ValueError(f"{len(told)} cycles with a known end; a fit needs {MIN_CYCLES}")
    alloys = tuple(sorted({alloy for end in usable for alloy, area in end.areas_m2.items() if area > 0}))
    x = np.array([[end.areas_m2.get(alloy, 0.0) for alloy in alloys] for end in usable])
    wear = np.array([end.wear for end in usable])
    if not (np.isfinite(x).all() and (x >= 0).all() and np.isfinite(wear).all() and (wear > 0).all()):
        raise ValueError("areas must be finite and not below zero, wear finite and above zero")
    stated = np.array([ratios.get(alloy, 1.0) for alloy in alloys])
    censored = np.array([end.censored for end in usable])
    rates, covariance, bound, sigma, free, base = _solve(x, np.log(wear), censored, stated, alloys, len(told))
    return WearFit(
        alloys=alloys,
        rates=tuple(float(rate) for rate in rates),
        covariance=tuple(tuple(float(value) for value in row) for row in covariance),
        at_bound=tuple(bool(value) for value in bound),
        base_rate=base,
        sigma=sigma,
        free=free,
        cycles=len(told),
        censored=len(usable) - len(told),
        factors=_t_quantiles(free),
        ratios={alloy: float(ratio) for alloy, ratio in sorted(ratios.items())},
        load=_load(told),
    )


def _order(end: End) -> tuple[Any, ...]:
    return end.wear, end.censored, sorted(end.areas_m2.items()), 0.0 if end.load is None else end.load.excess


def _solve(
    x: Floats, log_wear: Floats, censored: NDArray[np.bool_], stated: Floats, alloys: tuple[str, ...], told: int
) -> tuple[Floats, Floats, NDArray[np.bool_], float, float, float]:
    pooled_areas = np.log(x @ stated)
    z, sigma, base = log_wear.copy(), PRIOR_SPREAD, 0.0
    by_alloy = told >= MIN_ALLOY_CYCLES and len(alloys) > 1
    rates = stated.copy()
    bound = np.zeros(len(alloys), bool)
    covariance: Floats = np.zeros((len(alloys), len(alloys)))
    extra = np.zeros(len(z))
    free = PRIOR_CYCLES + told - 1
    for _ in range(100):
        before = (rates.copy(), sigma)
        base = exp(float(np.mean(z - pooled_areas)))
        used = 1.0
        if by_alloy:
            rates, covariance, bound, used = _by_alloy(
                x, z, base * stated, rates if _ else base * stated, sigma, alloys
            )
        else:
            rates = base * stated
            shares = x / (x @ rates)[:, None]
            told_by = np.diag(1 / (RATIO_SPREAD * rates) ** 2)  # a stated ratio is no measured one
            covariance = np.asarray(np.linalg.inv(shares.T @ shares / sigma**2 + told_by), float)
        log_expected = np.log(np.maximum(x @ rates, 1e-300))
        errors = z - log_expected
        free = max(PRIOR_CYCLES + told - used, 1.0)
        sigma = sqrt(
            (PRIOR_CYCLES * PRIOR_SPREAD**2 + float(np.sum(errors**2 + extra))) / (PRIOR_CYCLES + len(z) - used)
        )
        if censored.any():
            z, extra = _impute(log_wear, log_expected, censored, sigma)
        moved = np.max(np.abs(rates - before[0]) / np.maximum(rates, 1e-12)) + abs(sigma - before[1])
        if moved < 1e-10:
            break
    return rates, covariance, bound, sigma, free, base


def _by_alloy(
    x: Floats, z: Floats, prior: Floats, rates: Floats, sigma: float, alloys: tuple[str, ...]
) -> tuple[Floats, Floats, NDArray[np.bool_], float]:
    """One step of the linearised log model: log w ≈ log p + (x·r - p)/p, weights 1/p²."""
    expected = np.maximum(x @ rates, 1e-12 * np.max(x @ prior))
    target = expected * (1 + z - np.log(expected))
    spread = np.array([RATIO_SPREAD if alloy != UNKNOWN else 2 * RATIO_SPREAD for alloy in alloys])
    precision = sigma**2 / (spread * prior) ** 2
    fit = least_squares(x, target, weights=1 / expected**2, positive=True, prior=(prior, precision))
    moved = fit.coefficients
    rates = rates * (moved / rates) ** 0.7 if (moved > 0).all() and (rates > 0).all() else moved
    covariance = fit.unit_covariance * sigma**2
    return rates, covariance, fit.at_bound, fit.n - fit.free


def _impute(log_wear: Floats, log_expected: Floats, censored: NDArray[np.bool_], sigma: float) -> tuple[Floats, Floats]:
    """Mean and variance of a normal below its bound, for the cycles that tell only a bound."""
    from scipy.special import log_ndtr

    b = (log_wear - log_expected) / sigma
    ratio = np.exp(-0.5 * b**2 - 0.5 * log(2 * np.pi) - log_ndtr(b))
    mean = log_expected - sigma * ratio
    variance = sigma**2 * np.clip(1 - b * ratio - ratio**2, 0, None)
    return np.where(censored, mean, log_wear), np.where(censored, variance, 0.0)


def _t_quantiles(free: float) -> tuple[float, ...]:
    from scipy.stats import t

    return tuple(float(value) for value in t.ppf((np.arange(DRAWS) + 0.5) / DRAWS, free))


def _load(ends: Sequence[End]) -> Load | None:
    logs = []
    for end in ends:
        wear = end.load.wear(1.0) if end.load is not None and end.load.excess > 0.05 else None
        if wear is not None:
            logs.append(log(wear / end.wear))
    if len(logs) < MIN_LOAD_CYCLES:
        return None
    mean = sum(logs) / len(logs)
    squares = sum((value - mean) ** 2 for value in logs)
    spread = sqrt((3 * LOAD_SPREAD**2 + squares) / (3 + len(logs) - 1))
    return Load(exp(mean), spread * sqrt(1 + 1 / len(logs)), len(logs))


@dataclass(frozen=True, slots=True)
class WearNow:
    """Where the edge stands: equally likely draws of the cycle's factor and of its wear.

    The wear is ``before`` (measured or stated) and ``since``, at factor one, times the factor.
    """

    factors: Floats
    wear: Floats
    before: Floats
    since: float
    with_load: bool

    def budgets(self, limit: float, more_variance: float = 0.0) -> Floats:
        """Draws of the wear left to the limit, at factor one.

        ``more_variance`` widens the factors [log²] for what the coming work adds in doubt.
        """
        logs = np.log(self.factors)
        middle, variance = float(np.median(logs)), float(np.var(logs))
        if more_variance > 0 and variance > 0:
            logs = middle + (logs - middle) * sqrt(1 + more_variance / variance)
        return np.maximum((limit - self.before) / np.exp(logs) - self.since, 0.0)


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench reading of the running cycle, and the wear at factor one that its areas had brought by then."""

    wear: float
    expected: float


def wear_now(
    fit: WearFit,
    areas_m2: Mapping[str, float],
    limit: float,
    start: float = 0.0,
    load: LoadReading | None = None,
    bench: Bench | None = None,
) -> WearNow:
    """Wear of a running cycle in the scale of the fit, as 200 equally likely draws.

    ``start`` is wear that was there before the first counted stroke. Without more the draws are those of a new cycle
    of this blade type. A ``load`` reading or a ``bench`` reading weights them by how well each draw explains it, and
    they are drawn again; from a bench reading on, wear is what was measured and what came after.
    """
    expected, relative = fit.expected(areas_m2)
    spread = sqrt(fit.sigma**2 + relative)
    logs = spread * np.array(fit.factors)
    if bench is not None and bench.expected > 0 and bench.wear > start:
        off = np.log((bench.wear - start) / bench.expected) - logs
        logs = _redraw(logs, -0.5 * (off / BENCH_SPREAD) ** 2)
    with_load = load is not None and fit.load is not None and expected > 0
    if load is not None and fit.load is not None and with_load:
        grown = np.exp(logs) * expected
        kappa = fit.load.per_wear
        rise = (1 + kappa * (start + grown * load.at_share)) / (1 + kappa * (start + grown * load.sharp_share)) - 1
        bend = CURVE_SPREAD * np.clip(1 - (start + grown) / limit, 0, 1)
        error = np.sqrt(load.error**2 + (fit.load.spread**2 + bend**2) * rise**2 + 0.02**2)
        logs = _redraw(logs, -0.5 * ((load.excess - rise) / error) ** 2 - np.log(error))
    factors = np.exp(logs)
    before, since = np.full(DRAWS, start), expected
    if bench is not None:
        order = np.arange(DRAWS) * 73 % DRAWS  # the error of the reading has nothing to do with the factor
        before = bench.wear * np.exp(READING_SPREAD * np.array(fit.factors)[order])
        since = max(expected - bench.expected, 0.0)
    return WearNow(factors, before + factors * since, before, since, with_load)


def _redraw(values: Floats, log_weight: Floats) -> Floats:
    """Sorted values with weights to as many equally likely values, by the inverse of their distribution."""
    weight = np.exp(log_weight - np.max(log_weight))
    heights = (np.cumsum(weight) - 0.5 * weight) / np.sum(weight)
    levels = (np.arange(len(values)) + 0.5) / len(values)
    return np.interp(levels, heights, values)
