"""Sizes of jars: one row a size, found by its name or its measure."""

from __future__ import annotations

import pytest

from monitor.tables.containers import jar_mL, jar_size
from monitor.tables.jar_sizes import JAR_SIZES

#: NIST Handbook 44, appendix C: a liquid pint is 473.176 mL.
PINT_ML = 473.176


@pytest.mark.parametrize(
    ("words", "pints"),
    [
        ("quarter-pint", 0.25),
        ("Half-Pint", 0.5),
        ("8 oz", 0.5),
        ("pints", 1.0),
        ("pint_and_half", 1.5),
        ("1½ pint", 1.5),
        ("Quart jars", 2.0),
        ("half_gallon", 4.0),
    ],
)
def test_a_size_is_found_by_its_name_and_by_its_measure(words: str, pints: float) -> None:
    size = jar_size(words)
    assert size is not None and size.exact_mL == pytest.approx(pints * PINT_ML, abs=0.002)
    assert jar_mL(words) == size.volume_mL == round(pints * PINT_ML)


@pytest.mark.parametrize("words", ["500 mL", "12 oz", "bucket", "", None])
def test_a_volume_between_two_sizes_is_none_of_them(words: str | None) -> None:
    assert jar_size(words) is None


def test_a_larger_jar_is_listed_later_and_cools_more_slowly() -> None:
    volumes = [size.exact_mL for size in JAR_SIZES]
    slowness = [size.still_air_tau_min for size in JAR_SIZES if size.still_air_tau_min is not None]
    assert volumes == sorted(volumes) and slowness == sorted(slowness) and len(slowness) == 3
