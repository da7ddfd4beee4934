"""Least squares, linear and not, with the uncertainty of what they find (JCGM 100, H.3; NIST e-Handbook, 4.4)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Solution:
    """Coefficients with their covariance; `sigma` is the scatter of a point of weight one."""

    coefficients: Array
    covariance: Array
    squares: float
    """Sum of the squared residuals, each over its uncertainty."""
    dof: float
    """Degrees of freedom of the covariance; infinite where the uncertainties are known and the points agree."""
    sigma: float

    @property
    def standard(self) -> Array:
        """Standard uncertainty of each coefficient."""
        found: Array = np.sqrt(np.diag(self.covariance))
        return found


def solve(design: Array, values: Array, uncertainty: Array, *, known: bool) -> Solution:
    """The weighted linear fit: `design` has a row for a value and a column for a coefficient.

    `known`: the uncertainties are what they are, and points that scatter more than they say widen the result; else
    they are relative weights, and the scatter comes from the points. Raises ValueError for fewer values than
    coefficients, or columns that say the same.
    """
    rows, columns = design.shape
    if rows < columns:
        raise ValueError(f"{rows} values for {columns} coefficients")
    weighted = design / uncertainty[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    q, r = np.linalg.qr(weighted / np.where(scale > 0, scale, 1.0))
    if scale.min() == 0 or np.abs(np.diag(r)).min() < 1e-10:
        raise ValueError("two columns say the same")
    target = values / uncertainty
    coefficients = np.linalg.solve(r, q.T @ target) / scale
    inverse = np.linalg.inv(r) / scale[:, None]
    squares = float(np.sum((target - weighted @ coefficients) ** 2))
    return _scaled(coefficients, inverse @ inverse.T, squares, rows - columns, known=known)


def curve_fit(
    model: Callable[[Array], Array],
    start: Array,
    values: Array,
    uncertainty: Array,
    *,
    known: bool,
) -> Solution:
    """The fit of a model that is not linear in its parameters, from `start`; see `solve`.

    `model` gives the values for parameters. Raises ValueError where no minimum is found.
    """
    from scipy.optimize import least_squares

    def residuals(parameters: Array) -> Array:
        return (model(parameters) - values) / uncertainty

    tight = 1e-15
    found = least_squares(
        residuals,
        start,
        jac="3-point",
        x_scale="jac",
        method="trf",
        xtol=tight,
        ftol=tight,
        gtol=tight,
        max_nfev=2000,
    )
    if not np.all(np.isfinite(found.x)) or found.status < 0:
        raise ValueError("no minimum was found")
    jacobian = _jacobian(model, np.asarray(found.x, dtype=float)) / uncertainty[:, None]
    scale = np.linalg.norm(jacobian, axis=0)
    if scale.min() == 0:
        raise ValueError("a parameter changes nothing")
    _, singular, right = np.linalg.svd(jacobian / scale, full_matrices=False)
    if singular.min() < 1e-10 * singular.max():
        raise ValueError("two parameters say the same")
    inverse = (right.T / singular) / scale[:, None]
    squares = float(np.sum(np.asarray(found.fun, dtype=float) ** 2))
    return _scaled(
        np.asarray(found.x, dtype=float), inverse @ inverse.T, squares, len(values) - len(start), known=known
    )


def _jacobian(model: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives by the five-point stencil: the covariance needs them more exactly than the search does."""
    columns = []
    for number, value in enumerate(at):
        step = np.zeros_like(at)
        step[number] = 7e-4 * (abs(value) or 1.0)
        near = model(at + step) - model(at - step)
        far = model(at + 2 * step) - model(at - 2 * step)
        columns.append((8 * near - far) / (12 * step[number]))
    return np.column_stack(columns)


def _scaled(coefficients: Array, inverse: Array, squares: float, left: int, *, known: bool) -> Solution:
    variance = squares / left if left > 0 else math.nan
    if not known:
        return Solution(coefficients, inverse * variance, squares, left, math.sqrt(variance))
    # Points that scatter more than their uncertainties say: the ratio of Birge.
    if left > 0 and variance > 1:
        return Solution(coefficients, inverse * variance, squares, left, math.sqrt(variance))
    return Solution(coefficients, inverse, squares, math.inf, 1.0)
