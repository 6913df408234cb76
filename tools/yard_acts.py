"""What people do with a car on four pads in a yard (yard_sessions.py), one act after another.

Written without sight of the settling code. Each act moves the loads and then lets a stretch pass in which
nobody touches.
"""

from __future__ import annotations

import numpy as np
from yard_car import Car, alone
from yard_draws import Array, log_uniform
from yard_levels import Levels

MOST_LEVELS = 18


class Weighing:
    """One session: the car comes, things are done to it, it goes; once in a while it comes twice."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.car = Car(rng)
        self.quiet = Levels(self.car)
        self.t = 0.0
        self.seats: list[tuple[float, float]] = []
        """From when to when a person was aboard."""
        self.on: list[tuple[float, float]] = []
        """From when to when the car was on the pads."""
        self.seated_since: float | None = None
        self.on_since = 0.0
        self.driver: Array = np.zeros(4)
        self.parts_off: list[Array] = []
        self.tool: Array | None = None
        self.door: Array | None = None

    def play(self) -> float:
        """Go through the session; returns its end in s."""
        rng, people = self.rng, self.car.people
        self._wait(empty=True, shortest_s=6.5)
        self.car_on()
        if rng.random() < 0.75:
            self.rock()
        again = rng.random() < 0.2
        while self.t < people.length_s - 22 and len(self.quiet.levels) < MOST_LEVELS:
            late = 0.45 * people.length_s < self.t < people.length_s - 90
            if again and late and self.seated_since is None:
                again = False
                self.car_off()
                self.car_on()
            else:
                self._act()
        if self.seated_since is not None and people.way_on != "drive":
            self._get_out()
            self.t += rng.uniform(1, 4)
        self.car_off()
        return self.t + rng.uniform(0.5, 4)

    def _act(self) -> None:
        """Do one of the things that can be done now."""
        seated, off = self.seated_since is not None, len(self.parts_off)
        acts = [
            (self.rock, 1.5 if seated else 3.0),
            (self.part_off, (2.5 if off < 5 else 0) * (0.3 if seated else 1)),
            (self.part_on, 0.7 * off),
            (self.lean_tool, 1.0 if self.tool is None else 2.0),
            (self.move_door, 0.8 if self.door is None else 3.0),
            (self.bump, 0.9),
            (self.person_in, 0 if seated else 1.5),
            (self.person_out, 2.5 if seated else 0),
            (self.person_shifts, 1.5 if seated else 0),
        ]
        weights = np.array([weight for _, weight in acts])
        acts[int(self.rng.choice(len(acts), p=weights / weights.sum()))][0]()

    def _wait(self, *, empty: bool = False, shortest_s: float = 0.0) -> None:
        """Let a stretch pass in which nobody touches."""
        aboard = self.seated_since is not None
        self.t = self.quiet.wait(self.t, aboard=aboard, empty=empty, shortest_s=shortest_s)

    def car_on(self) -> None:
        """Bring the car onto the pads: driven, rolled, or jacked up and let down on them."""
        rng, car, body, people = self.rng, self.car, self.car.body, self.car.people
        self.parts_off, self.tool, self.door = [], None, None
        base = car.place(body.mass_kg, body.front, body.left)
        car.warp_home = float(base @ body.warp) / float(body.warp @ body.warp) + body.warp_mean_kg
        goal = base + (body.warp_mean_kg + rng.normal(0, body.rock_sd_kg)) * body.warp
        self.driver = car.place(
            people.person_kg, rng.uniform(0.42, 0.56), 0.5 + people.side * rng.uniform(0.2, 0.3)
        )
        self.on_since = self.t
        if people.way_on == "jack":
            self._let_down(goal)
        else:
            self._roll_on(goal + self.driver if people.way_on == "drive" else goal)
        self._wait()

    def _let_down(self, goal: Array) -> None:
        """Lift one axle, push its pads under, let it down; then the other."""
        rng, car = self.rng, self.car
        front = np.where([1, 1, 0, 0], goal, 0.0)
        t = self.t
        for axle, first in ((front, True), (goal - front, False)):
            if not first:
                car.step(0.04 * front, t, 1.5, settles=False, creeps=False)
                car.step(-0.04 * front, t + 4, 1.0, settles=False, creeps=False)
                car.hands(t, 4.5, 4)
                t += 4
            down, part = rng.uniform(1, 3.5), rng.uniform(0.5, 0.9)
            car.step(axle * part, t, down)
            car.step(axle * (1 - part), t + down, rng.uniform(0.3, 0.8))
            car.swings(t + down + 0.3, 6)
            t += down + rng.uniform(0.9, 2)
            self.t = t
            car.warp_tail(t, 0.6 if first else 1.5)
            if first:
                car.live[2:, car.index(self.on_since) :] = 0.0  # nothing under the rear yet
                if car.tails.slow != "none":
                    car.warp_slow[car.index(t) :] = 0.0
                self._wait()
                t = self.t

    def _roll_on(self, goal: Array) -> None:
        """Drive or push the car on, over the rear pads as likely as not."""
        rng, car, driven = self.rng, self.car, self.car.people.way_on == "drive"
        t, v = self.t, rng.uniform(0.25, 0.9) if driven else rng.uniform(0.12, 0.4)
        edge = rng.uniform(0.12, 0.25) / v
        if rng.random() < 0.6:
            crossing = np.array([0, 0, goal[0], goal[1]]) * rng.uniform(0.97, 1.03, 4)
            lag, stay = rng.uniform(0, 0.1, 2), rng.uniform(0.2, 0.5) / v
            for c in (2, 3):
                one = alone(c, crossing)
                car.step(one, t + lag[c - 2], edge, settles=False)
                car.step(-one, t + lag[c - 2] + edge + stay, edge, settles=False)
            t += edge * 2 + stay + (car.body.wheelbase_m - 0.8) / v * rng.uniform(0.5, 0.8)
        gap = rng.uniform(0.1, 0.8) / v if rng.random() < 0.8 else rng.uniform(2, 5)
        for c in range(4):
            car.roll_on(alone(c, goal), t + (c > 1) * gap + rng.uniform(0, 0.12) / v, edge)
        t += gap + edge + rng.uniform(0.5, 1.5) / v * 0.5
        push = rng.uniform(1.2, 2.5)
        car.hands(t - 1, push, 9 if driven else 5)
        t += push - 1
        car.swings(t, 22 if driven else 10)
        car.swing(t, "pitch", 12 * car.springs.scale)
        t += rng.uniform(0.2, 1.2)
        if driven:
            self.seated_since = t
            car.hands(t, 1.5, 2)
            t += 1.5
        car.warp_tail(t, 1.5)
        self.t = t

    def rock(self) -> None:
        """Push the car up and down; the warp mode slips at each push, and the last one counts."""
        rng, car, body, t = self.rng, self.car, self.car.body, self.t
        hz, pushes = rng.uniform(0.7, 1.8), int(rng.integers(3, 9))
        shares = (
            car.shape("bounce")
            + rng.normal(0, 0.25) * car.shape("pitch")
            + rng.normal(0, 0.3) * car.shape("roll")
        )
        kg = rng.uniform(12, 55)
        car.push(t, hz, pushes, shares, kg)
        for j in range(pushes - 1):
            car.slip(t + (j + 0.5) / hz, body.rock_sd_kg * 0.5, 0.12)
        self.t = t + pushes / hz
        car.slip(self.t - 0.3, body.rock_sd_kg, 0.3, anew=True)
        car.swings(self.t, kg * 0.8, kick=False)
        car.warp_tail(self.t, 1.0)
        if rng.random() < car.springs.late_slip:  # one more slip with nobody near
            change = rng.normal(0, 0.25) * body.rock_sd_kg * body.warp
            car.step(change, self.t + rng.uniform(0.8, 4), 0.1, creeps=False)
        self._wait()

    def _open_door(self, t: float, side: int) -> float:
        """Swing a door out, which moves the balance only; returns how long it took."""
        rng, car = self.rng, self.car
        kg, out, back = rng.uniform(14, 32), rng.uniform(0.3, 0.5), rng.uniform(0.1, 0.35)
        roll = side * kg * out / 1.42 * np.array([0.5, -0.5, 0.5, -0.5])
        self.door = roll - kg * back / car.body.wheelbase_m * np.array([0.5, 0.5, -0.5, -0.5])
        lasts = rng.uniform(0.6, 1.4)
        car.hands(t, lasts + 0.3, 2.5)
        car.step(self.door, t, lasts, creeps=False)
        car.swings(t + lasts, 2.5)
        return lasts + 0.3

    def _close_door(self, t: float) -> float:
        """Shut the open door; returns how long it took."""
        rng, car, door = self.rng, self.car, self.door
        assert door is not None
        lasts = rng.uniform(0.4, 0.9)
        car.hands(t, lasts + 0.1, 2.5)
        car.step(-door, t, lasts, creeps=False)
        car.knock(t + lasts, rng.uniform(3, 22))
        self.door = None
        return lasts + 0.35

    def person_in(self) -> None:
        """Let the person get in, in three movements, and shut the door."""
        rng, car, t = self.rng, self.car, self.t
        if self.door is None:
            t += self._open_door(t, car.people.side) + rng.uniform(0, 0.5)
        share, lasts = np.sort(rng.uniform(0.15, 0.9, 2)), rng.uniform(0.4, 1.3, 3)
        for before, after, moves in zip((0, *share), (*share, 1), lasts, strict=True):
            car.step(self.driver * (after - before), t, moves)
            car.swings(t + moves * 0.7, car.people.person_kg * 0.14)
            t += moves + rng.uniform(0, 0.5)
        car.hands(t - lasts.sum() * 0.8, lasts.sum() * 0.8 + 1.2, 6)
        t += rng.uniform(0.6, 1.8)
        t += self._close_door(t)
        car.slip(t - 0.8, car.body.touch_sd_kg * 1.5, 0.5)
        self.seated_since = t - 2
        car.sink(t)
        car.warp_tail(t, 0.7)
        self.t = t
        self._wait()

    def person_out(self) -> None:
        """Let the person get out."""
        self._get_out()
        self._wait()

    def _get_out(self) -> None:
        rng, car, t = self.rng, self.car, self.t
        if self.door is None:
            t += self._open_door(t, car.people.side)
        share = rng.uniform(0.3, 0.8)
        first, second = rng.uniform(0.5, 1.4, 2)
        car.hands(t, first + second + 0.6, 8)
        self._no_longer_seated(t)
        car.step(-self.driver * share, t, first)
        car.step(-self.driver * (1 - share), t + first + 0.2, second)
        car.swings(t + first + 0.2 + second * 0.6, car.people.person_kg * 0.2)
        t += first + second + rng.uniform(0.4, 1.5)
        t += self._close_door(t)
        car.slip(t - 0.8, car.body.touch_sd_kg * 1.5, 0.5)
        car.warp_tail(t, 0.7)
        self.t = t

    def _no_longer_seated(self, t: float) -> None:
        if self.seated_since is not None:
            self.seats.append((self.seated_since, t))
        self.seated_since = None

    def part_off(self) -> None:
        """Take a part off, now and then with a heave that fails first."""
        rng, car, t = self.rng, self.car, self.t
        kg = log_uniform(rng, 2, 60)
        part = car.place(kg, rng.uniform(-0.25, 1.25), rng.uniform(0.05, 0.95))
        w = np.clip(part / part.sum(), 0, None)
        work = rng.uniform(1, 5) if rng.random() < 0.75 else rng.uniform(5, 12)
        car.hands(t, work, rng.uniform(1, 12), w)
        t += work
        if rng.random() < 0.3:
            car.step(-part * 0.6, t, 0.5, settles=False, creeps=False)
            car.step(part * 0.6, t + 0.8, 0.4, settles=False, creeps=False)
            t += 1.3
        lasts = rng.uniform(0.25, 1.6)
        car.step(-part, t, lasts)
        away = rng.uniform(0.1, 1.2)
        car.hands(t, lasts + away, 2, w)
        car.swings(t + lasts * 0.7, 0.15 * kg)
        t += lasts + away
        car.slip(t - 0.5, car.body.touch_sd_kg, 0.4)
        car.warp_tail(t, 0.35)
        self.parts_off.append(part)
        self.t = t
        self._wait()

    def part_on(self) -> None:
        """Put back one of the parts that are off."""
        rng, car, t = self.rng, self.car, self.t
        part = self.parts_off.pop(int(rng.integers(len(self.parts_off))))
        lasts = rng.uniform(0.15, 1.2)
        car.step(part, t, lasts)
        car.swings(t + lasts * 0.8, 0.25 * part.sum())
        hold = rng.uniform(0.5, 4)
        car.hands(t, lasts + hold, rng.uniform(1, 9))
        t += lasts + hold
        car.slip(t - 0.4, car.body.touch_sd_kg, 0.3)
        car.warp_tail(t, 0.35)
        self.t = t
        self._wait()

    def lean_tool(self) -> None:
        """Lean a tool against the car, or take it away."""
        rng, car, t = self.rng, self.car, self.t
        if self.tool is None:
            kg = log_uniform(rng, 0.4, 6)
            self.tool = car.place(kg, rng.uniform(0, 1), rng.choice([-0.05, 1.05])) + rng.normal(
                0, 0.15
            ) * kg * np.array([0.5, -0.5, 0.5, -0.5])
            lasts = rng.uniform(0.15, 0.7)
            car.step(self.tool, t, lasts)
            car.hands(t, lasts + 0.3, 1.5)
            car.swings(t + lasts, 0.6 * kg)
        else:
            lasts = rng.uniform(0.15, 0.7)
            car.hands(t, lasts + 0.2, 1.5)
            car.step(-self.tool, t, lasts)
            car.swings(t + lasts, 1.0)
            self.tool = None
        self.t = t + lasts + 0.3
        car.slip(self.t - 0.4, car.body.touch_sd_kg * 0.4, 0.2)
        car.warp_tail(self.t, 0.12)
        self._wait()

    def move_door(self) -> None:
        """Open a door, some of the time to shut it at once, or shut the open one."""
        rng, car, t = self.rng, self.car, self.t
        if self.door is None:
            t += self._open_door(t, int(rng.choice([1, -1])))
            if rng.random() < 0.4:
                t += self._close_door(t + 0.5) + 0.5
        else:
            t += self._close_door(t)
        car.slip(t - 0.4, car.body.touch_sd_kg * 0.6, 0.3)
        car.warp_tail(t, 0.2)
        self.t = t
        self._wait()

    def bump(self) -> None:
        """Knock against the car, or lean on it."""
        rng, car = self.rng, self.car
        if rng.random() < 0.5:
            self.t += car.knock(self.t, rng.uniform(2, 30))
        else:
            lasts = rng.uniform(1.5, 7)
            car.hands(self.t, lasts, rng.uniform(4, 25))
            self.t += lasts
            car.swings(self.t, rng.uniform(1, 6))
        car.slip(self.t - 0.05, car.body.touch_sd_kg * 0.7, 0.05)
        car.warp_tail(self.t, 0.2)
        self._wait()

    def person_shifts(self) -> None:
        """Let the person sit otherwise."""
        rng, car, t = self.rng, self.car, self.t
        kg = rng.normal(0, 1.5)
        w = car.shape("roll") + rng.uniform(-1, 1) * car.shape("pitch")
        w -= w.mean()
        lasts = rng.uniform(0.5, 1.8)
        car.hands(t, lasts, 3)
        car.step(kg * w, t, lasts, creeps=False)
        self.driver = self.driver + kg * w
        car.swings(t + lasts * 0.8, 4)
        car.slip(t + 0.2, car.body.touch_sd_kg * 0.4, 0.2)
        self.t = t + lasts
        car.warp_tail(self.t, 0.2)
        self._wait()

    def car_off(self) -> None:
        """Push or drive the car off; half of the time the other wheels cross two of the pads."""
        rng, car, t = self.rng, self.car, self.t
        self._no_longer_seated(t)
        v, push = rng.uniform(0.2, 0.9), rng.uniform(0.8, 1.6)
        car.hands(t, push, 9)
        t += push
        edge, axle = rng.uniform(0.12, 0.25) / v, rng.uniform(0.0, 3)
        last, load = 0.0, car.settled.copy()
        late = np.array([0, 0, axle, axle]) if rng.random() < 0.5 else np.array([axle, axle, 0, 0])
        late = late + rng.uniform(0, 0.15, 4)
        for c in range(4):
            car.roll_off(c, load, t + late[c], edge)
            last = max(last, t + late[c] + edge)
        car.end_warp(t, last)
        if rng.random() < 0.5:
            start, stay = last + rng.uniform(0.2, 0.8), 0.4 / v
            for c, wheel in zip((0, 1) if rng.random() < 0.5 else (2, 3), np.abs(load[2:]), strict=True):
                one = alone(c, np.full(4, wheel))
                car.step(one, start, edge, settles=False)
                car.step(-one, start + edge + stay, edge, settles=False)
            last = start + 2 * edge + stay
        car.settled = np.zeros(4)
        self.t = last + rng.uniform(0.1, 0.6)
        self.on.append((self.on_since, self.t))
        self._wait(empty=True, shortest_s=7)
