"""Collects what a report shows from a bay's folder: the ledger says what was taken, the journal shows how.

The journal is replayed through the very bay that ran: curves, zero checks and gaps are what the daemon saw.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from logger.assembly import make_bay
from logger.bookkeeping.source import car_of
from logger.car_file import Car
from logger.clock import NS, now_ns, wall_text
from logger.config import Loaded, load
from logger.journal_folder import Run, find_runs, read_run, segment_hash
from logger.mechanics.floor import heights_of
from logger.mechanics.solve import Solution
from logger.mechanics.weighing import weighing_from_capture
from logger.model import (
    CORNERS,
    SCHEMA,
    Capture,
)
from logger.quantity import Quantity
from logger.report import data as shown
from logger.report.trace import Trace
from logger.version import VERSION
from logger.weighin.ledger import Ledger, NoWeighIn, WeighInRow
from logger.weighin.results import Difference, WeighInResult, label, weigh_in_result
from logger.weighin.views import centre_of_mass_covariance, sentences

BEFORE_NS, AFTER_NS = 9 * NS, 1 * NS
"""How much of a curve is shown before a rest begins and after it ends: the swing and the letting go."""
ZERO_APART_NS = 20 * NS
"""Zero checks of a pad nearer than this to the one listed before are left out of the list."""


def gather(folder: Path, weigh_in: int | None = None) -> shown.ReportData:
    """Collect the report of a weigh-in (default: the last) of a bay's folder; NoWeighIn if there is none."""
    ledger = Ledger(_there(folder / "ledger.db"))
    try:
        row = _row(ledger, weigh_in, folder)
        captures, changes = ledger.captures(row.id), ledger.changes(row.id)
        car = car_of(ledger, row)
    finally:
        ledger.close()
    run = _run_of(folder, captures)
    loaded = replace(load(run.folder / "config.toml"), car=car)
    result = weigh_in_result(captures, changes, car)
    if result is None:
        raise NoWeighIn(f"weigh-in {row.id} in {folder}: every capture was discarded; nothing to report")
    trace = Trace(run, make_bay(loaded), [pad.id for pad in loaded.config.pad])
    return _report(row, captures, result, loaded, run, trace)


def _there(path: Path) -> Path:
    if not path.is_file():
        raise NoWeighIn(f"{path} is not there; name the bay's data folder (bay.folder in its config)")
    return path


def _row(ledger: Ledger, wanted: int | None, folder: Path) -> WeighInRow:
    rows = [row for row in ledger.weigh_ins() if wanted in (None, row.id)]
    if not rows:
        what = "no weigh-in yet" if wanted is None else f"no weigh-in {wanted}"
        raise NoWeighIn(f"{folder / 'ledger.db'}: {what}; `restpoint ledger list` shows those there are")
    return rows[-1]


def _run_of(folder: Path, captures: Sequence[Capture]) -> Run:
    """The run that the first capture came from: the last one that had begun by then."""
    if not captures:
        raise NoWeighIn(f"{folder}: the weigh-in has no captures")
    runs = [run for run in find_runs(folder) if _begun_ns(run) <= captures[0].t_wall_ns]
    if not runs:
        raise NoWeighIn(f"{folder}: the journal no longer reaches back to this weigh-in")
    return runs[-1]


def _begun_ns(run: Run) -> int:
    walls = (getattr(entry, "t_wall_ns", None) for _, entry in read_run(run))
    return next((wall for wall in walls if wall is not None), 1 << 62)


def _report(
    row: WeighInRow,
    captures: Sequence[Capture],
    result: WeighInResult,
    loaded: Loaded,
    run: Run,
    trace: Trace,
) -> shown.ReportData:
    kept = [capture for capture in captures if not capture.discarded]
    begun, ended = wall_text(row.begun_wall_ns), wall_text(row.ended_wall_ns or captures[-1].t_wall_ns)
    conditions = loaded.config.conditions
    geometry = loaded.car.geometry
    return shown.ReportData(
        job=shown.Job(
            title=f"{row.car}: weigh-in {row.id}",
            when=f"{begun[:10]}, {begun[11:16]} to {ended[11:16]} UTC",
            who=conditions.who,
            place=conditions.place,
        ),
        car=shown.Car(
            name=row.car,
            wheelbase_m=geometry.wheelbase_m,
            track_front_m=geometry.track_front_m,
            track_rear_m=geometry.track_rear_m,
            invented=loaded.config.bay.invented,
        ),
        builds=tuple(_build(name, solution, kept) for name, solution in result.solutions.items()),
        captures=tuple(_capture(capture, trace) for capture in captures),
        placements=_placements(kept),
        provenance=_provenance(row, run),
        conditions=_conditions(row.conditions),
        floor=_floor(result, kept, loaded.car),
        headline=result.latest,
        t_zero=wall_text((trace.start_ns or 0) + trace.offset_ns),
        changes=tuple(_change(d) for d in result.differences),
        settles=tuple(_settle(capture, trace) for capture in kept),
        zeros=tuple(_zeros(trace)),
        pads=tuple(_story(pad, trace, loaded) for pad in trace.pads),
        doubts=sentences(result),
        cautions=_cautions(result),
        units=loaded.config.bay.unit,
    )


def _build(name: str, solution: Solution, captures: Sequence[Capture]) -> shown.BuildResult:
    mine = [capture for capture in captures if label(capture) == name]
    return shown.BuildResult(
        label=name,
        total=solution.total,
        front=solution.front,
        left=solution.left,
        cross=solution.cross,
        x=solution.x,
        y=solution.y,
        loads=tuple(solution.corners[corner] for corner in CORNERS),
        covariance_xy_m2=centre_of_mass_covariance(solution),
        captures=tuple(capture.number for capture in mine),
        aboard=mine[0].aboard if mine else (),
        sentences=solution.notes,
        cannot_tell_apart=solution.cannot_tell_apart,
        advice=tuple(f"{step.action} {step.why}" for step in solution.next_placements[:2]),
    )


def _capture(capture: Capture, trace: Trace) -> shown.CaptureRow:
    return shown.CaptureRow(
        number=capture.number,
        when=trace.clock(capture.t_mono_ns),
        t_s=trace.seconds(capture.t_mono_ns),
        build=label(capture),
        placement=capture.placement,
        run=capture.run,
        loads=tuple(Quantity(load.mass_kg, load.u_kg, "kg") for load in capture.loads),
        total=Quantity(capture.mass_kg, capture.u_kg, "kg"),
        aboard=capture.aboard,
        discarded=capture.discarded,
        name=capture.name,
    )


def _placements(captures: Sequence[Capture]) -> tuple[shown.Placement, ...]:
    rows = {}
    for capture in captures:
        standings = tuple(
            shown.Standing(corner=load.corner, spot=load.spot, pad=load.pad, shim_m=load.shim_m)
            for load in capture.loads
        )
        runs = sum(other.placement == capture.placement for other in captures)
        rows[capture.placement] = shown.Placement(
            number=capture.placement, facing=capture.facing, standings=standings, runs=runs
        )
    return tuple(rows.values())


def _change(difference: Difference) -> shown.Change:
    part = difference.part
    on = part.mass.value < 0
    covariance = (part.covariance[4], part.covariance[5], part.covariance[8]) if part.covariance else None
    return shown.Change(
        name=difference.name,
        went="on" if on else "off",
        what="person" if difference.person else "part",
        mass=Quantity(abs(part.mass.value), part.mass.u, "kg"),
        x=None if part.too_light_to_locate else part.x,
        y=None if part.too_light_to_locate else part.y,
        covariance_xy_m2=covariance,
        before=difference.before,
        after=difference.after,
        too_light=part.too_light_to_locate,
        note=" ".join(note for note in part.notes if "went on, it did not come off" not in note),
    )


def _settle(capture: Capture, trace: Trace) -> shown.SettleFigure:
    curves = []
    for corner in capture.loads:
        pad = trace.pads[corner.pad]
        rests = [
            r for r in pad.rests.values() if r.t_from_mono_ns <= capture.t_mono_ns <= r.t_to_mono_ns + NS
        ]
        from_ns, to_ns = capture.t_rest_from_mono_ns, capture.t_mono_ns
        declared_ns = rests[-1].t_declared_mono_ns if rests else to_ns
        if rests:
            from_ns, to_ns = rests[-1].t_from_mono_ns, rests[-1].t_to_mono_ns
        near = [n for n, t in enumerate(pad.t_ns) if from_ns - BEFORE_NS <= t <= to_ns + AFTER_NS]
        curves.append(
            shown.SettleCurve(
                pad=corner.pad,
                label=f"{corner.corner} on {corner.pad}",
                times_s=[trace.seconds(pad.t_ns[n]) for n in near],
                values_kg=[pad.mass_kg[n] for n in near],
                rest_from_s=trace.seconds(from_ns),
                rest_declared_s=trace.seconds(declared_ns),
                rest_to_s=trace.seconds(to_ns),
                value=Quantity(corner.mass_kg, corner.u_kg, "kg"),
            )
        )
    begins = min(curve.times_s[0] for curve in curves if len(curve.times_s))
    rocks = [(trace.seconds(r.t_from_mono_ns), trace.seconds(r.t_to_mono_ns)) for r in trace.rocks]
    end_s = trace.seconds(capture.t_mono_ns)
    return shown.SettleFigure(
        title=f"Capture {capture.number}: {label(capture)}, facing {capture.facing}",
        curves=tuple(curves),
        rocks=tuple(rock for rock in rocks if begins <= rock[0] <= end_s),
    )


def _zeros(trace: Trace) -> Iterator[shown.ZeroRow]:
    for name, pad in trace.pads.items():
        listed_ns: int | None = None
        for check in pad.zeros:
            if listed_ns is None or check.t_mono_ns - listed_ns >= ZERO_APART_NS:
                listed_ns = check.t_mono_ns
                yield shown.ZeroRow(
                    pad=name,
                    when=trace.clock(check.t_mono_ns),
                    t_s=trace.seconds(check.t_mono_ns),
                    zero=Quantity(check.zero_kg, check.u_kg, "kg"),
                )


def _story(name: str, trace: Trace, loaded: Loaded) -> shown.PadStory:
    pad = trace.pads[name]
    port = next(row.port for row in loaded.config.pad if row.id == name)
    counts = trace.counts[port]
    ends = [c.since_mono_ns for c in pad.conditions[1:]] + [trace.end_ns]
    spans = tuple(
        shown.ConditionSpan(
            condition=c.condition,
            from_s=trace.seconds(c.since_mono_ns),
            to_s=trace.seconds(end_ns),
            reason=c.reason,
        )
        for c, end_ns in zip(pad.conditions, ends, strict=False)
    )
    gaps = tuple(
        shown.GapRow(
            from_s=trace.seconds(gap.t_from_mono_ns),
            to_s=trace.seconds(gap.t_to_mono_ns),
            cause=gap.cause,
            count=gap.count,
        )
        for gap in pad.gaps
    )
    return shown.PadStory(
        pad=name,
        conditions=spans,
        samples=len(pad.t_ns),
        lost_frames=sum(gap.count for gap in pad.gaps if gap.count) if pad.gaps else None,
        rejects=tuple((str(reason), count) for reason, count in counts.rejects.items()),
        wild=pad.wild,
        gaps=gaps,
        resolution_kg=pad.resolution_kg,
        noise_kg=pad.noise_kg(),
        battery_V=pad.battery_V,
        signal_dBm=pad.signal_dBm,
    )


def _floor(result: WeighInResult, captures: Sequence[Capture], car: Car) -> shown.Floor | None:
    """The floor under the spots that the opening build was weighed on first."""
    solution, known = result.solutions[result.latest], car.known
    if car.geometry.missing:
        return None
    first = next(weighing_from_capture(c) for c in captures if label(c) == result.latest)
    on_them = [w for c in captures if (w := weighing_from_capture(c)).spot_set == first.spot_set]
    terms = solution.floor
    solved = heights_of(terms["alpha"], terms["beta"], terms["theta"], car.geometry)
    measured = known.spot_heights_m
    return shown.Floor(
        spots=tuple(
            shown.SpotHeight(
                spot=spot,
                measured=Quantity(measured[spot], known.height_u_m, "m") if spot in measured else None,
                solved=height,
            )
            for spot, height in zip(first.out_spots, solved, strict=True)
        ),
        terms=terms,
        turned=len({w.facing for w in on_them}) > 1,
    )


def _conditions(noted: Any) -> shown.Conditions:
    pressures = noted.get("tyre_pressures_kPa")
    return shown.Conditions(
        tyre_pressures_kPa=tuple(pressures) if pressures else None,
        fuel_L=noted.get("fuel_L"),
        temperature_C=noted.get("temperature_C"),
        notes=(noted["notes"],) if noted.get("notes") else (),
    )


def _cautions(result: WeighInResult) -> tuple[int, ...]:
    aboard = any(d.person for d in result.differences)
    parts = any(not d.person for d in result.differences)
    return (*((7,) if aboard else ()), *((5, 9) if parts else ()))


def _provenance(row: WeighInRow, run: Run) -> shown.Provenance:
    return shown.Provenance(
        bay=row.bay,
        config_id=row.config_id,
        version=VERSION,
        generated_at=wall_text(now_ns()[1]),
        segments=tuple(
            shown.Segment(
                name=f"{run.name}/{path.name}", sha256=segment_hash(path), size_bytes=path.stat().st_size
            )
            for path in run.segments
        ),
        boot_id=row.boot_id,
        schema=SCHEMA,
    )
