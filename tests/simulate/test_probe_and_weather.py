"""What the simulated probe, its node and the weather make of the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from thermocouple_its90 import TypeK

from monitor.simulate import mishaps
from monitor.simulate.air_cooling import STEP_S as AIR_STEP_S
from monitor.simulate.air_cooling import cool_in_air
from monitor.simulate.kettle import canner
from monitor.simulate.kettle_run import KettleRun
from monitor.simulate.observe import NodeModel, observe
from monitor.simulate.probe import (
    ProbeModel,
    at_the_junction,
    correlated_noise,
    lagged,
    mean_reading_C,
    straight_line_C,
    type_K_mV,
)
from monitor.simulate.truth import Truth
from monitor.simulate.weather import Weather


@pytest.fixture(scope="module")
def truth() -> Truth:
    pressure_kPa, boil_C = Weather(500.0).series(7200)
    run = KettleRun(canner(20.0), boil_C, pressure_kPa, 75.0)
    run.put_jars_in(65.0)
    run.advance_to_boil()
    run.advance(1200.0)
    run.turn_heat_off()
    run.advance(300.0, 0.0)
    return run.truth()


def test_type_K_against_the_ITS_90_function() -> None:
    """thermocouple-its90, which carries the NIST Monograph 175 coefficients, 0 to 110 °C within 2 µV."""
    for temperature_C in np.arange(0.0, 110.0, 5.0):
        assert float(type_K_mV(float(temperature_C))) == pytest.approx(
            TypeK.emf(float(temperature_C)), abs=0.002
        )


@pytest.mark.parametrize(
    ("chip_C", "at_100", "at_90"),
    [(20.0, -0.10, -0.14), (25.0, 0.01, -0.03), (30.0, 0.09, 0.05), (35.0, 0.15, 0.11)],
)
def test_a_straight_line_converter_is_wrong_by(chip_C: float, at_100: float, at_90: float) -> None:
    """Computed with the ITS-90 function at 41.276 µV/K."""
    water = np.array([100.0, 90.0])
    error = straight_line_C(water, np.full(2, chip_C)) - water
    assert error == pytest.approx([at_100, at_90], abs=0.02)


def test_lag_reaches_63_percent_in_its_time_constant() -> None:
    step = np.concatenate((np.zeros(5), np.ones(60)))
    assert lagged(step, 10.0)[5 + 9] == pytest.approx(1.0 - np.exp(-1.0), abs=1e-9)


def test_noise_has_unit_spread_and_the_correlation_asked_for() -> None:
    rng = np.random.default_rng(5)
    noise = correlated_noise(rng, np.arange(40_000.0), 5.0)
    assert noise.std() == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(noise[:-1], noise[1:])[0, 1] == pytest.approx(np.exp(-0.2), abs=0.02)


def test_a_perfect_probe_reads_the_truth(truth: Truth) -> None:
    perfect = ProbeModel(lag_s=0.0, step_K=0.001, plume_K=0.0, agitation_K=0.0, white_K=0.0)
    for sample in observe(np.random.default_rng(1), perfect, NodeModel(), truth):
        assert sample.water_C == pytest.approx(float(truth.bulk_C[int(sample.t_s)]), abs=6e-4)


@pytest.mark.parametrize("step_K", [0.0078125, 0.0625, 0.25])
def test_readings_fall_on_the_converters_steps(truth: Truth, step_K: float) -> None:
    samples = observe(np.random.default_rng(1), ProbeModel(step_K=step_K), NodeModel(), truth)
    assert all((s.water_C or 0.0) / step_K == round((s.water_C or 0.0) / step_K) for s in samples)


def test_the_stated_offset_corrects_the_reading(truth: Truth) -> None:
    """Reading plus the record's offset is the truth plus the bias, plumes included, at the boil."""
    probe = ProbeModel(offset_K=-0.8, bias_K=0.1, plume_K=0.2, agitation_K=0.02, lag_s=1.0)
    samples = observe(np.random.default_rng(2), probe, NodeModel(), truth)
    stretch = truth.stretches()[0]
    above = [
        (s.water_C or 0.0) - 0.8 - float(truth.boil_C[int(s.t_s)])
        for s in samples
        if stretch.start_s + 60.0 < s.t_s < stretch.end_s
    ]
    assert 0.1 + 0.1 <= float(np.mean(above)) <= 0.1 + 0.2 + 0.02


@pytest.mark.parametrize("scatter_K", [0.02, 0.05, 0.1, 0.15])
def test_the_mean_of_rounded_scatter_is_that_of_the_theory_of_quantisation(
    truth: Truth, scatter_K: float
) -> None:
    """Mean of a rounded Gaussian, by its Fourier series (Widrow and Kollár 2008, Quantization Noise, ch. 7).

    E[Q] = x + q/π Σ (-1)^k / k · exp(-2 π² k² σ² / q²) · sin(2 π k x / q)
    """
    q = 0.25
    probe = ProbeModel(step_K=q, lag_s=0.0, plume_K=0.0, agitation_K=0.0, white_K=scatter_K, chip_rise_K=0.0)
    x = at_the_junction(probe, truth)
    series = sum(
        (-1.0) ** k
        / k
        * np.exp(-2.0 * np.pi**2 * k**2 * scatter_K**2 / q**2)
        * np.sin(2.0 * np.pi * k * x / q)
        for k in range(1, 60)
    )
    np.testing.assert_allclose(mean_reading_C(probe, truth), x + q / np.pi * series, atol=1e-4)


def test_the_past_does_not_depend_on_the_future(truth: Truth) -> None:
    """A longer truth with the same beginning gives the same first samples."""
    shorter = replace(
        truth,
        **{
            name: getattr(truth, name)[:-200]
            for name in (
                "t_s",
                "bulk_C",
                "boil_C",
                "steam_W",
                "jars_C",
                "ring_W",
                "command_W",
                "pressure_kPa",
            )
        },
    )
    whole = observe(np.random.default_rng(3), ProbeModel(), NodeModel(jitter_s=0.05), truth)
    part = observe(np.random.default_rng(3), ProbeModel(), NodeModel(jitter_s=0.05), shorter)
    assert whole[: len(part)] == part


def test_a_channel_more_changes_no_other(truth: Truth) -> None:
    """Second probe, watts and mains come beside what the node said anyway."""
    second = ProbeModel(step_K=0.0625, bias_K=-1.0, agitation_K=0.02)
    node = NodeModel(has_heater=True, has_mains=True, second_probe=second)
    plain = observe(np.random.default_rng(3), ProbeModel(), NodeModel(), truth)
    rich = observe(np.random.default_rng(3), ProbeModel(), node, truth)
    assert [s._replace(water_2_C=None, heater_W=None, mains=None) for s in rich] == plain


def test_a_second_probe_sees_the_same_water(truth: Truth) -> None:
    second = ProbeModel(bias_K=-1.0, agitation_K=0.02)
    samples = observe(np.random.default_rng(3), ProbeModel(), NodeModel(second_probe=second), truth)
    apart_K = [(s.water_C or 0.0) - (s.water_2_C or 0.0) for s in samples]
    assert float(np.median(apart_K)) == pytest.approx(1.0, abs=0.03)
    assert float(np.std(apart_K)) < 0.1


def test_watts_and_mains_tell_a_thermostat_from_a_power_cut() -> None:
    """The heater draws what it is asked for; its ring gives heat for longer; the mains go with the cut alone."""
    pressure_kPa, boil_C = Weather(0.0).series(1200)
    run = KettleRun(canner(12.0, heater_W=2000.0, ring_s=40.0), boil_C, pressure_kPa, 80.0)
    run.advance(100.0, [2000.0] * 60 + [0.0] * 40)
    run.advance(50.0)
    run.cut_power(30.0)
    run.advance(20.0)
    truth = run.truth()
    assert truth.outages == ((150.0, 180.0),)
    for sample in observe(
        np.random.default_rng(1), ProbeModel(), NodeModel(has_heater=True, has_mains=True), truth
    ):
        off = 60.0 <= sample.t_s < 100.0 or 150.0 <= sample.t_s < 180.0
        assert sample.heater_W == (0.0 if off else 2000.0)
        assert sample.mains is not (150.0 <= sample.t_s < 180.0)
    assert truth.ring_W[70] > 1000.0
    run.rewind(170.0)
    assert run.truth().outages == ((150.0, 170.0),)


def test_mishaps(truth: Truth) -> None:
    """Each does what it says to the rows and leaves the others alone."""
    rng = np.random.default_rng(4)
    samples = observe(rng, ProbeModel(), NodeModel(boot=9), truth)
    assert not [s for s in mishaps.silence(samples, 100.0, 200.0) if 100.0 <= s.t_s < 200.0]

    again = mishaps.restart(samples, 500.0, 20.0, boot=10)
    after = [s for s in again if s.boot == 10]
    assert after[0].t_s >= 520.0 and [s.seq for s in after] == list(range(len(after)))
    assert [s for s in again if s.boot == 9] == [s for s in samples if s.t_s < 500.0]

    frozen = mishaps.freeze(samples, 700.0, 800.0)
    assert len({s.water_C for s in frozen if 700.0 <= s.t_s < 800.0}) == 1

    faulty = mishaps.fault(samples, 700.0, 710.0, "open")
    assert {(s.water_C, s.water_fault) for s in faulty if 700.0 <= s.t_s < 710.0} == {(None, "open")}

    stepped = mishaps.step_clock(samples, 600.0, 90.0)
    assert stepped[-1].t_s == pytest.approx(samples[-1].t_s + 90.0)
    assert stepped[-1].uptime_s == samples[-1].uptime_s

    mixed = mishaps.late_and_twice(samples, rng, late=0.05, twice=0.05)
    assert {(s.boot, s.seq) for s in mixed} == {(s.boot, s.seq) for s in samples}
    assert len(mixed) > len(samples)
    assert [s.t_s for s in mixed] != sorted(s.t_s for s in mixed)

    block = mishaps.resent(samples, 300.0, 400.0)
    assert {s.late for s in block if 300.0 <= s.t_s < 400.0} == {True}
    assert [s._replace(late=False) for s in block] == samples

    early, ahead = mishaps.wrong_clock(samples, 300.0, -50.0), mishaps.wrong_clock(samples, 300.0, 50.0)
    assert len(early) == len([s for s in samples if s.t_s >= 50.0]) and len(ahead) == len(samples)
    assert early[-1] == ahead[-1] == samples[-1] and ahead[0].t_s == pytest.approx(samples[0].t_s + 50.0)

    doubled = mishaps.conflict(samples, 300.0, 1.0)
    assert len(doubled) == len(samples) + 1


@pytest.mark.parametrize(("outside_C", "shift_kPa"), [(35.0, 1.6), (-10.0, -0.9)])
def test_warm_air_lifts_the_pressure_at_altitude(outside_C: float, shift_kPa: float) -> None:
    """Hypsometric equation at 1650 m, same sea-level pressure: 35 °C outside +16 hPa, -10 °C -9 hPa (computed)."""
    warmer_K = outside_C - (15.0 - 0.0065 * 1650.0)
    shift = Weather(1650.0, warmer_K=warmer_K).start_kPa() - Weather(1650.0).start_kPa()
    assert shift == pytest.approx(shift_kPa, abs=0.1)


def test_the_standard_day_is_the_standard_atmosphere() -> None:
    """U.S. Standard Atmosphere 1976: 79.501 kPa at 2000 m; water boils at 93.32 °C there by IAPWS-IF97."""
    pressure_kPa, boil_C = Weather(2000.0).series(600)
    assert pressure_kPa[0] == pytest.approx(79.5014, abs=0.001)
    assert boil_C[0] == pytest.approx(93.317, abs=0.005)


@pytest.mark.parametrize(
    ("jar", "minutes"),
    [
        ("half_pint", (10, 40, 50, 91, 236)),
        ("pint", (13, 54, 68, 122, 316)),
        ("quart", (16, 67, 84, 152, 396)),
    ],
)
def test_jars_cool_as_the_film_equations_say(jar: str, minutes: tuple[int, ...]) -> None:
    """From 97 °C to 85, 60, 54.4, 40 and 25 °C in a 22 °C room, computed with Churchill and Chu's plate film,
    radiation and glass in series: half-pint, pint, quart."""
    course = cool_in_air(jar, 97.0, [22.0] * 6000)
    found = [float(np.argmax(course < level)) * AIR_STEP_S / 60.0 for level in (85.0, 60.0, 54.4, 40.0, 25.0)]
    assert found == pytest.approx(list(minutes), rel=0.12)
