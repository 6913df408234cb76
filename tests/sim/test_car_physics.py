"""The simulated car against closed forms: statics, swing, friction, energy."""

from __future__ import annotations

from itertools import pairwise
from math import exp, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sim.car import Build, Car, CarSpec, G, Mass
from drivers.sim.efforts import blow, rock
from drivers.sim.floor import LEVEL, Floor, Four, slopes
from drivers.sim.linear import inverse, times

LOOSE: dict[str, object] = {"friction_N": LEVEL, "rubber_N_per_m": 0.0}
"""A car in which nothing sticks and nothing creeps: the linear car of the textbooks."""


def spec(**changed: object) -> CarSpec:
    values: dict[str, object] = {
        "name": "test",
        "wheelbase_m": 2.5,
        "tracks_m": (1.48, 1.46),
        "body": Mass(name="body", mass_kg=900.0, x_m=1.4, y_m=0.02, z_m=0.55),
    }
    return CarSpec(**(values | changed))  # type: ignore[arg-type]  # fields of mixed types, by name


def moments(loads: Four, car: CarSpec) -> tuple[float, float, float]:
    """Total, and the centre of mass as four loads tell it."""
    xs, ys = car.corners_m()
    total = sum(loads)
    return (
        total,
        sum(m * x for m, x in zip(loads, xs, strict=True)) / total,
        sum(m * y for m, y in zip(loads, ys, strict=True)) / total,
    )


def warp(loads: Four, car: CarSpec) -> float:
    """κ of four loads, in kg·m: their part along v = (1/t_f, −1/t_f, −1/t_r, 1/t_r)."""
    t_f, t_r = car.tracks_m
    v = np.array([1 / t_f, -1 / t_f, -1 / t_r, 1 / t_r])
    return float(v @ np.array(loads) / (v @ v))


heights = st.tuples(*[st.floats(-0.02, 0.02)] * 4)


@given(floor=heights, part=st.tuples(st.floats(1, 90), st.floats(-0.6, 3), st.floats(-0.7, 0.7)))
@settings(deadline=None, max_examples=60)
def test_loads_are_those_of_statics_on_any_floor(floor: Four, part: tuple[float, float, float]) -> None:
    """x̄ − h·α, ȳ − h·β and M are determinate; κ moves by K·θ/g (textbook statics, mechanics notes)."""
    m, x, y = part
    build = Build(spec(**LOOSE), (Mass(name="part", mass_kg=m, x_m=x, y_m=y, z_m=0.4),))
    alpha, beta, theta = slopes(floor, 2.5, (1.48, 1.46))
    loads = Car.standing(build, Floor(heights_m=floor), "out").loads_kg()
    level = Car.standing(build, Floor(), "out").loads_kg()
    cx, cy, h = build.centre_m()
    assert moments(loads, build.spec) == pytest.approx(
        (build.mass_kg(), cx - h * alpha, cy - h * beta), abs=1e-9
    )
    tilted = Car.standing(build, Floor(heights_m=plane_of(floor)), "out").loads_kg()
    moved = warp(loads, build.spec) - warp(tilted, build.spec)
    assert moved == pytest.approx(build.spec.warp_stiffness_N_m() * theta / G, abs=1e-8)
    assert sum(level) == pytest.approx(sum(loads))


def plane_of(heights_m: Four) -> Four:
    """The least-squares plane through four heights, by numpy."""
    xs, ys = spec().corners_m()
    a = np.column_stack([np.ones(4), xs, ys])
    fit = a @ np.linalg.lstsq(a, np.array(heights_m), rcond=None)[0]
    return tuple(float(v) for v in fit)  # type: ignore[return-value]  # four corners


@given(floor=heights)
@settings(deadline=None, max_examples=30)
def test_slopes_are_those_of_the_least_squares_plane(floor: Four) -> None:
    xs, ys = spec().corners_m()
    a = np.column_stack([np.ones(4), xs, ys])
    _, alpha, beta = np.linalg.lstsq(a, np.array(floor), rcond=None)[0]
    assert slopes(floor, 2.5, (1.48, 1.46))[:2] == pytest.approx((alpha, beta), abs=1e-12)


@pytest.mark.parametrize(
    ("rates", "tracks", "expected_kg"),
    [
        # check value warp.equal: four equal ride rates of 25 N/mm, 1 mm under one pad (from memory)
        ((25_000.0, 25_000.0), (1.47, 1.47), (0.6373226331,) * 2),
        # check value warp.unequal: 26/31 N/mm, tracks 1.48/1.46 m (from memory; reproduced by script)
        ((26_000.0, 31_000.0), (1.48, 1.46), (0.711998466287, 0.721751869934)),
    ],
)
def test_a_millimetre_under_one_pad(
    rates: tuple[float, float], tracks: tuple[float, float], expected_kg: tuple[float, float]
) -> None:
    build = Build(spec(spring_N_per_m=rates, tracks_m=tracks, bar_N_per_m=(0.0, 0.0), **LOOSE))
    floor = Floor(heights_m=(0.001, 0.0, 0.0, 0.0))
    alpha, beta, _ = slopes(floor.heights_m, 2.5, tracks)
    flat = Car(build, slopes=(alpha, beta)).loads_kg()
    shimmed = Car.standing(build, floor, "out").loads_kg()
    front, rear = expected_kg
    moved = [b - a for a, b in zip(flat, shimmed, strict=True)]
    assert moved == pytest.approx([front, -front, -rear, rear], abs=1e-9)


def test_half_a_turn_reverses_tilt_and_keeps_twist() -> None:
    build = Build(spec(tracks_m=(1.47, 1.47), **LOOSE))
    floor = Floor(heights_m=(0.004, -0.003, 0.001, 0.006))
    out, back = (Car.standing(build, floor, facing).loads_kg() for facing in ("out", "back"))
    level = Car.standing(build, Floor(), "out").loads_kg()
    mean: Four = tuple((a + b) / 2 for a, b in zip(out, back, strict=True))  # type: ignore[assignment]  # four
    assert moments(mean, build.spec) == pytest.approx(moments(level, build.spec), abs=1e-9)
    *_, theta = slopes(floor.heights_m, 2.5, (1.47, 1.47))
    left = warp(mean, build.spec) - warp(level, build.spec)
    assert left == pytest.approx(build.spec.warp_stiffness_N_m() * theta / G, abs=1e-9)
    assert left > 10.0


def symmetric(zeta: float) -> tuple[Build, float, float]:
    """A car that heaves alone: its build, undamped angular frequency and settled total."""
    k = 20_000.0
    wn = sqrt(4 * k / 900.0)
    c = 2 * zeta * wn * 900.0 / 4
    body = Mass(name="body", mass_kg=900.0, x_m=1.25, y_m=0.0, z_m=0.5)
    car = spec(body=body, spring_N_per_m=(k, k), damping_N_s_per_m=(c, c), bar_N_per_m=(0.0, 0.0), **LOOSE)
    return Build(car), wn, 900.0 + sum(car.unsprung_kg)


@pytest.mark.parametrize(
    ("zeta", "overshoot_percent", "ts2", "ts5"),
    [
        # check values step2.0.1 … step2.0.8: closed forms, exact times numerically (from memory; by script)
        (0.1, 72.9248, 38.3833, 28.9679),
        (0.2, 52.6621, 19.602, 13.7444),
        (0.3, 37.2326, 11.2301, 10.1371),
        (0.5, 16.3034, 8.0764, 5.2891),
        (0.7, 4.5988, 5.9788, 2.8998),
        (0.8, 1.5165, 3.7558, 3.3854),
    ],
)
def test_swing_of_a_loose_car_is_the_textbook_second_order_step(
    zeta: float, overshoot_percent: float, ts2: float, ts5: float
) -> None:
    """The body's place after a force is laid on it at once: overshoot and settling times in 1/ω."""
    build, wn, _ = symmetric(zeta)
    car, force_N, dt = Car(build), 800.0, 2e-4
    car.push(lambda _: (force_N, force_N * 1.25, 0.0))
    travel, start = [], car.settled_kg()
    place = car.heave_m()
    for _ in range(round(40 / wn / dt)):
        car.step(dt)
        travel.append((car.heave_m() - place) / (force_N / 80_000.0))
    step = np.array(travel)
    assert (step.max() - 1) * 100 == pytest.approx(overshoot_percent, abs=0.1)
    for band, expected in ((0.02, ts2), (0.05, ts5)):
        last = int(np.flatnonzero(np.abs(step - 1) > band)[-1]) + 2
        assert last * dt * wn == pytest.approx(expected, abs=0.02)
    assert start == pytest.approx(car.settled_kg())


def test_decay_after_a_blow_gives_back_the_damping_ratio() -> None:
    """δ = ln(x0/xn)/n and ζ = δ/√(4π² + δ²) (check value logdec, read in its source)."""
    build, wn, total = symmetric(0.1)
    car, dt = Car(build), 5e-4
    car.push(blow(0.0, 300.0, (1.25, 0.0), length_s=0.02))
    load = []
    for _ in range(round(4.0 / dt)):
        car.step(dt)
        load.append(sum(car.loads_kg()) - total)
    signal = np.array(load)[round(0.1 / dt) :]
    peaks = np.flatnonzero((signal[1:-1] > signal[:-2]) & (signal[1:-1] >= signal[2:])) + 1
    delta = log(signal[peaks[0]] / signal[peaks[2]]) / 2
    assert delta / sqrt(4 * pi**2 + delta**2) == pytest.approx(0.1, abs=0.002)
    assert (peaks[2] - peaks[0]) * dt / 2 == pytest.approx(2 * pi / (wn * sqrt(1 - 0.01)), rel=0.005)


def stuck_car() -> Car:
    car = Car(Build(spec()))
    car.hang((50.0, -65.0, -45.0, 60.0))
    return car


def run(car: Car, time_s: float, dt_s: float = 0.0025) -> None:
    for _ in range(round(time_s / dt_s)):
        car.step(dt_s)


def test_warp_hangs_until_the_car_is_rocked() -> None:
    car = stuck_car()
    loose = warp(Car(car.build).loads_kg(), car.spec)
    hung = warp(car.loads_kg(), car.spec) - loose
    assert hung > 5.0
    run(car, 20.0)
    assert warp(car.loads_kg(), car.spec) - loose == pytest.approx(hung, abs=1e-6)
    before = moments(car.loads_kg(), car.spec)
    for end_s, x_m in ((20.0, 2.9), (22.0, -0.4)):
        car.push(rock(end_s, 3, 0.62, 500.0, at_m=(x_m, 0.1)))
    run(car, 25.0)
    assert abs(warp(car.loads_kg(), car.spec) - loose) < 0.3 * hung
    assert moments(car.loads_kg(), car.spec) == pytest.approx(before, abs=1e-4)


def test_a_small_push_leaves_the_warp_as_it_hangs() -> None:
    car = Car(Build(spec()))
    car.hang((25.0, -32.0, -22.0, 30.0))
    hung = warp(car.loads_kg(), car.spec)
    car.push(blow(0.0, 1.0, (1.25, 0.0)))
    run(car, 15.0)
    assert warp(car.loads_kg(), car.spec) == pytest.approx(hung, abs=0.02)


def test_energy_only_falls_when_nobody_pushes() -> None:
    car = stuck_car()
    car.push(rock(0.0, 2, 0.6, 600.0, at_m=(2.6, 0.3)))
    run(car, 1.25)
    energies = []
    for _ in range(2000):
        car.step(0.001)
        energies.append(car.energy_J())
    rises = [b - a for a, b in pairwise(energies) if b > a]
    assert energies[0] - energies[-1] > 0.3
    assert sum(rises) < 0.01 * (energies[0] - energies[-1])


def test_the_settled_truth_is_where_the_car_comes_to_rest() -> None:
    car = stuck_car()
    car.push(rock(0.0, 3, 0.62, 500.0, at_m=(2.9, -0.2)))
    run(car, 4.0)
    foretold = car.settled_kg()
    run(car, 30.0)
    assert car.loads_kg() == pytest.approx(foretold, abs=0.002)


def test_rubber_leaves_a_tail_with_its_time_constant() -> None:
    """After the swing, what is left of the warp falls as exp(−t/τ'), τ' within the stiffness ratio of τ."""
    car = Car(Build(spec(friction_N=LEVEL, rubber_s=4.0)))
    for _ in range(200):
        car.step(0.0025, (0.02, 0.0, 0.0, 0.0))
    run(car, 3.0)
    end = warp(car.settled_kg(), car.spec)
    first = warp(car.loads_kg(), car.spec) - end
    run(car, 4.0)
    left = (warp(car.loads_kg(), car.spec) - end) / first
    assert first > 0.5
    assert left == pytest.approx(exp(-1.0), abs=0.02)


@given(st.lists(st.floats(-2, 2), min_size=9, max_size=9), st.tuples(*[st.floats(-5, 5)] * 3))
@settings(deadline=None, max_examples=40)
def test_inverse_is_that_of_numpy(values: list[float], v: tuple[float, float, float]) -> None:
    a = np.array(values).reshape(3, 3) + 5 * np.eye(3)
    m = tuple(tuple(float(x) for x in row) for row in a)
    expected = np.linalg.solve(a, np.array(v))
    assert times(inverse(m), v) == pytest.approx(expected, abs=1e-9)  # type: ignore[arg-type]  # 3 × 3
