"""Records for the bus tests: one of every kind there is but chunks, which stay inside."""

from __future__ import annotations

from logger import model
from logger.clock import now_ns

BACK_NS = 3_000_000_000
"""How long ago what these records tell of began."""


def a_rest(number: int, pad: str = "P1") -> model.Rest:
    """A rest that is known by its whole kilograms."""
    t_mono_ns, t_wall_ns = now_ns()
    return model.Rest(
        pad=pad,
        t_from_mono_ns=t_mono_ns - 2_000_000_000,
        t_from_wall_ns=t_wall_ns - 2_000_000_000,
        t_declared_mono_ns=t_mono_ns - 1_000_000_000,
        t_to_mono_ns=t_mono_ns,
        declared_mass_kg=number + 0.2,
        declared_u_kg=0.2,
        mass_kg=float(number),
        u_kg=0.1,
        slope_kg_per_s=0.001,
        n=160,
        zero_kg=0.4,
        u_zero_kg=0.02,
        open=True,
    )


def a_sample(pad: str = "P1", mass_kg: float | None = 242.0) -> model.Sample:
    """A reading of now."""
    t_mono_ns, t_wall_ns = now_ns()
    return model.Sample(
        pad=pad,
        t_mono_ns=t_mono_ns,
        t_wall_ns=t_wall_ns,
        mass_wire_kg=mass_kg,
        mass_kg=mass_kg,
        flags=1 | 256,
    )


def one_of_each() -> list[model.Record]:
    """One record of every kind there is but chunks."""
    t_mono_ns, t_wall_ns = now_ns()
    return [
        a_sample(),
        a_rest(242),
        _car_rest(t_mono_ns, t_wall_ns),
        *_of_pads(t_mono_ns),
        *_of_the_car(t_mono_ns),
        *_of_the_machine(t_mono_ns, t_wall_ns),
        _capture(t_mono_ns, t_wall_ns),
        *_of_the_weigh_in(t_mono_ns),
        _advice(t_mono_ns),
    ]


def _car_rest(t_mono_ns: int, t_wall_ns: int) -> model.CarRest:
    return model.CarRest(
        pads=("P1", "P2"),
        t_from_mono_ns=t_mono_ns - BACK_NS,
        t_from_wall_ns=t_wall_ns - BACK_NS,
        t_declared_mono_ns=t_mono_ns,
        t_to_mono_ns=t_mono_ns,
        declared_mass_kg=484.0,
        declared_u_kg=0.3,
        mass_kg=484.1,
        u_kg=0.2,
        loads_kg=(242.0, 242.1),
        covariance_kg2=(0.04, -0.01, -0.01, 0.04),
        slope_kg_per_s=0.0,
        n=320,
        open=False,
    )


def _of_pads(t_mono_ns: int) -> list[model.Record]:
    back_ns = t_mono_ns - BACK_NS
    return [
        model.Gap(pad="P1", t_from_mono_ns=back_ns, t_to_mono_ns=t_mono_ns, cause=model.GapCause.PORT_LOST),
        model.PadCondition(pad="P1", condition=model.Condition.RESTING, since_mono_ns=back_ns),
        model.ZeroCheck(pad="P1", t_mono_ns=t_mono_ns, zero_kg=0.35, u_kg=0.02, n=200),
        model.Knock(pad="P1", t_mono_ns=t_mono_ns, amplitude_kg=12.0),
    ]


def _of_the_car(t_mono_ns: int) -> list[model.Record]:
    times = {"t_from_mono_ns": t_mono_ns - BACK_NS, "t_to_mono_ns": t_mono_ns}
    return [
        model.Step(pad="*", before_kg=968.0, after_kg=951.2, size_kg=-16.8, u_kg=0.3, **times),
        model.Rock(swings=1, frequency_Hz=None, damping_ratio=None, amplitude_kg=40.0, **times),
        model.Boarding(t_mono_ns=t_mono_ns, size_kg=71.2, u_kg=0.4),
        model.CarOn(t_mono_ns=t_mono_ns, mass_kg=968.0),
        model.CarOff(t_mono_ns=t_mono_ns),
    ]


def _of_the_machine(t_mono_ns: int, t_wall_ns: int) -> list[model.Record]:
    times = {"t_mono_ns": t_mono_ns, "t_wall_ns": t_wall_ns}
    hour_later_ns = t_wall_ns + 3_600_000_000_000
    return [
        model.ClockStep(t_mono_ns=t_mono_ns, wall_before_ns=t_wall_ns, wall_after_ns=hour_later_ns),
        model.PortEvent(port="barn", event="lost", detail="unplugged", **times),
        model.Trouble(part="disk", state="failed", detail="full", **times),
    ]


def _capture(t_mono_ns: int, t_wall_ns: int) -> model.Capture:
    return model.Capture(
        number=1,
        t_mono_ns=t_mono_ns,
        t_wall_ns=t_wall_ns,
        t_rest_from_mono_ns=t_mono_ns - BACK_NS,
        build="base car",
        aboard=("driver",),
        facing="out",
        placement=1,
        run=1,
        loads=(model.CornerLoad(corner="LF", spot="S1", pad="P1", mass_kg=271.3, u_kg=0.2),),
        covariance_kg2=(0.04,),
        mass_kg=968.1,
        u_kg=0.3,
    )


def _of_the_weigh_in(t_mono_ns: int) -> list[model.Record]:
    return [
        model.Say(t_mono_ns=t_mono_ns, text="Resting.", urgency=model.Urgency.RESULT),
        model.Change(
            number=1,
            t_mono_ns=t_mono_ns,
            build_before="base car",
            build_after="build 2",
            capture_before=1,
            capture_after=2,
        ),
        model.Command(t_mono_ns=t_mono_ns, verb="take", origin="page"),
        model.Waiting(t_mono_ns=t_mono_ns, stage="rock", text="Rock the car.", cautions=(1, 7)),
    ]


def _advice(t_mono_ns: int) -> model.Advice:
    return model.Advice(
        t_mono_ns=t_mono_ns,
        aim="cross",
        u_now=0.002,
        unit="1",
        wants="loads",
        action="Lay a shim.",
        why="cross ±0.4 % → ±0.2 %",
        facing="out",
        stand=(model.CornerStand(corner="RF", spot="S2", pad="P2", shim_m=0.005),),
        steps=(model.NextStep(kind="shim", action="Lay a shim.", why="cross", u=0.001),),
        cautions=(1, 2),
    )
