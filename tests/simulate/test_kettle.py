"""The kettle model against figures from outside the project, and against itself.

Sources of the figures are named at each test; "computed" figures are worked from handbook properties.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from iapws import IAPWS97

from monitor.simulate.kettle import Kettle, canner, vapour_kPa
from monitor.simulate.kettle_run import KettleRun
from monitor.simulate.truth import Truth
from monitor.simulate.weather import Weather


def kettle_run(kettle: Kettle, water_C: float, altitude_m: float = 0.0, hours: float = 3.0) -> KettleRun:
    pressure_kPa, boil_C = Weather(altitude_m).series(int(hours * 3600))
    return KettleRun(kettle, boil_C, pressure_kPa, water_C)


def fall_K_per_min(kettle: Kettle, jars_below_K: float, *, lid_on: bool = True) -> float:
    """Fall in the minute after the heat is gone, jars colder than the water by so much."""
    run = kettle_run(kettle, 99.5)
    run.put_jars_in(99.5)
    run.advance_to_boil()
    run.jars_C = run.water_C - jars_below_K
    run.lid_on = lid_on
    run.advance(60.0, 0.0)
    truth = run.truth()
    return float(truth.bulk_C[-1] - truth.bulk_C[-61])


def quarts_in_20_L(**changes: float) -> Kettle:
    return canner(20.0, "quart", 7, heater_W=1800.0, **changes)


def test_heat_held_by_a_20_L_canner_with_seven_quarts() -> None:
    """Computed from 8.7 kg water, 2.5 kg steel, food 4.0 and glass 0.84 kJ/(kg K): 38 kJ/K, 66 with the jars."""
    kettle = quarts_in_20_L()
    assert kettle.water_kg == pytest.approx(8.7, rel=0.08)
    assert kettle.water_and_pot_J_per_K == pytest.approx(38e3, rel=0.08)
    assert kettle.water_and_pot_J_per_K + kettle.jars_J_per_K == pytest.approx(66e3, rel=0.08)


def test_open_water_loses_what_engineering_tables_say() -> None:
    """Open tanks in still air: 9.5 kW/m² at 93 °C (200 °F), 11.4 kW/m² at 99 °C (210 °F); a "rough" table."""
    kettle = quarts_in_20_L()
    for water_C, table_W_per_m2 in ((93.0, 9.5e3), (99.0, 11.4e3)):
        walls_W = 0.6 * kettle.lid_on_loss_W(water_C)
        per_m2 = (kettle.lid_off_loss_W(water_C) - walls_W) / kettle.open_m2
        assert per_m2 == pytest.approx(table_W_per_m2, rel=0.05)


def test_losses_with_the_lid_on() -> None:
    """Computed: 11 W/(m² K) over 0.25 to 0.4 m² near 100 °C gives 230 to 320 W."""
    assert 230.0 <= quarts_in_20_L().lid_on_loss_W(99.5) <= 320.0


def test_vapour_pressure_against_the_steam_tables() -> None:
    """IAPWS-IF97 by the iapws library, 20 to 100 °C."""
    for water_C in (20.0, 60.0, 80.0, 93.0, 99.0):
        assert vapour_kPa(water_C) == pytest.approx(IAPWS97(T=273.15 + water_C, x=0).P * 1000.0, rel=0.02)


@pytest.mark.parametrize("water_C", [90.0, 95.0, 100.0])
def test_heat_of_evaporation_against_the_steam_tables(water_C: float) -> None:
    """One figure serves from 90 to 100 °C: 2.283 to 2.257 MJ/kg by IAPWS-IF97."""
    from monitor.simulate.kettle import STEAM_J_PER_KG

    table = (IAPWS97(T=273.15 + water_C, x=1).h - IAPWS97(T=273.15 + water_C, x=0).h) * 1000.0
    assert pytest.approx(table, rel=0.015) == STEAM_J_PER_KG


def test_come_up_time_lies_where_measured_ones_do() -> None:
    """From 82 °C to the boil measured times run from 4.3 to 21 min over jar sizes and fill temperatures.

    Conference abstract 2013 (Wisconsin, International Association for Food Protection): boiling-water
    canners preheated to 82 °C.
    """
    for jar, jars, jars_C in (("half_pint", 7, 70.0), ("pint", 7, 50.0), ("quart", 7, 40.0)):
        run = kettle_run(canner(20.0, jar, jars, heater_W=2000.0), 82.0)
        run.put_jars_in(jars_C)
        assert run.advance_to_boil()
        assert 4.3 * 60.0 <= run.now_s <= 21.0 * 60.0


def test_heating_rate() -> None:
    """Computed from the heat capacities: 1500 W on 20 L with quarts, 1.2 K/min when all follows, 2.1 when jars lag."""
    run = kettle_run(canner(20.0, "quart", 7, heater_W=1500.0), 50.0)
    run.put_jars_in(50.0)
    run.advance(900.0)
    rate = (run.truth().bulk_C[-1] - run.truth().bulk_C[-301]) / 5.0
    assert 1.1 <= rate <= 2.1


@pytest.mark.parametrize(
    ("jars_below_K", "lid_on", "low", "high"),
    [
        (0.5, True, -0.6, -0.2),
        (10.0, True, -1.6, -0.9),
        (25.0, True, -2.9, -1.9),
        (0.5, False, -2.3, -1.4),
        (25.0, False, -4.7, -3.0),
    ],
)
def test_falling_rate(jars_below_K: float, lid_on: bool, low: float, high: float) -> None:
    """Computed from losses and jars' film (8.7 kg water, 58 W/K): late in the hold -0.2 to -0.5 K/min, jars
    10 K colder -1.2, 25 K colder -2.4; lid off -1.9, -3.8."""
    assert low <= fall_K_per_min(quarts_in_20_L(), jars_below_K, lid_on=lid_on) <= high


def test_a_ring_goes_on_giving_heat() -> None:
    """Assumed 45 s decay from 1500 W: late in the hold the fall begins 77 s late; with gas at once."""

    def fall_begins_s(ring_s: float) -> float:
        run = kettle_run(canner(20.0, "quart", 7, heater_W=1500.0, ring_s=ring_s), 99.0)
        run.put_jars_in(99.0)
        run.advance_to_boil()
        run.advance(2400.0)
        off_s = run.now_s
        run.advance(300.0, 0.0)
        truth = run.truth()
        return float(np.argmax((truth.steam_W <= 0.0) & (truth.t_s >= off_s))) - off_s

    assert fall_begins_s(0.0) <= 1.0
    assert fall_begins_s(45.0) == pytest.approx(77.0, abs=20.0)


def test_a_litre_of_cold_water() -> None:
    """1 L at 20 °C into 12 kg at 100 °C mixes to 93.8 °C; the pot's share makes it 94.4."""
    run = kettle_run(canner(18.0, "pint", 4), 99.9)
    run._water_kg = 12.0
    run.pour(1.0, 20.0)
    pot_kg = run.kettle.pot_kg * 500.0 / 4190.0
    mixed_C = ((12.0 + pot_kg) * 99.9 + 20.0) / (13.0 + pot_kg)
    assert run.water_C == pytest.approx(mixed_C, abs=1e-9)
    assert run.water_C == pytest.approx(94.0, abs=0.5)


def test_surplus_heat_leaves_as_steam() -> None:
    """1 kW of surplus is 1.6 kg/h of steam (2.257 MJ/kg)."""
    kettle = canner(20.0, "pint", 7, heater_W=3000.0)
    run = kettle_run(kettle, 99.0)
    run.put_jars_in(99.0)
    run.advance_to_boil()
    run.advance(1800.0)
    surplus_W = kettle.heater_W - kettle.lid_on_loss_W(run.water_C)
    before_kg = run._water_kg
    run.advance(3600.0)
    assert (before_kg - run._water_kg) / surplus_W * 1000.0 == pytest.approx(1.6, rel=0.03)


@pytest.mark.parametrize("altitude_m", [0.0, 1650.0, 3000.0])
def test_water_is_never_above_its_boiling_point(altitude_m: float) -> None:
    run = kettle_run(canner(10.0, "half_pint", 4, heater_W=2500.0, knee_K=0.02), 60.0, altitude_m)
    run.put_jars_in(40.0)
    run.advance(2400.0)
    assert float(run.truth().deficit_K.min()) >= 0.0


def test_energy_is_conserved() -> None:
    """What goes in is lost, steamed off or stored, through a story with everything but poured water."""
    run = kettle_run(quarts_in_20_L(ring_s=30.0), 60.0)
    run.put_jars_in(45.0)
    run.advance_to_boil()
    run.advance(600.0, 900.0)
    run.lid_on = False
    run.advance(120.0, 0.0)
    run.lid_on = True
    run.advance_to_boil()
    run.advance(400.0, [0.0, 1800.0] * 200)
    run.advance(900.0, below_boil_K=2.0)
    truth = run.truth()
    out_J = truth.energy_lost_J + truth.energy_steam_J + truth.energy_stored_J
    assert out_J == pytest.approx(truth.energy_in_J, rel=1e-9)


def test_a_careful_cook_keeps_a_simmer() -> None:
    run = kettle_run(quarts_in_20_L(), 70.0)
    run.put_jars_in(65.0)
    run.advance(5400.0, below_boil_K=2.0)
    truth = run.truth()
    assert not truth.true_boil.any()
    assert float(np.median(truth.deficit_K[-600:])) == pytest.approx(2.0, abs=0.3)


def told(steam: list[float], deficit: list[float]) -> Truth:
    count = len(steam)
    zeros = np.zeros(count)
    return Truth(
        t_s=np.arange(count, dtype=np.float64),
        bulk_C=100.0 - np.array(deficit),
        boil_C=np.full(count, 100.0),
        steam_W=np.array(steam),
        jars_C=zeros,
        ring_W=zeros,
        command_W=zeros,
        pressure_kPa=zeros,
        room_C=22.0,
        jars_s=0.0,
    )


def test_a_faltering_boil_is_bridged_and_a_lost_one_is_not() -> None:
    """A pause of 0.03 K is bridged, one of 0.06 K ends the boil at the last second of steam."""
    shallow = told([500.0] * 5 + [0.0] * 3 + [500.0] * 5, [0.0] * 5 + [0.01, 0.03, 0.02] + [0.0] * 5)
    assert [(s.start_s, s.end_s, s.deepest_K) for s in shallow.stretches()] == [
        (0.0, 13.0, pytest.approx(0.03))
    ]
    assert shallow.longest_s(0.02) == 5.0
    deep = told([500.0] * 5 + [0.0] * 3 + [500.0] * 5, [0.0] * 5 + [0.02, 0.06, 0.02] + [0.0] * 5)
    assert [(s.start_s, s.end_s) for s in deep.stretches()] == [(0.0, 5.0), (8.0, 13.0)]


def test_a_boil_counts_only_with_jars_in_and_heat_on() -> None:
    truth = told([500.0] * 20, [0.0] * 20)
    assert truth.longest_s() == 20.0
    run = kettle_run(canner(12.0, "half_pint", 4, heater_W=2000.0), 97.0)
    run.advance_to_boil()
    run.advance(100.0)
    assert run.truth().longest_s() == 0.0
    run.put_jars_in(run.water_C)
    run.advance(300.0)
    run.turn_heat_off()
    run.advance(60.0, 0.0)
    assert 290.0 <= run.truth().longest_s() <= 300.0


def test_rewinding_tells_the_same_story_again() -> None:
    run = kettle_run(quarts_in_20_L(), 90.0)
    run.put_jars_in(80.0)
    run.advance(600.0)
    first = run.truth().bulk_C.copy()
    run.rewind(300.0)
    run.advance(300.0)
    assert np.allclose(run.truth().bulk_C, first, atol=1e-3)
    assert not math.isnan(run.water_C)
