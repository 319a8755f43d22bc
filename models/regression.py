"""Linear least squares with its errors: scikit-learn solves, this module adds what a reader needs to judge it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LinearFit:
    """A fitted linear model; arrays of length k, one entry a column of the design.

    ``unit_covariance`` is that of unit residual variance: it is there also where nothing is left over.
    """

    coefficients: Floats
    errors: Floats
    covariance: Floats
    unit_covariance: Floats
    residual_variance: float
    r_squared: float
    f_statistic: float
    n: int
    free: float
    at_bound: NDArray[np.bool_]

    @property
    def t_values(self) -> Floats:
        """Coefficients over their errors."""
        return np.asarray(self.coefficients / self.errors)


def least_squares(
    design: ArrayLike,
    response: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    positive: bool = False,
    prior: tuple[ArrayLike, ArrayLike] | None = None,
) -> LinearFit:
    """Fit response = design @ coefficients by (weighted, non-negative, shrunken) least squares.

    ``design`` has shape (n, k); give a column of ones for an intercept. ``weights`` [1/variance up to scale],
    shape (n,). ``positive`` keeps every coefficient at zero or above; those at zero are marked ``at_bound``: the
    data do not tell them, and ordinary errors do not hold for them. ``prior`` = (means, precisions), shape (k,),
    in units of the weights: each coefficient is drawn towards its mean. Raises ``ValueError`` on NaN, on shapes
    that do not fit, and on fewer rows than columns where no prior helps.
    """
    from sklearn.linear_model import LinearRegression

    x = np.asarray(design, float)
    y = np.asarray(response, float)
    if x.ndim != 2 or y.shape != x.shape[:1]:
        raise ValueError(f"design has shape {x.shape}, response {y.shape}; expected (n, k) and (n,)")
    w = np.ones(len(y)) if weights is None else np.asarray(weights, float)
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(w).all()):
        raise ValueError("design, response and weights must be finite")
    n, k = x.shape
    if prior is None and n < k:
        raise ValueError(f"{n} rows cannot tell {k} coefficients")
    root = np.sqrt(w)
    rows, targets = x * root[:, None], y * root
    gram = rows.T @ rows
    if prior is not None:
        means, precisions = (np.asarray(part, float) for part in prior)
        rows = np.vstack([rows, np.diag(np.sqrt(precisions))])
        targets = np.concatenate([targets, np.sqrt(precisions) * means])
    # columns of like length keep the solver accurate where predictors differ by orders of magnitude
    scale = np.linalg.norm(rows, axis=0)
    scale[scale == 0] = 1.0
    solver = LinearRegression(fit_intercept=False, positive=positive)
    solver.fit(rows / scale, targets)
    coefficients = np.asarray(solver.coef_, float) / scale
    triangle = np.linalg.pinv(np.linalg.qr(rows / scale, mode="r")) / scale[:, None]
    inverse = triangle @ triangle.T
    used = float(np.trace(inverse @ gram))
    residuals = y - x @ coefficients
    rss = float(np.sum(w * residuals**2))
    free = max(n - used, 0.0)
    variance = rss / free if free > 0 else float("nan")
    covariance = inverse * variance
    mean = np.average(y, weights=w)
    total = float(np.sum(w * (y - mean) ** 2))
    explained = total - rss
    r_squared = 1 - rss / total if total > 0 else float("nan")
    f_statistic = explained / max(used - 1, 1) / variance if variance and variance > 0 else float("nan")
    return LinearFit(
        coefficients=coefficients,
        errors=np.sqrt(np.clip(np.diag(covariance), 0, None)),
        covariance=covariance,
        unit_covariance=inverse,
        residual_variance=variance,
        r_squared=r_squared,
        f_statistic=f_statistic,
        n=n,
        free=free,
        at_bound=np.asarray(positive & (coefficients <= 0)),
    )
