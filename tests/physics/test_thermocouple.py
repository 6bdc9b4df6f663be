"""Thermocouple reference functions against the published ones."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from thermocouple_its90 import get

from monitor.errors import PhysicsRangeError
from monitor.physics.thermocouple import KINDS, correct_straight_line_C, emf_mV, temperature_C

# ITS-90 type K reference function (NIST Monograph 175 = IEC 60584-1), junction at 0 °C, as evaluated by two
# libraries that agree to every digit given: thermocouple-its90 1.0.2 (MIT) and thermocouples_reference 0.20
# (public domain). [°C, mV]
TYPE_K = (
    (0, 0.00000),
    (5, 0.19785),
    (10, 0.39686),
    (15, 0.59697),
    (20, 0.79812),
    (25, 1.00024),
    (30, 1.20327),
    (35, 1.40715),
    (40, 1.61179),
    (45, 1.81713),
    (50, 2.02308),
    (55, 2.22956),
    (60, 2.43647),
    (65, 2.64373),
    (70, 2.85125),
    (75, 3.05892),
    (80, 3.26664),
    (85, 3.47433),
    (90, 3.68188),
    (93, 3.80631),
    (95, 3.88921),
    (96, 3.93064),
    (97, 3.97206),
    (98, 4.01346),
    (99, 4.05485),
    (100, 4.09623),
    (101, 4.13759),
    (102, 4.17894),
    (103, 4.22026),
    (105, 4.30287),
    (110, 4.50906),
    (115, 4.71475),
    (120, 4.91988),
)

# The same source for the other couples at 25 and 100 °C. [mV]
OTHERS = {"T": (0.99198, 4.27852), "J": (1.27729, 5.26892), "N": (0.65865, 2.77412)}

RANGES_C = {"K": (-200.0, 1372.0), "T": (-200.0, 400.0), "J": (-200.0, 760.0), "N": (-200.0, 1300.0)}


@pytest.mark.parametrize(("at_C", "expected_mV"), TYPE_K)
def test_type_k_table(at_C: float, expected_mV: float) -> None:
    assert emf_mV("K", at_C) == pytest.approx(expected_mV, abs=5.1e-6)
    # Half a digit of the table is 5e-6 mV, some 0.00013 K.
    assert temperature_C("K", expected_mV) == pytest.approx(at_C, abs=1.5e-4)


@pytest.mark.parametrize("kind", OTHERS)
def test_other_couples(kind: str) -> None:
    assert (emf_mV(kind, 25.0), emf_mV(kind, 100.0)) == pytest.approx(OTHERS[kind], abs=5.1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_the_reference_library_over_the_whole_range(kind: str) -> None:
    low_C, high_C = RANGES_C[kind]
    for step in range(201):
        at_C = low_C + step * (high_C - low_C) / 200
        expected_mV = get(kind).emf(at_C)
        assert emf_mV(kind, at_C) == pytest.approx(expected_mV, abs=1e-9)


@example("N", 0.9999999999999999)
@given(st.sampled_from(KINDS), st.floats(0.0, 1.0))
def test_there_and_back(kind: str, share: float) -> None:
    low_C, high_C = RANGES_C[kind]
    at_C = low_C + share * (high_C - low_C)
    assert temperature_C(kind, emf_mV(kind, at_C)) == pytest.approx(at_C, abs=1e-6)


@pytest.mark.parametrize(
    ("chip_C", "error_at_100_K", "error_at_90_K"),
    [(20.0, -0.10, -0.14), (25.0, 0.01, -0.03), (30.0, 0.09, 0.05), (35.0, 0.15, 0.11)],
)
def test_a_straight_line_converter_is_put_right(
    chip_C: float, error_at_100_K: float, error_at_90_K: float
) -> None:
    """What the converter says is worked out here from the reference library, not from our own function."""
    for true_C, error_K in ((100.0, error_at_100_K), (90.0, error_at_90_K)):
        seen_mV = get("K").emf(true_C) - get("K").emf(chip_C)
        read_C = chip_C + seen_mV / 41.276e-3
        assert read_C - true_C == pytest.approx(error_K, abs=0.006)
        assert correct_straight_line_C(read_C, chip_C) == pytest.approx(true_C, abs=1e-6)


@pytest.mark.parametrize(("kind", "at_C"), [("K", 1373.0), ("T", 401.0), ("J", -201.0), ("N", float("nan"))])
def test_beyond_the_range_is_refused(kind: str, at_C: float) -> None:
    with pytest.raises(PhysicsRangeError, match="is outside"):
        emf_mV(kind, at_C)


def test_a_voltage_no_temperature_gives_is_refused() -> None:
    with pytest.raises(PhysicsRangeError, match="mV is outside"):
        temperature_C("T", 50.0)


def test_a_couple_nobody_knows_is_refused() -> None:
    with pytest.raises(PhysicsRangeError, match="no reference function"):
        emf_mV("Z", 100.0)
