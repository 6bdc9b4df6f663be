"""Sums of decaying exponentials fitted to a cooling curve, with standard errors that own up to correlation.

``y(t) = level + sum of amplitude_i * exp(-t / tau_i)`` with one or two terms, the level free or zero. A grid
of time constants (amplitudes solved linearly at each, the separable form of Golub and Pereyra 1973) finds
the valley, damped Gauss-Newton steps find its floor, Huber weights keep single wild readings from pulling.

Printed standard errors of such fits are too small when residuals are correlated, and of a cooling curve they
always are; here they are multiplied by ``sqrt((1 + r) / (1 - r))`` with ``r`` the lag-1 correlation.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import log, sqrt

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Huber's constant: 95 % as efficient as least squares on normal residuals (Huber 1981).
_HUBER = 1.345
#: Median absolute deviation to standard deviation, normal residuals.
_MAD_TO_SD = 1.4826
_GRID = 24
_LAG_LIMIT = 0.97


@dataclass(frozen=True, slots=True)
class ExponentialFit:
    """One fit. ``tau_s`` and ``amplitude_K`` are slowest first; ``*_se`` include ``inflation``."""

    tau_s: tuple[float, ...]
    tau_se_s: tuple[float, ...]
    amplitude_K: tuple[float, ...]
    amplitude_se_K: tuple[float, ...]
    level_C: float
    level_se_C: float
    rms_K: float
    count: int
    lag_correlation: float
    inflation: float

    def at(self, t_s: float) -> float:
        """The curve at ``t_s`` since the fit's zero. [°C, or K above the drive]"""
        decays = zip(self.amplitude_K, self.tau_s, strict=True)
        return self.level_C + sum(amplitude * float(np.exp(-t_s / tau)) for amplitude, tau in decays)


def fit_exponentials(
    t_s: Floats, y_C: Floats, *, terms: int, free_level: bool = False, robust: bool = True
) -> ExponentialFit | None:
    """Fit ``terms`` (1 or 2) exponentials; None where the points do not bear it.

    Parameters
    ----------
    t_s : array
        Time since the fit's zero, rising. [s]
    y_C : array
        Temperature, or temperature above the room when the level is not free. [°C or K]
    """
    free = 2 * terms + (1 if free_level else 0)
    if len(t_s) < free + 3 or t_s[-1] <= t_s[0]:
        return None
    span_s = float(t_s[-1] - t_s[0])
    weights = np.ones_like(y_C)
    rates = _best_on_grid(t_s, y_C, span_s, terms, free_level)
    for _ in range(8 if robust else 1):
        rates, linear, jacobian = _descend(t_s, y_C, weights, rates, free_level)
        residual = y_C - _design(t_s, rates, free_level) @ linear
        if not robust:
            break
        renewed = _huber_weights(residual)
        if float(np.max(np.abs(renewed - weights))) < 1e-3:
            break
        weights = renewed
    return _describe(rates, linear, jacobian, residual, weights, free_level)


def _best_on_grid(t: Floats, y: Floats, span_s: float, terms: int, free_level: bool) -> Floats:
    grid = 1.0 / np.geomspace(span_s / 60.0, span_s * 15.0, _GRID)
    best, best_sum = None, np.inf
    for candidate in combinations(grid[::-1], terms):
        rates = np.array(candidate)
        design = _design(t, rates, free_level)
        linear = np.linalg.lstsq(design, y, rcond=None)[0]
        total = float(np.sum((y - design @ linear) ** 2))
        if total < best_sum:
            best, best_sum = rates, total
    assert best is not None
    return best


def _design(t: Floats, rates: Floats, free_level: bool) -> Floats:
    columns = [np.exp(-rate * t) for rate in rates]
    return np.column_stack([*columns, np.ones_like(t)] if free_level else columns)


def _descend(
    t: Floats, y: Floats, weights: Floats, rates: Floats, free_level: bool
) -> tuple[Floats, Floats, Floats]:
    """Damped Gauss-Newton (Marquardt) on amplitudes, level and the logarithms of the rates."""
    root = np.sqrt(weights)
    design = _design(t, rates, free_level)
    linear: Floats = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0].astype(np.float64)
    damping, total = 1e-3, _sum_of_squares(t, y, root, rates, linear, free_level)
    for _ in range(200):
        jacobian = _jacobian(t, rates, linear, free_level)
        residual = (y - _design(t, rates, free_level) @ linear) * root
        normal = (jacobian * root[:, None]).T @ (jacobian * root[:, None])
        gradient = (jacobian * root[:, None]).T @ residual
        scale = np.diag(np.diag(normal) + 1e-300)
        try:
            step = np.linalg.solve(normal + damping * scale, gradient)
        except np.linalg.LinAlgError:
            break
        new_linear = linear + step[: len(linear)]
        new_rates = rates * np.exp(np.clip(step[len(linear) :], -1.0, 1.0))
        new_total = _sum_of_squares(t, y, root, new_rates, new_linear, free_level)
        if not new_total <= total:
            damping *= 8.0
            if damping > 1e12:
                break
            continue
        settled = total - new_total <= 1e-13 * total and damping < 1.0
        rates, linear, total, damping = new_rates, new_linear, new_total, damping / 6.0
        if settled:
            break
    return rates, linear, _jacobian(t, rates, linear, free_level)


def _sum_of_squares(
    t: Floats, y: Floats, root: Floats, rates: Floats, linear: Floats, free_level: bool
) -> float:
    return float(np.sum(((y - _design(t, rates, free_level) @ linear) * root) ** 2))


def _jacobian(t: Floats, rates: Floats, linear: Floats, free_level: bool) -> Floats:
    by_rate = [-linear[number] * rate * t * np.exp(-rate * t) for number, rate in enumerate(rates)]
    return np.column_stack([_design(t, rates, free_level), *by_rate])


def _huber_weights(residual: Floats) -> Floats:
    scale = _MAD_TO_SD * float(np.median(np.abs(residual)))
    if scale <= 0.0:
        return np.ones_like(residual)
    size = np.abs(residual) / (_HUBER * scale)
    return np.where(size <= 1.0, 1.0, 1.0 / np.maximum(size, 1.0))


def lag_correlation(residual: Floats) -> float:
    """Lag-1 correlation of residuals about zero, kept within 0 and 0.97."""
    total = float(np.sum(residual**2))
    if total <= 0.0:
        return 0.0
    return min(max(float(np.sum(residual[1:] * residual[:-1])) / total, 0.0), _LAG_LIMIT)


def _describe(
    rates: Floats, linear: Floats, jacobian: Floats, residual: Floats, weights: Floats, free_level: bool
) -> ExponentialFit | None:
    count, free = jacobian.shape
    square = float(np.sum(weights * residual**2)) / (count - free)
    weighted = jacobian * np.sqrt(weights)[:, None]
    covariance = square * np.linalg.pinv(weighted.T @ weighted)
    lag = lag_correlation(residual)
    inflation = sqrt((1.0 + lag) / (1.0 - lag))
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0)) * inflation
    if not (np.all(np.isfinite(errors)) and np.all(np.isfinite(linear)) and np.all(rates > 0.0)):
        return None
    terms = len(rates)
    order = np.argsort(rates)
    level, level_se = (float(linear[-1]), float(errors[terms])) if free_level else (0.0, 0.0)
    rate_se = errors[len(linear) :]
    return ExponentialFit(
        tau_s=tuple(float(1.0 / rates[i]) for i in order),
        tau_se_s=tuple(float(rate_se[i] / rates[i]) for i in order),
        amplitude_K=tuple(float(linear[i]) for i in order),
        amplitude_se_K=tuple(float(errors[i]) for i in order),
        level_C=level,
        level_se_C=level_se,
        rms_K=sqrt(float(np.mean(residual**2))),
        count=count,
        lag_correlation=lag,
        inflation=inflation,
    )


def stretch(ratio: float, exponent: float) -> float:
    """How much longer than by a pure exponential a fall by ``ratio`` takes when loss weakens as it cools.

    Loss by natural convection and radiation goes as excess**(1 + n): ``(ratio**n - 1) / (n ln ratio)``.
    """
    if ratio <= 1.0 or exponent <= 0.0:
        return 1.0
    return float((ratio**exponent - 1.0) / (exponent * log(ratio)))
