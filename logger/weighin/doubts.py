"""Doubts about a history: captures taken twice, facings that do not meet, things changed twice. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from logger.model import Capture
from logger.weighin.states import Step, WeighIn


def weigh_in_doubts(weigh_ins: Iterable[WeighIn]) -> Iterable[str]:
    """Doubts about how each car was weighed."""
    for w in weigh_ins:
        kept = [c for c in w.captures if not c.discarded]
        yield from _duplicates(w.id, kept)
        yield from _facings_apart(w.id, kept)


def _duplicates(weigh_in: int, captures: Sequence[Capture]) -> Iterable[str]:
    seen: dict[tuple[float, ...], int] = {}
    for capture in captures:
        loads = tuple(load.mass_kg for load in capture.loads)
        if loads in seen:
            yield (
                f"Captures {seen[loads]} and {capture.number} of w{weigh_in} are equal to the last "
                "digit: one weighing taken twice? `restpoint ledger discard "
                f"w{weigh_in}.c{capture.number}` leaves one out."
            )
        seen.setdefault(loads, capture.number)


def _facings_apart(weigh_in: int, captures: Sequence[Capture]) -> Iterable[str]:
    """Each facing with a build of its own: what the floor does and what the change did are mixed."""
    builds: dict[str, set[str]] = {}
    for capture in captures:
        builds.setdefault(capture.facing, set()).add(capture.build)
    if len(builds) == 2 and not builds["out"] & builds["back"]:
        out, back = (", ".join(sorted(builds[facing])) for facing in ("out", "back"))
        yield (
            f"In w{weigh_in} the facings have different builds (out: {out}; back: {back}): what the floor's "
            "slope did and what the change did are not told apart. Weigh one build in both facings."
        )


def changed_twice(steps: Sequence[Step]) -> Iterable[str]:
    """The same thing off twice, or on twice, with nothing between."""
    last: dict[str, Step] = {}
    for step in steps:
        if step.proposed or step.basis == "between":
            continue
        before = last.get(step.name.casefold())
        if before is not None and before.mass.value * step.mass.value > 0:
            way = "came off" if step.mass.value < 0 else "went on"
            yield (
                f"{step.name} {way} twice ({before.ref} and {step.ref}): if it is one and the same, "
                f"`restpoint ledger merge {before.ref} {step.ref}`."
            )
        last[step.name.casefold()] = step
