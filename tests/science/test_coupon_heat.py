"""The heat model against exact series, textbook values and laws. Sources of the data: tests/published/physics.md."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from labbench.science.heat.conduction import coupon_temperatures, reach_of, thermal_stress_mpa, time_to_band
from labbench.science.heat.fit import fit_heat_transfer, predicted_reach
from labbench.science.heat.layers import (
    Layer,
    areal_heat_capacity_j_m2_k,
    glass,
    laminate,
    lumped_time_constant_s,
)

DATA = Path(__file__).resolve().parent.parent / "published" / "data"
WINDSCREEN = laminate(2.1, 0.76, 2.1)


def rows(name):
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [{k: v if k == "build" else float(v) for k, v in row.items()} for row in csv.DictReader(file)]


def step_of_air(layers, *, h, seconds, step_s, start_c=-23.0, air_c=77.0, cells=None):
    steps = round(seconds / step_s)
    return coupon_temperatures(
        layers,
        h_w_m2_k=h,
        start_c=start_c,
        air_c=np.full(steps + 1, air_c),
        step_s=seconds / steps,
        cells_per_layer=cells,
    )


def series(biot, fourier, place):
    """theta of the plane wall by its exact series; place 0 is the middle, 1 the surface (Incropera and DeWitt, eq. 5.42)."""
    total = 0.0
    for n in range(60):
        zeta = brentq(lambda z: z * np.sin(z) - biot * np.cos(z), n * np.pi, n * np.pi + np.pi / 2)
        c = 4 * np.sin(zeta) / (2 * zeta + np.sin(2 * zeta))
        total += c * np.exp(-(zeta**2) * fourier) * np.cos(zeta * place)
    return total


def test_the_series_of_this_test_gives_the_published_roots():
    row = next(row for row in rows("physics_plane_wall_theta") if row["bi"] == 1 and row["fo"] == 1)
    assert series(1, 1, 0) == pytest.approx(row["theta_centre_exact"], abs=1e-8)


@pytest.mark.parametrize("biot", sorted({row["bi"] for row in rows("physics_plane_wall_theta")}))
def test_a_pane_follows_the_exact_series(biot):
    # A pane of 10 mm with a diffusivity of 1e-6 m²/s: Fo = t / 25 s, h = Bi k / L.
    pane = Layer("glass", 10.0, 1000.0, 1000.0, 1.0)
    computed = step_of_air((pane,), h=biot / 0.005, seconds=50.0, step_s=0.05, start_c=1, air_c=0, cells=81)
    for row in rows("physics_plane_wall_theta"):
        if row["bi"] == biot and row["fo"] <= 2:
            at = round(row["fo"] * 25 / 0.05)
            assert computed.mid_c[at] == pytest.approx(row["theta_centre_exact"], abs=1e-4)
            assert computed.left_c[at] == pytest.approx(row["theta_surface_exact"], abs=1e-3)
            assert computed.mean_c[at] == pytest.approx(row["theta_mean_exact"], abs=1e-4)


def test_incropera_example_5_4():
    # 7th edition, p. 278: 42.9 degC at the insulated face after 8 min; the series without rounded roots gives 43.017.
    # One insulated face is half of a wall of twice the thickness.
    wall = Layer("glass", 80.0, 7832.0, 434.0, 63.9)
    computed = step_of_air((wall,), h=500, seconds=480, step_s=1, start_c=-20, air_c=60, cells=41)
    assert computed.mid_c[-1] == pytest.approx(42.9, abs=0.3)
    assert computed.left_c[-1] == pytest.approx(45.364, abs=0.01)


@pytest.mark.parametrize("h", [10.0, 25.0, 50.0])
def test_a_laminate_follows_the_exact_expansion(h):
    table = [row for row in rows("physics_laminate_step") if row["h_w_m2k"] == h]
    heating = step_of_air(WINDSCREEN, h=h, seconds=max(row["t_s"] for row in table), step_s=0.5)
    for row in table:
        at = round(row["t_s"] / 0.5)
        if row["t_s"] >= 10:
            assert heating.left_c[at] == pytest.approx(row["heating_surface_c"], abs=0.02)
            assert heating.mid_c[at] == pytest.approx(row["heating_mid_c"], abs=0.02)
            # 1e-3 of the step or better.
            assert (77 - heating.mean_c[at]) / 100 == pytest.approx(row["theta_mean"], abs=1e-4)


def test_halving_cells_and_steps_quarters_the_error():
    exact = next(r for r in rows("physics_laminate_step") if r["h_w_m2k"] == 50 and r["t_s"] == 60)["heating_mid_c"]
    # Fine steps, coarser and coarser cells; then the other way round, against the finest.
    by_cells = [
        abs(step_of_air(WINDSCREEN, h=50, seconds=60, step_s=0.05, cells=n).mid_c[-1] - exact) for n in (1, 3, 9)
    ]
    orders = [np.log(one / next_) / np.log(3) for one, next_ in pairwise(by_cells)]
    assert orders == pytest.approx([2, 2], abs=0.3)
    finest = step_of_air(WINDSCREEN, h=50, seconds=60, step_s=0.02, cells=5).mid_c[-1]
    by_steps = [abs(step_of_air(WINDSCREEN, h=50, seconds=60, step_s=s, cells=5).mid_c[-1] - finest) for s in (4, 2, 1)]
    orders = [np.log2(one / next_) for one, next_ in pairwise(by_steps)]
    assert orders == pytest.approx([2, 2], abs=0.3)


BUILDS = {
    "glass 4 mm": (glass(4),),
    "glass 5 mm": (glass(5),),
    "glass 6 mm": (glass(6),),
    "laminate 2.1/0.76/2.1 mm": WINDSCREEN,
}


def build_of(name):
    return next(layers for known, layers in BUILDS.items() if name.startswith(known.removesuffix(" mm")))


@pytest.mark.parametrize("h", [5.0, 25.0, 50.0])
@pytest.mark.parametrize("kelvin", [10, 5, 1])
def test_the_time_to_within_some_kelvin_is_the_exact_one(h, kelvin):
    for row in rows("physics_time_to_within"):
        if row["h_w_m2k"] != h:
            continue
        layers = build_of(row["build"])
        assert areal_heat_capacity_j_m2_k(layers) == pytest.approx(row["areal_heat_capacity_j_m2k"], rel=1e-4)
        assert lumped_time_constant_s(layers, h) == pytest.approx(row["tau_lumped_s"], rel=1e-4)
        found = time_to_band(
            layers, h_w_m2_k=h, start_c=0, air_c=100, low_c=100 - kelvin, high_c=101, steps=4000
        ).seconds
        assert found == pytest.approx(row[f"t_exact_mid_to_{kelvin}k_s"], abs=0.1)  # one printed digit


def test_heating_and_cooling_mirror_each_other_and_energy_is_kept():
    heating = step_of_air(WINDSCREEN, h=25, seconds=600, step_s=1)
    cooling = step_of_air(WINDSCREEN, h=25, seconds=600, step_s=1, start_c=77, air_c=-23)
    assert heating.cells_c + cooling.cells_c == pytest.approx(np.full_like(heating.cells_c, 54), abs=1e-9)
    assert heating.cells_c == pytest.approx(heating.cells_c[:, ::-1], abs=1e-9)
    theta = (77 - heating.mean_c) / 100
    assert np.all(np.diff(theta) < 0)
    # C dT_mean/dt = -2 h (T_surface - T_air), by differences over the later part.
    rate = np.gradient(heating.mean_c, 1.0)[50:-1]
    flux = 2 * 25 * (77 - heating.left_c[50:-1]) / areal_heat_capacity_j_m2_k(WINDSCREEN)
    assert rate == pytest.approx(flux, rel=1e-3)


def test_behind_a_ramp_the_glass_lags_by_rate_times_time_constant():
    # T - T_i = r (t - tau (1 - exp(-t/tau))), closed form of the lump; thin glass is one.
    pane = (glass(0.5),)
    tau = lumped_time_constant_s(pane, 10)
    seconds = np.arange(0, 1801.0, 1.0)
    computed = coupon_temperatures(pane, h_w_m2_k=10, start_c=0, air_c=seconds * 2 / 60, step_s=1)
    exact = 2 / 60 * (seconds - tau * (1 - np.exp(-seconds / tau)))
    assert computed.mean_c == pytest.approx(exact, abs=0.01)


@pytest.mark.parametrize("biot", [0.1, 1.0, 5.0])
def test_the_largest_stress_of_a_pane_is_the_exact_one(biot):
    row = next(row for row in rows("physics_thermal_stress_biot") if row["bi"] == biot)
    pane = glass(5)
    seconds = 1.5 * row["fo_at_surface_max"] * 0.0025**2 / (1 / (2500 * 720))
    computed = step_of_air(
        (pane,), h=biot / 0.0025, seconds=seconds, step_s=seconds / 3000, start_c=100, air_c=0, cells=81
    )
    full = float(thermal_stress_mpa(np.array(100.0)))
    assert full == pytest.approx(78.75)  # 0.7875 MPa/K: 70 GPa, 9e-6, 0.2
    assert computed.surface_stress_mpa.max() / full == pytest.approx(row["surface_max_stress_ratio"], rel=2e-3)
    assert computed.surface_stress_mpa.argmax() / 3000 == pytest.approx(1 / 1.5, abs=0.02)


def test_glass_that_is_heated_has_its_tension_inside():
    heating = step_of_air(WINDSCREEN, h=50, seconds=120, step_s=0.5)
    assert heating.surface_stress_mpa[1:].max() <= 0
    assert heating.glass_stress_mpa.max() > 0


def test_air_outside_the_band_never_brings_the_glass_in():
    reach = time_to_band(WINDSCREEN, h_w_m2_k=15, start_c=20, air_c=-17.8, low_c=-17.8, high_c=-10)
    assert reach.seconds is None
    assert "never brings the glass inside" in reach.reason
    assert time_to_band(WINDSCREEN, h_w_m2_k=15, start_c=-15, air_c=-16, low_c=-17.8, high_c=-10).seconds == 0
    assert reach_of(step_of_air(WINDSCREEN, h=10, seconds=60, step_s=1), low_c=70, high_c=80).seconds is None


@pytest.mark.parametrize("h", [8.0, 15.0, 40.0])
def test_the_fit_finds_the_coefficient_within_its_limits(h):
    rng = np.random.default_rng(int(h))
    seconds = np.arange(0, 3000.0, 10.0)
    air = np.where(seconds < 60, 21.0, 77.0)
    # The truth by the lumped formula from the step on: another road than the model's.
    tau = lumped_time_constant_s(WINDSCREEN, h)
    at_step = 21.0
    truth = np.where(seconds < 60, at_step, 77 - (77 - at_step) * np.exp(-(seconds - 60) / tau))
    fit = fit_heat_transfer(WINDSCREEN, elapsed_s=seconds, air_c=air, glass_c=truth + rng.normal(0, 0.1, len(truth)))
    assert fit.is_converged
    # The air is taken as straight between readings, the lump as without gradient: both cost a little.
    assert fit.h_w_m2_k == pytest.approx(h, rel=0.05)
    assert fit.low < fit.h_w_m2_k < fit.high
    assert fit.low_with_inputs <= fit.low
    assert fit.high_with_inputs > fit.high


def test_the_limits_of_the_fit_hold_the_truth_about_as_often_as_they_say():
    rng = np.random.default_rng(5)
    seconds = np.arange(0, 2400.0, 20.0)
    air = np.interp(seconds, [0, 120], [-18.0, 77.0])
    truth = coupon_temperatures(WINDSCREEN, h_w_m2_k=20, start_c=-18, air_c=air, step_s=20.0).mean_c
    fits = [
        fit_heat_transfer(WINDSCREEN, elapsed_s=seconds, air_c=air, glass_c=truth + rng.normal(0, 0.3, len(truth)))
        for _ in range(12)
    ]
    assert sum(fit.low <= 20 <= fit.high for fit in fits) >= 9


@pytest.mark.parametrize(
    ("air", "glass_c", "said"),
    [
        (np.full(50, 21.0), np.full(50, 21.0), "the glass changes too little"),
        (np.full(5, 21.0), np.linspace(0, 20, 5), "fewer than ten rows"),
        (np.full(50, 77.0), np.linspace(77, 0, 50), "is no convection in air"),
    ],
)
def test_a_trace_that_tells_nothing_gives_no_coefficient(air, glass_c, said):
    seconds = np.arange(len(air)) * 30.0
    fit = fit_heat_transfer(WINDSCREEN, elapsed_s=seconds, air_c=air, glass_c=glass_c)
    assert fit.h_w_m2_k is None
    assert said in fit.reason


def test_without_a_coupon_sensor_the_soak_begins_with_the_slowest_glass():
    seconds = np.arange(0, 4000.0, 10.0)
    reach = predicted_reach(
        WINDSCREEN,
        elapsed_s=seconds,
        air_c=np.full(len(seconds), 77.0),
        start_c=-23,
        h_range_w_m2_k=(10, 25),
        low_c=72,
        high_c=82,
    )
    # The exact times of tests/published/physics.md: 560 s for h 25, 1378 s for h 10.
    assert reach.earliest.seconds == pytest.approx(560, abs=1)
    assert reach.latest.seconds == pytest.approx(1378, abs=1)
