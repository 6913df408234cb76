"""Learning a stream: cut, check, value, other fields, a layout, and its proof on what was held back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from drivers.api import SerialSettings
from drivers.learn.cuts import Cut, misplaced
from drivers.learn.doubts import doubts, safe_limits
from drivers.learn.effort import Effort, TooMuchError
from drivers.learn.guess import guess
from drivers.learn.lines import hidden_parity
from drivers.learn.periodic import KEPT_TO
from drivers.learn.prove import Proof, prove
from drivers.learn.recording import FOLDS, HELD_EVERY, Known, Recording, held_back
from drivers.learn.report import commented
from drivers.learn.several import TEXT
from drivers.learn.solve import PLAIN_ENDS, Solution, promising, solve
from drivers.learn.write import layout_text

Say = Callable[[str], object]
WHOLLY = 0.93
"""Share of bytes explained above which no other way to cut is tried."""
MORE = 0.05
"""Share of the bytes that must be explained beside, where other seconds are held back."""
BESIDE = 0.75
"""As before, for messages of one size with a start and a check: others of another size stand between them."""
BY_CHANCE = ("slip", "hdlc")
"""Ways to cut by a byte that stands in any stream: without a check others are tried, too, unless chunks keep
to the messages."""
SAME = 0.97
"""Share of messages in which a byte never changes, but for damage."""
CHECKED = 0.1
"""What a check is worth, in share of the bytes explained."""
SHORT_S = 3.0
"""A known load that stood for less (s) leaves too few readings when a second of them is held back."""
LEAST_COVERED, ODD_COVERED = 0.25, 0.6
"""A layout that explains less of the bytes is not believed: most of the stream is something else. The second
is for lines that end with no end of a line."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """What is learnt from and within what work; the layout says its `name` and suggests its `line`."""

    recording: Recording
    knowns: Sequence[Known]
    effort: Effort
    name: str
    line: SerialSettings | None
    say: Say


@dataclass(kw_only=True)
class Outcome:
    """What was learnt. `layout` is the commented layout when proven; `missing` says what would decide."""

    proven: bool
    layout: str = ""
    found: dict[str, object] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def learn(
    recording: Recording,
    knowns: Sequence[Known],
    *,
    name: str,
    say: Say = lambda _: None,
    line: SerialSettings | None = None,
) -> Outcome:
    """Learn a layout from a recording and known loads; nothing is guessed silently.

    `name` is what the layout says it was learnt from, `line` the settings it suggests; `say` hears progress.
    """
    missing = lacking(recording, knowns)
    if missing:
        return Outcome(proven=False, missing=missing)
    say(f"{len(recording.data)} bytes in {recording.duration_s:.1f} s; {len(knowns)} known loads")
    task = Task(recording=recording, knowns=telling(knowns), effort=Effort(), name=name, line=line, say=say)
    reasons: list[str] = []
    for solution in _solutions(task, reasons):
        outcome = _settled(solution, task)
        if outcome.proven or outcome.missing:
            return outcome
        reasons[:0] = outcome.notes
    return Outcome(proven=False, missing=_why_nothing(reasons))


def _placed(recording: Recording, say: Say) -> Iterator[Cut]:
    """Yield ways to cut; last those that chunks speak against though what crosses over never changes."""
    shifted = []
    for cut in guess(recording):
        same = _crossing(cut, recording)
        if same is None:
            yield cut
        elif same > SAME:
            shifted.append(cut)
        else:
            say(f"cut into {cut.told()}: what comes together begins elsewhere")
    yield from shifted


def _crossing(cut: Cut, recording: Recording) -> float | None:
    """Share of messages that end with the same bytes of the next one, where chunks tell so; else None.

    The end of a line may come before a text as well.
    """
    data = recording.data
    if cut.end and cut.end[-1:] in PLAIN_ENDS and len(data.translate(None, bytes(TEXT))) < 0.1 * len(data):
        return None
    pieces = cut.pieces(data)
    size = misplaced(pieces, recording.starts)
    if not size:
        return None
    tails = Counter(data[piece.stop - size : piece.stop] for piece in pieces)
    return tails.most_common(1)[0][1] / len(pieces)


def _by_chance(cut: Cut, recording: Recording) -> bool:
    """Tell whether a byte that ends messages may be one of longer ones: chunks do not keep to them."""
    if cut.kind not in BY_CHANCE:
        return False
    begun = {piece.begin for piece in cut.pieces(recording.data)}
    return sum(start in begun for start in recording.starts) < KEPT_TO * len(recording.starts)


def _least(cut: Cut) -> float:
    """Share of the bytes that a cut must explain: an odd end of lines is believed where it explains most."""
    return ODD_COVERED if cut.kind == "line" and cut.end[-1:] not in b"\r\n" else LEAST_COVERED


def _explained(solution: Solution) -> float:
    """How much is explained; a check, and one that is last and covers all, are worth a little more."""
    checked = solution.shape.check is not None
    return solution.covered + CHECKED * checked + 0.5 * CHECKED * _whole(solution)


def _whole(solution: Solution) -> bool:
    """Tell whether a check is the last thing in a message and covers all before it."""
    check, cut = solution.shape.check, solution.shape.cut
    return check is not None and check.first <= len(cut.start) and check.stop == check.at == -check.size


def _share(solution: Solution) -> float:
    """Share of the bytes explained, of those that were not held back."""
    return min(solution.framed * HELD_EVERY / (HELD_EVERY - 1), 1.0)


def lacking(recording: Recording, knowns: Sequence[Known]) -> list[str]:
    """Say what is missing before learning can begin."""
    if not recording.data:
        return ["nothing came: is the indicator on, the cable in, the line connected?"]
    if recording.duration_s <= 0:
        return [
            "the recording has no times: known loads cannot be found in it; record it with `restpoint record`"
        ]
    if parity := hidden_parity(recording.data):
        return [
            f"every byte carries a parity bit: the line is 7{parity}1 and was recorded as 8N1; record it "
            f"again with --bytesize 7 --parity {parity}"
        ]
    if len({known.mass_kg for known in knowns}) < 2:
        return ["at least two different known loads are needed, such as --known 0@0:8 --known 84.2kg@12:20"]
    end = recording.times_s[-1]
    return [
        f"the known load {known.text} lies outside the recording, which ends at {end:.1f} s"
        for known in knowns
        if known.from_s > end - 0.2
    ]


def telling(knowns: Sequence[Known]) -> list[Known]:
    """Leave out what stood too short to tell anything, where the same load stood longer as well."""
    long = [known for known in knowns if known.to_s - known.from_s >= SHORT_S]
    return [known for known in knowns if known in long or known.mass_kg not in {k.mass_kg for k in long}]


def _solutions(task: Task, reasons: list[str]) -> Iterator[Solution]:
    """Yield what explains nearly all as soon as it is found, at last what explains most of the rest."""
    left: list[Solution] = []
    untried: list[str] = []
    for cut in _placed(task.recording, task.say):
        try:
            with task.effort.trying():
                found, why = _trained(cut, task)
        except TooMuchError:
            untried.append(f"not tried to the end, for it would take too long: cut into {cut.told()}")
            task.say(untried[-1])
            if task.effort.tried_all:
                break
            continue
        reasons += why
        left += found
        best = max(map(_share, found), default=0.0)
        task.say(
            f"cut into {cut.told()}: {f'{best:.0%} of the bytes explained' if found else 'no value found'}"
        )
        chance = _by_chance(cut, task.recording)
        checked = any(s.shape.check is not None and (_whole(s) or not chance) for s in found)
        doubtful = cut.hex or chance  # the same as characters may have a check
        least = BESIDE if checked and cut.kind == "fixed" and cut.start else WHOLLY
        if best > least and (checked or not doubtful):
            likely = sorted(left, key=_explained, reverse=True)[:3]
            yield from likely
            left = [solution for solution in left if solution not in likely]
    reasons[:0] = untried
    left = [solution for solution in left if solution.covered >= _least(solution.shape.cut)]
    if untried:  # what was not tried may explain more than what explains little
        left = [solution for solution in left if solution.shape.check and _share(solution) > BESIDE]
    yield from sorted(left, key=_explained, reverse=True)[:3]


def _trained(cut: Cut, task: Task) -> tuple[list[Solution], list[str]]:
    """Solve a cut without the seconds held back, or without others where all that moved stood in those."""
    recording, knowns, effort = task.recording, task.knowns, task.effort
    best, reasons = solve(cut, recording, knowns, effort=effort, without=held_back(recording, FOLDS[0]))
    whole = max(map(_share, best), default=0.0) > WHOLLY
    if whole or _by_chance(cut, recording) or not promising(cut, recording, effort):
        return best, reasons
    for fold in FOLDS[1:]:
        found, why = solve(cut, recording, knowns, effort=effort, without=held_back(recording, fold))
        reasons += why
        if max(map(_share, found), default=0.0) > max(map(_share, best), default=0.0) + MORE:
            best = [replace(solution, fold=fold) for solution in found]
    return best, reasons


def _settled(trained: Solution, task: Task) -> Outcome:
    """What becomes of a solution, within the work that may be done."""
    try:
        with task.effort.settling():
            return _settle(trained, task)
    except TooMuchError:
        cut = trained.shape.cut.told()
        return Outcome(proven=False, notes=[f"not proven, for it would take too long: cut into {cut}"])


def _settle(trained: Solution, task: Task) -> Outcome:
    """Prove what was learnt without the held-back seconds, then learn the same from all of them."""
    again, _ = solve(trained.shape.cut, task.recording, task.knowns, effort=task.effort)
    notes = ["not proven: learning from all of it gave another layout"]
    for solution, whole, held in _agreed(trained, again, task):
        proof = prove(_text(solution, task), task.recording, task.knowns, held, whole)
        task.say(f"held back {len(held)} s: {proof.told()}")
        if proof.good:
            return _told(whole, proof, task)
        notes = [f"not proven on what was held back: {proof.told()}"]
    return Outcome(proven=False, notes=notes)


def _told(whole: Solution, proof: Proof, task: Task) -> Outcome:
    """Say what was learnt and proven, or what speaks against it all the same."""
    missing, notes = doubts(whole, task.knowns)
    text = _text(whole, task)
    final = prove(text, task.recording, task.knowns, frozenset(), whole)
    found = _found(whole, proof, final)
    if missing:
        return Outcome(proven=False, missing=missing, notes=notes, found=found)
    if not final.good:
        return Outcome(proven=False, notes=[f"not proven: {final.told()}"])
    layout = commented(text, whole, proof, final, notes, task.knowns)
    return Outcome(proven=True, layout=layout, found=found, notes=notes)


def _agreed(
    trained: Solution, again: list[Solution], task: Task
) -> Iterator[tuple[Solution, Solution, frozenset[int]]]:
    """Yield two solutions alike, without some seconds and from all of them, and which seconds those are.

    A reading below zero, or all that moved, may stand only in what was held back first; then other seconds
    are held back.
    """
    for fold in sorted(FOLDS, key=lambda fold: fold != trained.fold):
        held = held_back(task.recording, fold)
        found = (
            [trained]
            if fold == trained.fold
            else solve(trained.shape.cut, task.recording, task.knowns, effort=task.effort, without=held)[0]
        )
        for solution in found:
            alike = [other for other in again if _same(other, solution)]
            if alike:  # text may be taken apart in several ways: what explains most
                yield solution, max(alike, key=lambda other: other.covered), held
                break


def _text(solution: Solution, task: Task) -> str:
    return layout_text(
        solution.shape,
        solution.value,
        solution.roles,
        about=f"learnt from {task.name}",
        limits=safe_limits(solution),
        line=task.line,
    )


def _same(a: Solution, b: Solution) -> bool:
    """Tell whether two solutions read the same number from the same place."""
    same_shape = (a.shape.kind, a.shape.size) == (b.shape.kind, b.shape.size)
    same_value = (a.value.reading, a.value.verdict.unit) == (b.value.reading, b.value.verdict.unit)
    checks = [(s.shape.check.name, s.shape.check.at) if s.shape.check else None for s in (a, b)]
    same_place = _places(a) == _places(b)
    return (
        same_shape
        and same_value
        and same_place
        and a.value.address == b.value.address
        and checks[0] == checks[1]
    )


def _places(solution: Solution) -> list[object]:
    """Where numbers stand; of those in text the end, for blanks before one may be taken with it or not."""
    value = solution.value
    plain = value.reading.coding == "text" and not value.reading.backwards
    return [sum(s) if plain and isinstance(s, tuple) else s for s in value.sources.values()]


def _found(solution: Solution, proof: Proof, final: Proof) -> dict[str, object]:
    value, shape = solution.value, solution.shape
    address = next((role for role in solution.roles if role.kind == "address"), None)
    return {
        "frame": shape.cut.told(),
        "check": shape.check.name if shape.check else "none",
        "value": value.reading.told(),
        "unit": value.verdict.unit,
        "pads": sorted(address.map.values()) if address else list(value.sources),
        "frames": final.frames,
        "of": final.expected,
        "held_back_frames": proof.frames,
        "held_back_of": proof.expected,
        "altered_refused": final.altered_refused,
        "altered": final.altered,
    }


def _why_nothing(reasons: list[str]) -> list[str]:
    unique = list(dict.fromkeys(reasons))[:3]
    return unique or [
        "no field answers to the known loads: were they on a pad of this stream at those times? "
        "Record again, with a load that stands still for at least 5 s"
    ]
