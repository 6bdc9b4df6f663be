"""The vacuum under a lid against steam tables, and against the same law worked out a second time from them."""

from __future__ import annotations

from math import pi

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS97
from scipy.optimize import brentq

from monitor.errors import PhysicsRangeError
from monitor.judge.headspace import (
    Jar,
    expected_vacuum,
    headspace_mL,
    jars_of,
    sealing_temperature_C,
    snap_range_C,
    temperature_at_pull_C,
    vacuum_kPa,
    water_kg_per_L,
)

SEA_LEVEL_KPA = 101.325
#: Pints filled to 1/2 in: regular and wide mouth, full at their nominal volume and at 8 % more.
PINTS = jars_of("pint", 12.7)
PINT = PINTS[0]


def steam_table_vacuum_kPa(temperature_C: float, air_share: float, *, shrinks: bool) -> float:
    """The gas law for the air, saturated vapour beside it, water's own densities: all from the iapws package (IF97).

    The jar: a pint of 473.176 mL to the brim (NIST Handbook 44), a mouth of 2-3/8 in, filled to 1/2 in hot; its glass
    shrinks by 27e-6 per K.
    """
    sealed_K = IAPWS97(P=(1.0 - air_share) * SEA_LEVEL_KPA / 1000.0, x=0).T
    now = IAPWS97(T=temperature_C + 273.15, x=0)
    brim_mL, hot_mL = 473.176, pi / 4.0 * (2.375 * 2.54) ** 2 * 1.27
    food_mL = (brim_mL - hot_mL) * IAPWS97(T=sealed_K, x=0).rho / now.rho
    cold_mL = brim_mL * (1.0 - 27e-6 * (sealed_K - 273.15 - temperature_C)) - food_mL
    grown = cold_mL / hot_mL if shrinks else 1.0
    air_kPa = air_share * SEA_LEVEL_KPA * (temperature_C + 273.15) / sealed_K / grown
    return float(SEA_LEVEL_KPA - air_kPa - now.P * 1000.0)


@pytest.mark.parametrize("temperature_C", [5.0, 20.0, 35.0, 50.0, 65.0, 80.0, 95.0])
def test_density_against_steam_tables(temperature_C: float) -> None:
    """IAPWS-IF97 by the iapws package; our straight lines between ten-degree points are good to 0.0002."""
    reference = IAPWS97(T=temperature_C + 273.15, P=0.101325).rho / 1000.0
    assert water_kg_per_L(temperature_C) == pytest.approx(reference, abs=2.5e-4)


def test_with_no_air_only_vapour_pressure_is_left() -> None:
    """IAPWS-IF97: 2.339 kPa at 20 °C, so 99.0 kPa (29.2 inHg) of vacuum at sea level."""
    vapour_kPa = IAPWS97(T=293.15, x=0).P * 1000.0
    assert vacuum_kPa(PINT, 20.0, SEA_LEVEL_KPA, 0.0) == pytest.approx(SEA_LEVEL_KPA - vapour_kPa, abs=1e-3)


@pytest.mark.parametrize(
    ("air_share", "shrinking_kPa", "rigid_kPa"),
    [
        (0.0, 99.0, 99.0),
        (0.05, 96.2, 95.0),
        (0.1, 93.4, 91.0),
        (0.2, 87.5, 82.8),
        (0.3, 81.2, 74.5),
        (0.5, 67.1, 57.1),
    ],
)
def test_vacuum_at_20_C(air_share: float, shrinking_kPa: float, rigid_kPa: float) -> None:
    """Pint, 1/2 in, sea level: figures printed from the gas law and IF97, as above. The rigid course has no free choice
    of jar and must agree to the printed digit; the other lies within the band of nominal jars."""
    assert steam_table_vacuum_kPa(20.0, air_share, shrinks=False) == pytest.approx(rigid_kPa, abs=0.06)
    assert steam_table_vacuum_kPa(20.0, air_share, shrinks=True) == pytest.approx(shrinking_kPa, abs=0.11)
    for shrinks in (True, False):
        assert vacuum_kPa(PINT, 20.0, SEA_LEVEL_KPA, air_share, shrinks=shrinks) == pytest.approx(
            steam_table_vacuum_kPa(20.0, air_share, shrinks=shrinks), abs=0.06
        )
    assert vacuum_kPa(PINT, 20.0, SEA_LEVEL_KPA, air_share, shrinks=False) == pytest.approx(
        rigid_kPa, abs=0.06
    )
    band = [vacuum_kPa(jar, 20.0, SEA_LEVEL_KPA, air_share) for jar in PINTS]
    assert min(band) - 0.1 <= shrinking_kPa <= max(band) + 0.1


@pytest.mark.parametrize(
    ("pull_kPa", "expected_C"),
    [
        (10.0, (97.1, 94.0, 90.6, 86.8, 77.5)),
        (20.0, (93.9, 90.6, 87.0, 82.9, 72.6)),
        (30.0, (90.4, 86.9, 82.9, 78.4, 66.9)),
    ],
)
def test_temperature_of_a_pull(pull_kPa: float, expected_C: tuple[float, ...]) -> None:
    """Pint at sea level, air 0, 10, 20, 30, 50 %: where the law above, solved by scipy, has this pull."""
    for share, reference_C in zip((0.0, 0.1, 0.2, 0.3, 0.5), expected_C, strict=True):
        solved_C = brentq(
            lambda t_C, share=share: steam_table_vacuum_kPa(t_C, share, shrinks=True) - pull_kPa, 10.0, 99.0
        )
        assert solved_C == pytest.approx(reference_C, abs=0.11)
        assert temperature_at_pull_C(PINT, pull_kPa, SEA_LEVEL_KPA, share) == pytest.approx(
            solved_C, abs=0.06
        )
        found = [temperature_at_pull_C(jar, pull_kPa, SEA_LEVEL_KPA, share) or 0.0 for jar in PINTS]
        assert min(found) - 0.1 <= reference_C <= max(found) + 0.1


def test_the_published_vacuums_of_jars_lie_in_reach() -> None:
    """Home jars 15 to 25 inHg (50 to 85 kPa; from memory, no measurement found): air of 50 % down to 20 %."""
    assert vacuum_kPa(PINT, 20.0, SEA_LEVEL_KPA, 0.5, shrinks=False) > 50.0
    assert vacuum_kPa(PINT, 20.0, SEA_LEVEL_KPA, 0.2, shrinks=False) < 85.0


def test_no_gauge_can_show_25_inHg_at_1650_m() -> None:
    """The ceiling is the station pressure (83.1 kPa, standard atmosphere) less vapour pressure: 23.8 inHg."""
    assert expected_vacuum(PINTS, 20.0, 83.1).high_kPa / 3.386389 == pytest.approx(23.85, abs=0.05)


def test_the_band_is_a_band_and_says_that_it_proves_nothing() -> None:
    band = expected_vacuum(PINTS, 30.0, SEA_LEVEL_KPA)
    assert 60.0 < band.low_kPa < band.high_kPa < SEA_LEVEL_KPA
    assert "never a proof" in band.assumptions
    low_C, high_C = snap_range_C(PINTS, SEA_LEVEL_KPA)
    assert 75.0 < low_C < high_C < 98.0


def test_above_the_sealing_temperature_it_is_still_venting() -> None:
    assert vacuum_kPa(PINT, 99.5, SEA_LEVEL_KPA, 0.1) == 0.0
    assert sealing_temperature_C(SEA_LEVEL_KPA, 0.0) == pytest.approx(99.974, abs=0.001)
    with pytest.raises(PhysicsRangeError):
        sealing_temperature_C(SEA_LEVEL_KPA, 1.0)


def test_an_unknown_jar_has_no_expectation() -> None:
    assert jars_of("bucket", 12.7) == ()
    assert jars_of("Pint jars", 12.7) == jars_of("16 oz", 12.7) == PINTS


def test_nominal_volumes_and_mouths_are_the_published_ones() -> None:
    """NIST Handbook 44 appendix C: 1 liquid pint = 473.176 mL; USDA: a regular mouth is about 2-3/8 in across."""
    assert PINTS[0].brimful_mL == pytest.approx(473.176, abs=0.001)
    assert PINTS[0].headspace_mL == pytest.approx(3.14159 * (2.375 * 2.54 / 2.0) ** 2 * 1.27, rel=1e-4)


@given(
    st.floats(1.0, 95.0),
    st.floats(70.0, 105.0),
    st.floats(0.0, 0.6),
    st.floats(5.0, 60.0),
    st.floats(200.0, 2000.0),
)
def test_cooling_never_weakens_the_vacuum(
    temperature_C: float, station_kPa: float, air_share: float, space_mL: float, brimful_mL: float
) -> None:
    jar = Jar(brimful_mL, space_mL)
    now = vacuum_kPa(jar, temperature_C, station_kPa, air_share)
    assert 0.0 <= now < station_kPa
    assert vacuum_kPa(jar, temperature_C - 1.0, station_kPa, air_share) >= now - 1e-9
    sealed_C = sealing_temperature_C(station_kPa, air_share)
    assert headspace_mL(jar, sealed_C, min(temperature_C, sealed_C), shrinks=True) > 0.0
