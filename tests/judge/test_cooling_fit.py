"""The exponential fits against a certified reference, open data and a second implementation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from monitor.judge.cooling_fit import fit_exponentials, stretch

DATA = Path(__file__).parents[1] / "data" / "cooling_water.csv"

# NIST Statistical Reference Datasets, nonlinear regression, MGH17 (Osborne 1972):
# y = b1 + b2 exp(-x b4) + b3 exp(-x b5), 33 observations, x = 0, 10, ..., 320.
# fmt: off
MGH17_Y = np.array([
    0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751, 0.718, 0.685, 0.658, 0.628,
    0.603, 0.580, 0.558, 0.538, 0.522, 0.506, 0.490, 0.478, 0.467, 0.457, 0.448, 0.438, 0.431, 0.424, 0.420,
    0.414, 0.411, 0.406,
])
# fmt: on


@pytest.fixture(scope="module")
def mug() -> tuple[np.ndarray, np.ndarray]:
    """A mug of water cooling: minutes to seconds, °C."""
    data = np.loadtxt(DATA, delimiter=",", skiprows=3)
    assert data.shape == (222, 2)
    return data[:, 0] * 60.0, data[:, 1]


def test_certified_values_and_standard_deviations_of_a_published_reference_fit() -> None:
    """Certified to 11 digits; our step rule stops at about 7."""
    fit = fit_exponentials(10.0 * np.arange(33), MGH17_Y, terms=2, free_level=True, robust=False)
    assert fit is not None
    assert fit.level_C == pytest.approx(3.7541005211e-01, rel=1e-6)
    assert fit.amplitude_K == pytest.approx((1.9358469127e00, -1.4646871366e00), rel=1e-5)
    rates = [1.0 / tau for tau in fit.tau_s]
    assert rates == pytest.approx([1.2867534640e-02, 2.2122699662e-02], rel=1e-6)
    assert fit.rms_K**2 * 33 == pytest.approx(5.4648946975e-05, rel=1e-8)
    plain = [error / fit.inflation for error in (fit.level_se_C, *fit.amplitude_se_K)]
    assert plain == pytest.approx([2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01], rel=1e-3)
    rate_errors = [se / tau**2 / fit.inflation for se, tau in zip(fit.tau_se_s, fit.tau_s, strict=True)]
    assert rate_errors == pytest.approx([4.4861358114e-04, 8.9471996575e-04], rel=1e-3)


def test_one_exponential_fails_on_real_cooling_and_two_do_not(mug: tuple[np.ndarray, np.ndarray]) -> None:
    """mosaicData CoolingWater: the data were collected to show that Newton's law is an approximation.

    Figures of scipy's least-squares fits, here and in the next test: one exponential 27.0 °C, 47.7 min, rms 1.48 K;
    two: 23.59 °C, 74.0 and 12.25 min, rms 0.166 K.
    """
    t_s, water_C = mug

    def newton(t: np.ndarray, level: float, a: float, tau: float) -> np.ndarray:
        return level + a * np.exp(-t / tau)

    fitted, _ = curve_fit(newton, t_s, water_C, p0=(25.0, 60.0, 3000.0))
    rms_K = float(np.sqrt(np.mean((water_C - newton(t_s, *fitted)) ** 2)))
    assert (fitted[0], fitted[2] / 60.0, rms_K) == pytest.approx((27.0, 47.7, 1.48), abs=0.05)
    one = fit_exponentials(*mug, terms=1, free_level=True, robust=False)
    two = fit_exponentials(*mug, terms=2, free_level=True, robust=False)
    assert one is not None and two is not None
    assert (one.level_C, one.tau_s[0] / 60.0, one.rms_K) == pytest.approx((27.0, 47.7, 1.48), abs=0.05)
    assert two.level_C == pytest.approx(23.59, abs=0.01)
    assert [tau / 60.0 for tau in two.tau_s] == pytest.approx([74.0, 12.25], abs=0.05)
    assert two.amplitude_K == pytest.approx((48.06, 25.21), abs=0.02)
    assert two.rms_K == pytest.approx(0.166, abs=0.001)
    assert two.inflation > 2.0


def test_the_same_as_a_second_implementation(mug: tuple[np.ndarray, np.ndarray]) -> None:
    """scipy.optimize.curve_fit, values and standard errors."""

    def curve(t: np.ndarray, level: float, a: float, b: float, tau_a: float, tau_b: float) -> np.ndarray:
        return level + a * np.exp(-t / tau_a) + b * np.exp(-t / tau_b)

    t, y = mug
    values, covariance = curve_fit(curve, t, y, p0=(23.0, 45.0, 25.0, 4500.0, 700.0))
    fit = fit_exponentials(t, y, terms=2, free_level=True, robust=False)
    assert fit is not None
    ours = (fit.level_C, *fit.amplitude_K, *fit.tau_s)
    assert ours == pytest.approx(tuple(values), rel=1e-5)
    errors = np.array((fit.level_se_C, *fit.amplitude_se_K, *fit.tau_se_s)) / fit.inflation
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)


def test_a_few_wild_readings_do_not_pull(mug: tuple[np.ndarray, np.ndarray]) -> None:
    t, y = mug
    spoilt = y.copy()
    spoilt[[30, 90, 150, 200]] += (12.0, -15.0, 9.0, 11.0)
    clean = fit_exponentials(t, y, terms=2, free_level=True)
    pulled = fit_exponentials(t, spoilt, terms=2, free_level=True)
    assert clean is not None and pulled is not None
    assert pulled.tau_s[0] == pytest.approx(clean.tau_s[0], rel=0.03)


def test_too_few_points_bear_no_fit() -> None:
    assert fit_exponentials(np.arange(5.0), np.arange(5.0), terms=2) is None


def test_stretch_is_one_for_a_pure_exponential_and_grows_with_the_way_to_go() -> None:
    assert stretch(20.0, 0.0) == 1.0
    assert stretch(20.0, 0.2) > stretch(4.0, 0.2) > 1.0
