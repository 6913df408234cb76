"""A weigh-in of the invented Wagtail as report data: loads from statics, curves of a swinging car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.model import CORNERS
from logger.quantity import Quantity
from logger.report.data import (
    BuildResult,
    CaptureRow,
    Car,
    Change,
    Conditions,
    ConditionSpan,
    Floor,
    GapRow,
    Job,
    PadStory,
    Placement,
    Provenance,
    ReportData,
    Segment,
    SettleCurve,
    SettleFigure,
    SpotHeight,
    Standing,
    ZeroRow,
)

L, TF, TR = 2.430, 1.405, 1.395
PLACES = {"LF": (L, TF / 2), "RF": (L, -TF / 2), "LR": (0.0, TR / 2), "RR": (0.0, -TR / 2)}
PAD_AT = {
    "out": {"LF": "P1", "RF": "P2", "LR": "P3", "RR": "P4"},
    "back": {"LF": "P4", "RF": "P3", "LR": "P2", "RR": "P1"},
}
SPOT_AT = {
    "out": {"LF": "S1", "RF": "S2", "LR": "S3", "RR": "S4"},
    "back": {"LF": "S4", "RF": "S3", "LR": "S2", "RR": "S1"},
}


@dataclass(frozen=True)
class State:
    """A state of the car: mass, centre and warp (kg·m at the pattern of mechanics)."""

    label: str
    mass: float
    x: float
    y: float
    aboard: tuple[str, ...] = ()

    def plus(self, label: str, mass: float, x: float, y: float, aboard: tuple[str, ...] = ()) -> State:
        total = self.mass + mass
        cx, cy = (self.mass * self.x + mass * x) / total, (self.mass * self.y + mass * y) / total
        return State(label, total, cx, cy, aboard)

    def loads(self, kappa: float) -> dict[str, float]:
        front = self.mass * self.x / L
        rear = self.mass - front
        moment = self.mass * self.y
        share = moment / self.mass
        pure = {
            "LF": front / 2 + front * share / TF,
            "RF": front / 2 - front * share / TF,
            "LR": rear / 2 + rear * share / TR,
            "RR": rear / 2 - rear * share / TR,
        }
        pattern = {"LF": 1 / TF, "RF": -1 / TF, "LR": -1 / TR, "RR": 1 / TR}
        return {c: pure[c] + kappa * pattern[c] for c in CORNERS}


BASE = State("as brought", 968.2, 1.478, 0.012)
STEPS = (
    ("driver aboard", 71.3, 1.02, 0.36, "Driver with boots", "on", "person"),
    ("spare wheel and jack out", -16.8, -0.31, 0.02, "Spare wheel and jack", "off", "part"),
    ("passenger seat out", -15.4, 1.05, -0.35, "Passenger seat", "off", "part"),
    ("sound mats out", -7.9, 1.1, 0.01, "Sound mats", "off", "part"),
    ("small battery in", -9.6, 2.52, 0.41, "Battery, big to small", "off", "part"),
    ("roll cage in", 34.5, 0.95, 0.01, "Roll cage", "on", "part"),
    ("number plate holder off", -0.4, 2.9, 0.0, "Plate holder", "off", "part"),
)


APART = 320.0
"""Seconds from one capture to the next."""
CONDITIONS = Conditions(
    tyre_pressures_kPa=(200.0, 200.0, 190.0, 190.0),
    fuel_L=21.0,
    fuel_note="half a tank, gauge only",
    temperature_C=-4.0,
    notes=(
        "Doors closed, motor off.",
        "Pads out of the van ten minutes before the first zero check.",
    ),
)
DOUBTS = (
    "P2's zero moved by +0.62 kg over the session; readings lie on the line between its checks.",
    "P3 lost about 8 % of its frames; no rest reading rests on fewer than forty of them.",
    "The spots' heights were not measured, so cross weight includes whatever twist the floor has.",
)
FLOOR = Floor(
    spots=tuple(
        SpotHeight(spot=f"S{n}", measured=Quantity(z, 1e-3, "m"), solved=Quantity(z - 0.0015, 7e-4, "m"))
        for n, z in enumerate((0.0, 0.0015, -0.0015, 0.006), 1)
    ),
    terms={
        "alpha": Quantity(-0.0012, 4e-4, "rad"),
        "beta": Quantity(-0.0032, 5e-4, "rad"),
        "h_alpha": Quantity(-6e-4, 2e-4, "m"),
        "h_beta": Quantity(-0.0016, 2e-4, "m"),
        "theta": Quantity(0.0043, 0.0014, "rad"),
        "cross_floor": Quantity(-0.0081, 0.0035, "1"),
        "stiffness": Quantity(18600.0, 3000.0, "N·m/rad"),
    },
    turned=True,
)
PROVENANCE = Provenance(
    bay="barn",
    config_id="c-58a1f2d90b7e",
    version="0.1.0",
    generated_at="2026-02-14T14:02:11Z",
    segments=(
        Segment(name="barn-000001.arrow", sha256="9f2c" * 16, size_bytes=1_483_264),
        Segment(name="barn-000002.arrow", sha256="07be" * 16, size_bytes=912_384),
    ),
    boot_id="b-77",
    schema=1,
)


def states() -> list[State]:
    """The builds in the order they were weighed; the driver gets out again before parts go."""
    driver = BASE.plus("driver aboard", *STEPS[0][1:4], aboard=("driver 71 kg",))
    out, car = [BASE, driver], BASE
    for label, mass, x, y, *_ in STEPS[1:]:
        car = car.plus(label, mass, x, y)
        out.append(car)
    return out


def settle(
    loads: dict[str, float], facing: str, t: float, number: int, rng: np.random.Generator
) -> SettleFigure:
    """Some seconds of four pads round a capture: a rock let go, swings, a slow tail, noise, 0.1 kg steps."""
    curves = []
    for k, corner in enumerate(CORNERS):
        times = t - 14 + np.arange(0, 22, 0.1) + 0.02 * k
        since = times - (t - 9.5)
        pushing = 60 * np.sin(2 * np.pi * 1.1 * since) * np.exp(-(((since + 2) / 1.8) ** 2))
        swing = np.where(since > 0, 35 * np.exp(-since / 0.9) * np.cos(2 * np.pi * 1.7 * since), pushing)
        tail = np.where(since > 0, (-1) ** k * 2.2 * np.exp(-since / 2.4), (-1) ** k * 2.2)
        values = loads[corner] + swing * (1 if k < 2 else 0.8) + tail + rng.normal(0, 0.08, len(times))
        values = np.round(values, 1)
        if PAD_AT[facing][corner] == "P3":
            values[rng.random(len(times)) < 0.08] = np.nan
        if number == 4 and k == 1:
            values[190] += 41.0
        curves.append(
            SettleCurve(
                pad=PAD_AT[facing][corner],
                label=f"{corner} on {PAD_AT[facing][corner]}",
                times_s=times,
                values_kg=values,
                rest_from_s=t - 4.0,
                rest_declared_s=t - 1.6,
                rest_to_s=t + 7.9,
                value=Quantity(loads[corner], 0.11, "kg"),
            )
        )
    return SettleFigure(title=f"Capture {number}", curves=tuple(curves), rocks=((t - 13.4, t - 9.5),))


def build(state: State, captures: tuple[int, ...], two_facings: bool) -> BuildResult:
    kappa = 6.5
    loads = state.loads(kappa)
    m = state.mass
    u_cross = 0.0021 if two_facings else 0.0034
    twist = (
        "Averaging two facings does not remove floor twist: half a turn maps the twist onto itself. "
        "Cross weight carries it until the pad tops are levelled or measured, or a shim test is made."
        if two_facings
        else "One facing only: the floor's tilt still stands in the place of the centre of mass."
    )
    return BuildResult(
        label=state.label,
        total=Quantity(m, 0.28, "kg"),
        front=Quantity(state.x / L, 0.0004 if two_facings else 0.0011, "1"),
        left=Quantity(0.5 + state.y / (TF * state.x / L + TR * (1 - state.x / L)), 0.0004, "1"),
        cross=Quantity((loads["RF"] + loads["LR"]) / m, u_cross, "1"),
        x=Quantity(state.x, 0.001 if two_facings else 0.0027, "m"),
        y=Quantity(state.y, 0.0008, "m"),
        loads=tuple(Quantity(loads[c], 1.0 if two_facings else 1.6, "kg") for c in CORNERS),
        covariance_xy_m2=(1e-6, 0.0, 0.64e-6) if two_facings else (7.3e-6, 0.4e-6, 0.64e-6),
        captures=captures,
        aboard=state.aboard,
        sentences=(twist,),
        cannot_tell_apart=(
            ("The car's own diagonal cannot be told from a twist of the floor.",)
            if two_facings
            else (
                "The car's own diagonal cannot be told from a twist of the floor.",
                "Where the weight lies fore and aft cannot be told from a tilt of the floor.",
            )
        ),
        advice=(
            ("Exchange P1 and P4 in the next placement: total ±0.6 kg → ±0.4 kg.",) if two_facings else ()
        ),
    )


def changes(every: list[State]) -> tuple[Change, ...]:
    out = []
    for k, (label, mass, x, y, name, went, what) in enumerate(STEPS):
        heavy = abs(mass)
        u_place = 0.28 * 1.4 / heavy
        light = u_place > 0.5
        out.append(
            Change(
                name=name,
                went=went,  # type: ignore[arg-type]  # the table above holds the two words
                what=what,  # type: ignore[arg-type]  # the table above holds the two words
                mass=Quantity(heavy, 0.19, "kg"),
                x=None if light else Quantity(x, u_place, "m"),
                y=None if light else Quantity(y, u_place * 0.6, "m"),
                covariance_xy_m2=None if light else (u_place**2, 0.2 * u_place**2, 0.36 * u_place**2),
                before="as brought" if k < 2 else every[k].label,
                after=label,
                too_light=light,
                note="Big battery out (14.7 kg), small one in; what is left is the difference."
                if k == 4
                else "",
            )
        )
    return tuple(out)


def wagtail(units: str = "kg") -> ReportData:
    """The report of an invented winter afternoon."""
    every = states()
    rows, settles = captures(every)
    results = [build(every[0], (1, 2, 4), True), build(every[1], (3,), False)]
    results += [build(s, (5 + k,), False) for k, s in enumerate(every[2:])]
    end = rows[-1].t_s + APART
    return ReportData(
        job=Job(
            title="Wagtail before the ice season",
            when="14 February 2026, 14:05 to 15:00 (UTC+1)",
            who="The Wagtail crew",
            place="The barn, floor as it is",
        ),
        car=Car(name="Wagtail", wheelbase_m=L, track_front_m=TF, track_rear_m=TR, invented=True),
        conditions=CONDITIONS,
        floor=FLOOR,
        placements=placements(rows),
        captures=tuple(rows),
        builds=tuple(results),
        headline="roll cage in",
        changes=changes(every),
        settles=tuple(settles),
        t_zero="2026-02-14 14:05:00",
        zeros=zeros(end),
        pads=pads(end, [row.t_s for row in rows]),
        doubts=DOUBTS,
        cautions=(5, 7, 10),
        provenance=PROVENANCE,
        units="lb" if units == "lb" else "kg",
    )


def captures(every: list[State]) -> tuple[list[CaptureRow], list[SettleFigure]]:
    """Every rest of the afternoon with its curves: two placements, the driver once, the eighth discarded."""
    rng = np.random.default_rng(20260214)
    plan = [(every[0], "out", 1), (every[0], "back", 2), (every[1], "back", 2), (every[0], "back", 2)]
    plan += [(s, "back", 2) for s in every[2:]]
    rows: list[CaptureRow] = []
    settles = []
    for number, (state, facing, placement) in enumerate(plan, 1):
        t = 150.0 + APART * (number - 1)
        loads = state.loads(6.5 + rng.normal(0, 1.2))
        rows.append(
            CaptureRow(
                number=number,
                when=f"14:{5 + int(t // 60):02d}:{int(t % 60):02d}",
                t_s=t,
                build=state.label,
                placement=placement,
                run=1 + sum(row.placement == placement for row in rows),
                loads=tuple(Quantity(loads[c], 0.14, "kg") for c in CORNERS),
                total=Quantity(sum(loads.values()), 0.28, "kg"),
                aboard=state.aboard,
                discarded=number == 8,
                name="a hand was on the roof" if number == 8 else "",
            )
        )
        settles.append(settle(loads, facing, t, number, rng))
    return rows, settles


def placements(rows: list[CaptureRow]) -> tuple[Placement, ...]:
    """Out and back over the same spots, the pads left where they were."""
    return tuple(
        Placement(
            number=n,
            facing=facing,
            standings=tuple(
                Standing(
                    corner=c, spot=SPOT_AT[facing][c], pad=PAD_AT["out"][spot_corner(SPOT_AT[facing][c])]
                )
                for c in CORNERS
            ),
            runs=sum(row.placement == n for row in rows),
        )
        for n, facing in ((1, "out"), (2, "back"))
    )


def spot_corner(spot: str) -> str:
    """The corner that stands on a spot when the car faces out."""
    return next(c for c, s in SPOT_AT["out"].items() if s == spot)


def zeros(end: float) -> tuple[ZeroRow, ...]:
    drift = {"P1": 0.05, "P2": 0.62, "P3": -0.08, "P4": 0.11}
    return tuple(
        ZeroRow(
            pad=pad, when=f"14:{5 + int(t // 60):02d}", t_s=t, zero=Quantity(0.2 + rate * t / end, 0.03, "kg")
        )
        for pad, rate in drift.items()
        for t in (20.0, 300.0, end)
    )


def pads(end: float, rests: list[float]) -> tuple[PadStory, ...]:
    out = []
    for pad in ("P1", "P2", "P3", "P4"):
        spans = [ConditionSpan(condition="empty", from_s=0, to_s=60)]
        at = 60.0
        for t in rests:
            spans.append(ConditionSpan(condition="moving", from_s=at, to_s=t - 4))
            spans.append(
                ConditionSpan(condition="creeping" if pad == "P2" else "resting", from_s=t - 4, to_s=t + 60)
            )
            at = t + 60
        if pad == "P3":
            spans[4] = ConditionSpan(
                condition="silent", from_s=spans[4].from_s, to_s=spans[4].to_s, reason="no frame for 2 s"
            )
        spans.append(ConditionSpan(condition="moving", from_s=at, to_s=end - 30))
        spans.append(ConditionSpan(condition="empty", from_s=end - 30, to_s=end))
        lost = {"P3": 2471}.get(pad, 3)
        out.append(
            PadStory(
                pad=pad,
                conditions=tuple(spans),
                samples=31_000 - lost,
                lost_frames=None if pad == "P4" else lost,
                rejects=(("check", 12), ("truncated", 2)) if pad == "P3" else (),
                wild=1 if pad == "P2" else 0,
                gaps=(GapRow(from_s=540, to_s=551.5, cause="silent", count=115),) if pad == "P3" else (),
                resolution_kg=0.1,
                noise_kg=0.08,
                battery_V=3.71,
                signal_dBm=-83.0 if pad == "P3" else -61.0,
            )
        )
    return tuple(out)
