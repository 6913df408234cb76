"""A car as springs hold it: a rigid body in heave, pitch and roll on four corners that stick.

Each corner is a spring, a damper, a sticking friction (Coulomb, with the stiffness the tyre has while the
suspension does not slide) and a rubber part that relaxes with seconds; an anti-roll bar joins each axle.
Four corners carry a body with three freedoms, so the fourth pattern of load, the warp, is held by springs
and friction alone: it hangs after driving on until the car is rocked. Linear geometry: angles are small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from drivers.sim.floor import LEVEL, Facing, Floor, Four, slopes
from drivers.sim.linear import Three, inverse, times

G = 9.80665
"""Standard gravity, m/s² (3rd CGPM 1901): loads are given as the mass that weighs as much under it."""

Effort = Callable[[float], Three | None]
"""Time (s) → generalised force from outside (N down, N·m nose down, N·m left side down) about the origin,
the ground under the middle of the rear axle; None when it is over and may be forgotten."""


@dataclass(frozen=True, kw_only=True)
class Mass:
    """Something with a mass (kg) at a place in the car's frame (m: forward, left, up)."""

    name: str
    mass_kg: float
    x_m: float
    y_m: float
    z_m: float


@dataclass(frozen=True, kw_only=True)
class CarSpec:
    """What is built into a car; pairs are (front, rear), fours are LF RF LR RR, rates act at the wheel."""

    name: str
    wheelbase_m: float
    tracks_m: tuple[float, float]
    body: Mass
    """The sprung mass without the parts, fluids and people that come and go."""
    pitch_radius_m: float = 1.05
    """Radius of gyration of the body in pitch about its own centre."""
    roll_radius_m: float = 0.52
    """Radius of gyration of the body in roll about its own centre."""
    unsprung_kg: Four = (26.0, 26.0, 24.0, 24.0)
    tyre_radius_m: float = 0.29
    spring_N_per_m: tuple[float, float] = (21_000.0, 19_000.0)
    bar_N_per_m: tuple[float, float] = (7_000.0, 2_500.0)
    """Force at a wheel per metre of difference between the travels of the axle's two wheels."""
    damping_N_s_per_m: tuple[float, float] = (1_500.0, 1_350.0)
    friction_N: Four = (50.0, 65.0, 45.0, 60.0)
    """Force at which each corner's suspension begins to slide; seldom alike, so that driving leaves warp."""
    stuck_N_per_m: float = 110_000.0
    """Stiffness a corner has on top of its spring while it does not slide: about that of a tyre."""
    rubber_N_per_m: float = 6_000.0
    rubber_s: float = 3.0
    """Stiffness and time constant of what relaxes: bushings and tyres; the tail of a settle curve."""
    scrub_N_per_m: float = 0.0
    """Force on each wheel, up on one diagonal and down on the other, that the tyres' sideways drag leaves per
    metre of sinking; it creeps away with rubber_s, and no dry friction hides it."""
    perch_m: Four = (0.0, 0.0, 0.0, 0.0)
    """How much higher than nominal each spring stands; its warp part is the car's own diagonal."""

    def corners_m(self) -> tuple[Four, Four]:
        """x and y of the four contact points."""
        f, r = self.tracks_m
        return (self.wheelbase_m, self.wheelbase_m, 0.0, 0.0), (f / 2, -f / 2, r / 2, -r / 2)

    def warp_stiffness_N_m(self) -> float:
        """K in N·m/rad: both axles' roll stiffnesses in series; friction and rubber left out."""
        front, rear = (
            (k / 2 + b) * t**2
            for k, b, t in zip(self.spring_N_per_m, self.bar_N_per_m, self.tracks_m, strict=True)
        )
        return front * rear / (front + rear)


@dataclass(frozen=True)
class Build:
    """A car and what is in it at one time: the part of the truth that scales are asked for."""

    spec: CarSpec
    aboard: tuple[Mass, ...] = ()

    def plus(self, mass: Mass) -> Build:
        """The same with one more mass aboard."""
        return replace(self, aboard=(*self.aboard, mass))

    def minus(self, name: str) -> Build:
        """The same without the mass of that name; KeyError when it is not aboard."""
        kept = tuple(m for m in self.aboard if m.name != name)
        if len(kept) == len(self.aboard):
            raise KeyError(name)
        return replace(self, aboard=kept)

    def all(self) -> Iterable[Mass]:
        """Every mass, the wheels' included."""
        xs, ys = self.spec.corners_m()
        yield self.spec.body
        yield from self.aboard
        for x, y, m in zip(xs, ys, self.spec.unsprung_kg, strict=True):
            yield Mass(name="wheel", mass_kg=m, x_m=x, y_m=y, z_m=self.spec.tyre_radius_m)

    def mass_kg(self) -> float:
        """Total mass."""
        return sum(m.mass_kg for m in self.all())

    def centre_m(self) -> Three:
        """Centre of mass: ahead of the rear axle, left of the centre line, above the ground."""
        total = self.mass_kg()
        return (
            sum(m.mass_kg * m.x_m for m in self.all()) / total,
            sum(m.mass_kg * m.y_m for m in self.all()) / total,
            sum(m.mass_kg * m.z_m for m in self.all()) / total,
        )


class Car:
    """One car over a floor, moved on by `step`; `loads_kg` is what the four contact patches carry now."""

    def __init__(
        self, build: Build, *, ground_m: Four = LEVEL, slopes: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        spec = build.spec
        self.spec, self.build, self.t_s = spec, build, 0.0
        self._x, self._y = spec.corners_m()
        self._k = _four(spec.spring_N_per_m)
        self._c = _four(spec.damping_N_s_per_m)
        self._at: Three = (0.0, 0.0, 0.0)
        self._speed: Three = (0.0, 0.0, 0.0)
        self._friction = [0.0] * 4
        self._rubber = [0.0] * 4
        self._scrub = 0.0
        across = spec.tracks_m[0] / spec.tracks_m[1]
        self._diagonal = (1.0, -1.0, -across, across)
        self._ground = [h + p for h, p in zip(ground_m, spec.perch_m, strict=True)]
        self._force = [0.0] * 4
        self._slopes = slopes
        self._efforts: list[Effort] = []
        self._weigh()
        self.hang(LEVEL)

    @classmethod
    def standing(cls, build: Build, floor: Floor, facing: Facing) -> Car:
        """A car at rest on its four spots with nothing stuck: what statics says it weighs there."""
        heights = floor.under_corners_m(facing)
        alpha, beta, _ = slopes(heights, build.spec.wheelbase_m, build.spec.tracks_m)
        return cls(build, ground_m=heights, slopes=(alpha, beta))

    def rebuild(self, build: Build) -> None:
        """Change what is aboard, at once."""
        self.build = build
        self._weigh()

    def push(self, effort: Effort) -> None:
        """Add a force from outside."""
        self._efforts.append(effort)

    def hang(self, forces_N: Four) -> None:
        """Leave the four suspensions stuck with these forces, as driving does, and the car at rest."""
        self._friction = [_within(f, limit) for f, limit in zip(forces_N, self.spec.friction_N, strict=True)]
        self._at = self._balance(self._friction, [0.0] * 4)
        self.settle()

    def settle(self) -> None:
        """Put the car where it comes to rest with its friction as it hangs."""
        self._at, self._friction = self._resting()
        self._speed = (0.0, 0.0, 0.0)
        self._rubber = [0.0] * 4
        self._scrub = 0.0
        self._force = self._spring_forces(self._at, self._friction)

    def step(self, dt_s: float, ground_m_per_s: Four = LEVEL) -> None:
        """Move on by dt (s; semi-implicit Euler, keep dt ≤ 0.005) while the ground rises at these speeds."""
        spec, friction, rubber, ground = self.spec, self._friction, self._rubber, self._ground
        (w, p, q), (vw, vp, vq) = self._at, self._speed
        limits, stuck, relax = spec.friction_N, spec.stuck_N_per_m * dt_s, spec.rubber_N_per_m * dt_s
        fade = 1.0 - dt_s / spec.rubber_s
        force, travel = self._force, [0.0] * 4
        for i in range(4):
            x, y = self._x[i], self._y[i]
            ground[i] += ground_m_per_s[i] * dt_s
            speed = vw + x * vp + y * vq + ground_m_per_s[i]
            travel[i] = w + x * p + y * q + ground[i]
            held, limit = friction[i] + stuck * speed, limits[i]
            friction[i] = held = limit if held > limit else -limit if held < -limit else held
            rubber[i] = rubber[i] * fade + relax * speed
            force[i] = self._k[i] * travel[i] + self._c[i] * speed + held + rubber[i]
        self._add_bars(force, travel)
        self._scrub = self._scrub * fade + spec.scrub_N_per_m * vw * dt_s
        fw, fp, fq = self._pull(force)
        aw, ap, aq = times(self._inverse_mass, (fw, fp, fq))
        vw, vp, vq = vw + aw * dt_s, vp + ap * dt_s, vq + aq * dt_s
        self._speed = (vw, vp, vq)
        self._at = (w + vw * dt_s, p + vp * dt_s, q + vq * dt_s)
        self.t_s += dt_s

    def loads_kg(self) -> Four:
        """What LF RF LR RR press on the ground with now; a wheel in the air presses with nothing."""
        f, u, w = self._force, self.spec.unsprung_kg, self._diagonal
        return _as_four([max(0.0, (f[i] + self._scrub * w[i]) / G + u[i]) for i in range(4)])

    def heave_m(self) -> float:
        """How far the body's centre of mass hangs below where springs without load would hold it."""
        body = self.build.spec.body
        return self._at[0] + body.x_m * self._at[1] + body.y_m * self._at[2]

    def settled_kg(self) -> Four:
        """Loads when all swing and tails have died out with the friction as it hangs now.

        Exact as soon as the swing left is too small to make a suspension slide again.
        """
        at, friction = self._resting()
        force = self._spring_forces(at, friction)
        return _as_four([f / G + u for f, u in zip(force, self.spec.unsprung_kg, strict=True)])

    def energy_J(self) -> float:
        """Kinetic and spring energy above nothing in particular: only its fall is meant to be looked at."""
        m = self._mass
        v, at = self._speed, self._at
        kinetic = 0.5 * sum(v[i] * times(m, v)[i] for i in range(3))
        travel = self._travel(at)
        spring = 0.5 * sum(k * d * d for k, d in zip(self._k, travel, strict=True))
        for bar, (a, b) in zip(self.spec.bar_N_per_m, ((0, 1), (2, 3)), strict=True):
            spring += 0.5 * bar * (travel[a] - travel[b]) ** 2
        stuck = self.spec.stuck_N_per_m
        held = sum(f * f for f in self._friction) / (2 * stuck)
        rubber = sum(f * f for f in self._rubber) / (2 * self.spec.rubber_N_per_m or 1.0)
        return kinetic + spring + held + rubber - sum(a * b for a, b in zip(self._weight, at, strict=True))

    # -- inside ---------------------------------------------------------------------------------------

    def _weigh(self) -> None:
        """Mass matrix about the origin, and the weight with its moments on the sloping floor."""
        body = self.build.spec.body
        s = _second_moments((body, *self.build.aboard))
        s[3] += body.mass_kg * self.spec.pitch_radius_m**2
        s[5] += body.mass_kg * self.spec.roll_radius_m**2
        self._mass = ((s[0], s[1], s[2]), (s[1], s[3], s[4]), (s[2], s[4], s[5]))
        self._inverse_mass = inverse(self._mass)
        height = sum(m.mass_kg * m.z_m for m in self.build.all())
        alpha, beta = self._slopes
        self._weight: Three = (G * s[0], G * (s[1] - height * alpha), G * (s[2] - height * beta))

    def _pull(self, force: list[float]) -> Three:
        """Weight and efforts less what the corners hold up."""
        (x0, x1, x2, x3), (y0, y1, y2, y3) = self._x, self._y
        a, b, c, d = force
        fw = self._weight[0] - (a + b + c + d)
        fp = self._weight[1] - (a * x0 + b * x1 + c * x2 + d * x3)
        fq = self._weight[2] - (a * y0 + b * y1 + c * y2 + d * y3)
        for effort in tuple(self._efforts):
            push = effort(self.t_s)
            if push is None:
                self._efforts.remove(effort)
                continue
            fw, fp, fq = fw + push[0], fp + push[1], fq + push[2]
        return fw, fp, fq

    def _add_bars(self, force: list[float], travel: list[float]) -> None:
        front, rear = self.spec.bar_N_per_m
        twist_front, twist_rear = front * (travel[0] - travel[1]), rear * (travel[2] - travel[3])
        force[0] += twist_front
        force[1] -= twist_front
        force[2] += twist_rear
        force[3] -= twist_rear

    def _travel(self, at: Three) -> list[float]:
        w, p, q = at
        return [w + self._x[i] * p + self._y[i] * q + self._ground[i] for i in range(4)]

    def _spring_forces(self, at: Three, friction: list[float]) -> list[float]:
        travel = self._travel(at)
        force = [self._k[i] * travel[i] + friction[i] for i in range(4)]
        self._add_bars(force, travel)
        return force

    def _resting(self) -> tuple[Three, list[float]]:
        """Where it comes to rest: corners hold on like springs until their limit, then slide with it."""
        limits, stuck = self.spec.friction_N, self.spec.stuck_N_per_m
        now = self._travel(self._at)
        held, grip = list(self._friction), [stuck if limit > 0 else 0.0 for limit in limits]
        for _ in range(5):
            at = self._balance(held, grip)
            moved = [a - b for a, b in zip(self._travel(at), now, strict=True)]
            friction = [h + g * d for h, g, d in zip(held, grip, moved, strict=True)]
            slides = [abs(f) > limit for f, limit in zip(friction, limits, strict=True)]
            if not any(slides):
                break
            for i in range(4):
                if slides[i]:
                    held[i], grip[i] = _within(friction[i], limits[i]), 0.0
        return at, friction

    def _balance(self, held: list[float], grip: list[float]) -> Three:
        """Where the body hangs if each corner is held by this friction here and grips from here on."""
        force = self._spring_forces(self._at, held)
        xs, ys, k = self._x, self._y, [a + b for a, b in zip(self._k, grip, strict=True)]
        bars = [bar * t * t for bar, t in zip(self.spec.bar_N_per_m, self.spec.tracks_m, strict=True)]
        s = [
            sum(terms)
            for terms in zip(
                *(
                    (a, a * x, a * y, a * x * x, a * x * y, a * y * y)
                    for a, x, y in zip(k, xs, ys, strict=True)
                ),
                strict=True,
            )
        ]
        stiffness = ((s[0], s[1], s[2]), (s[1], s[3], s[4]), (s[2], s[4], s[5] + sum(bars)))
        rest = (
            self._weight[0] - sum(force),
            self._weight[1] - sum(f * x for f, x in zip(force, xs, strict=True)),
            self._weight[2] - sum(f * y for f, y in zip(force, ys, strict=True)),
        )
        w, p, q = times(inverse(stiffness), rest)
        return (self._at[0] + w, self._at[1] + p, self._at[2] + q)


def _within(force_N: float, limit_N: float) -> float:
    return min(max(force_N, -limit_N), limit_N)


def _four(pair: tuple[float, float]) -> Four:
    front, rear = pair
    return (front, front, rear, rear)


def _as_four(values: list[float]) -> Four:
    a, b, c, d = values
    return (a, b, c, d)


def _second_moments(masses: Iterable[Mass]) -> list[float]:
    """Sums over masses of m, m·x, m·y, m·x², m·x·y, m·y²."""
    sums = [0.0] * 6
    for m in masses:
        x, y = m.x_m, m.y_m
        for i, v in enumerate((1.0, x, y, x * x, x * y, y * y)):
            sums[i] += m.mass_kg * v
    return sums
