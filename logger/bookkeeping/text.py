"""A ledger on the terminal: lists, a weigh-in with its plan, changes with their stair, what was done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logger.bookkeeping.source import car_of, histories, row_of
from logger.clock import wall_text
from logger.drawing.terminal import car_text
from logger.quantity import Quantity
from logger.sentences import in_unit
from logger.weighin.facts import (
    AboardFact,
    CarFact,
    Fact,
    FluidFact,
    NoteFact,
    PartFact,
    PersonFact,
    PhotoFact,
    WeighInFact,
    kind_of,
    words_of,
)
from logger.weighin.history import facts_aboard
from logger.weighin.ledger import Ledger, NoWeighIn
from logger.weighin.results import WeighInResult, weigh_in_result
from logger.weighin.states import History, Step, empty_states
from logger.weighin.views import car_view, difference_text, figures, sentences

STAIR = 44
"""Columns of the longest tread."""
LABEL = 14
"""Columns of a build's name beside it."""


def list_lines(ledger: Ledger) -> list[str]:
    """A line for each weigh-in: number, begin, car, number of captures; cars last."""
    lines = []
    for row in ledger.weigh_ins():
        ended = "" if row.ended_wall_ns else "  (not stopped)"
        marks = ("  (from a file)" if row.source else "") + ("  (discarded)" if row.withdrawn else "")
        count = len(ledger.captures(row.id))
        lines.append(
            f"w{row.id:<4} {wall_text(row.begun_wall_ns)}  {row.car:20} {count:3} captures{ended}{marks}"
        )
    return lines or ["No weigh-in yet."]


def show_lines(ledger: Ledger, weigh_in: int | None, unit: str) -> list[str]:
    """One weigh-in (default: the last that counts): plan in text, figures, conditions, what is doubtful."""
    rows = [row for row in ledger.weigh_ins() if not row.withdrawn]
    if not rows and weigh_in is None:
        raise NoWeighIn(f"{ledger.path}: nothing was weighed yet")
    row = rows[-1] if weigh_in is None else row_of(ledger, weigh_in)
    captures, changes = ledger.captures(row.id), ledger.changes(row.id)
    result = weigh_in_result(captures, changes, car_of(ledger, row))
    if result is None:
        raise NoWeighIn(f"{ledger.path}: every capture of w{row.id} was discarded")
    solution = result.solutions[result.latest]
    facts = ledger.facts()
    about = [f"  {_fact_text(f, unit)}" for f in facts if _is_about(f, row.id)]
    noted = [f"  {key.replace('_', ' ')}: {value}" for key, value in row.conditions.items() if value != ""]
    aboard = [f"  aboard, taken off: {f.name} {_mass(f.mass, unit)}" for f in facts_aboard(row.id, facts)]
    return [
        f"w{row.id}  {row.car}, {wall_text(row.begun_wall_ns)[:16].replace('T', ' ')} UTC",
        car_text(car_view(solution, result.differences), units=unit),
        *table_lines(result, unit),
        *_proposals(ledger, row.id),
        *noted,
        *about,
        *aboard,
        *(f"  – {in_unit(sentence, unit)}" for sentence in sentences(result)),
    ]


def table_lines(result: WeighInResult, unit: str) -> Iterator[str]:
    """A row for each figure, a column for each state weighed, then the differences."""
    names = list(result.solutions)
    columns = [dict(figures(solution, unit)) for solution in result.solutions.values()]
    yield f"  {'':20}" + "".join(f"{name:>24}" for name in names)
    for what in columns[0]:
        yield f"  {what:20}" + "".join(f"{column[what].text():>24}" for column in columns)
    for difference in result.differences:
        yield f"  {difference_text(difference, unit)}"


def changes_lines(told: History, unit: str, target: Quantity | None = None) -> list[str]:
    """What came off and went on, where it sat, how it is known; what the car is now; what is left to find."""
    lines = [f"{told.car}: {_count(len(told.steps), 'change')}. ± is two standard uncertainties.", ""]
    lines += [line for step in told.steps for line in _step_lines(step, unit)]
    lines += ["", f"  Came off: {size_text(told.off, unit)}. Went on: {size_text(told.on, unit)}."]
    lines += [_now(told, unit)]
    if target is not None:
        lines.append(left_to_find(told, target, unit))
    stairs = list(stair_lines(told, unit))
    lines += ["", *stairs] if stairs else []
    lines += [f"  – {in_unit(doubt, unit)}" for doubt in told.doubts]
    return lines


def left_to_find(told: History, target: Quantity, unit: str) -> str:
    """What is still to be found against a target for the empty car."""
    now = now_quantity(told)
    if now is None:
        return "  The car was never weighed empty; a target for it cannot be held against anything."
    off = Quantity(now.value - target.value, now.u, "kg")
    size = Quantity(abs(off.value), off.u, "kg")
    way = "still to be found" if off.value > 0 else "in hand"
    return f"  Target {target.shown_in(unit).value_text()} with nobody aboard: {_mass(size, unit)} {way}."


def now_quantity(told: History) -> Quantity | None:
    """The empty car now: as weighed last, and what was typed in since; None if it was never weighed empty."""
    states = empty_states(told)
    if not states:
        return None
    masses = [states[-1].total, *(s.mass for s in told.since)]
    return Quantity(sum(m.value for m in masses), sum((m.u or 0.0) ** 2 for m in masses) ** 0.5, "kg")


def stair_lines(told: History, unit: str) -> Iterator[str]:
    """The empty car's total from build to build as treads, scaled between the lightest and the heaviest."""
    treads = [(s, s.total.shown_in(unit)) for s in empty_states(told)]
    if len(treads) < 2:
        return
    low, high = (f(q.value for _, q in treads) for f in (min, max))
    low -= 0.15 * (high - low) or 1.0
    for state, total in treads:
        length = round(STAIR * (total.value - low) / (high - low or 1.0))
        build = state.build if len(state.build) <= LABEL else f"{state.build[: LABEL - 1]}…"
        yield f"  w{state.weigh_in} {build:{LABEL}} {'▁' * max(length, 1):{STAIR}} {total.text()}"


def people_lines(told: History, unit: str) -> list[str]:
    """Everybody known: as last weighed in the car, else as typed in."""
    return [
        f"  {p.ref:6} {p.name}: {_mass(p.mass, unit)}, {place_words(p.x, p.y, unit)}" for p in told.people
    ]


def search_lines(ledger: Ledger, words: Sequence[str], unit: str) -> list[str]:
    """Everything in which all the words stand, whatever their case; all facts for no words."""
    wanted = [word.casefold() for word in words]

    def fits(text: str) -> bool:
        return all(word in text.casefold() for word in wanted)

    found = [
        f"w{row.id:<5} {row.car}, {row.bay}, {wall_text(row.begun_wall_ns)[:10]}"
        for row in ledger.weigh_ins()
        if fits(
            " ".join([row.car, row.bay, wall_text(row.begun_wall_ns), *map(str, row.conditions.values())])
        )
    ]
    for told in histories(ledger).values():
        found += [
            f"{step.ref:6} {told.car}: {step.name}, {_mass(step.mass, unit)}"
            for step in told.steps
            if step.basis == "weighed" and fits(f"{told.car} {step.name} {step.how}")
        ]
    found += [_fact_text(fact, unit) for fact in ledger.facts() if fits(f"{words_of(fact)} {kind_of(fact)}")]
    return found or ["Nothing found."]


def history_lines(ledger: Ledger) -> list[str]:
    """Every deed in order, with what is undone; nothing is ever deleted."""
    lines = [
        f"{d.id:4}  {wall_text(d.written_wall_ns)[:19].replace('T', ' ')}  {d.text}"
        + ("  (undone)" if d.undone else "")
        for d in ledger.deeds()
    ]
    return lines or ["Nobody has changed anything by hand yet."]


def revision_lines(ledger: Ledger, fact: int, unit: str) -> list[str]:
    """Every revision of a fact, oldest first."""
    revisions = ledger.fact_revisions(fact)
    return [
        f"{n:3}  {_fact_text(f, unit)}" + ("  (withdrawn)" if f.withdrawn else "")
        for n, f in enumerate(revisions)
    ] or [f"There is no e{fact}."]


# -- pieces -----------------------------------------------------------------------------------------------


def _step_lines(step: Step, unit: str) -> Iterator[str]:
    sign = "+" if step.mass.value > 0 else "−"
    named = f"{step.name}?" if step.proposed else step.name
    where = "too light to locate" if step.too_light else place_words(step.x, step.y, unit)
    yield f"  {step.ref:7} {sign}{size_text(step.mass, unit):18} {named}"
    yield f"  {'':7}  {where} ({in_unit(step.how, unit)})"
    if step.proposed:
        yield f"  {'':7}  nobody named it; `restpoint ledger name FOLDER {step.ref}` takes the name proposed"
    for note in step.notes:
        yield f"  {'':7}  {in_unit(note, unit)}"


def place_words(x: Quantity | None, y: Quantity | None, unit: str) -> str:
    """Where something sat, in words."""
    if x is None or y is None:
        return "place not known"
    length = "m" if unit == "kg" else "in"
    along = "ahead of" if x.value >= 0 else "behind"
    side = "left" if y.value >= 0 else "right"
    ahead, across = (Quantity(abs(q.value), q.u, "m").shown_in(length).text() for q in (x, y))
    return f"{ahead} {along} the rear axle, {across} {side}"


def _now(told: History, unit: str) -> str:
    now = now_quantity(told)
    last = told.states[-1]
    if now is None:
        people = " and ".join(last.aboard)
        return f"  Now: {_mass(last.total, unit)} with {people} aboard, as weighed in w{last.weigh_in}."
    typed = f" and {_count(len(told.since), 'change')} typed in since" if told.since else ""
    return f"  Now: {_mass(now, unit)}, nobody aboard, from w{last.weigh_in}{typed}."


def _fact_text(fact: Fact, unit: str) -> str:
    match fact:
        case PartFact():
            told = f"{fact.car}: {fact.name}, {_signed(fact.mass, unit)}, {place_words(fact.x, fact.y, unit)}"
            told += f" ({fact.basis})" + (f", is {fact.merged_into}" if fact.merged_into else "")
        case PersonFact():
            told = f"{fact.name}, {_mass(fact.mass, unit)}, {place_words(fact.x, fact.y, unit)}"
        case AboardFact():
            told = f"w{fact.weigh_in}: {fact.name}, {_mass(fact.mass, unit)}"
        case FluidFact():
            told = f"w{fact.weigh_in}: {fact.name}, {fact.volume_L.text()}, standard {fact.standard_L:g} L"
        case PhotoFact():
            told = f"{fact.of}: {fact.where}" + (f", {fact.caption}" if fact.caption else "")
        case NoteFact():
            told = f"{fact.of}: {fact.text}" if fact.of else fact.text
        case CarFact():
            told = fact.name + (f", is car {fact.merged_into}" if fact.merged_into is not None else "")
        case WeighInFact():
            told = f"w{fact.weigh_in}: " + ", ".join(f"{k} = {v}" for k, v in fact.conditions.items())
    return f"e{fact.id:<5} {kind_of(fact)} {told}"


def _proposals(ledger: Ledger, weigh_in: int) -> Iterator[str]:
    """A line for each change of a weigh-in that nobody named, with the name proposed."""
    for told in histories(ledger).values():
        for step in told.steps:
            if step.proposed and step.ref.startswith(f"w{weigh_in}."):
                number = step.ref.partition(".")[2]
                yield f"  change {number} has no name yet; proposed: {step.name!r} (its ref: {step.ref})"


def _is_about(fact: Fact, weigh_in: int) -> bool:
    of = getattr(fact, "of", "")
    return of == f"w{weigh_in}" or of.startswith(f"w{weigh_in}.")


def _mass(mass: Quantity, unit: str) -> str:
    return mass.shown_in(unit).text()


def size_text(mass: Quantity, unit: str) -> str:
    """A signed mass as its size; "nothing" where nothing was weighed."""
    if mass.value == 0 and not mass.u:
        return "nothing"
    return _mass(Quantity(abs(mass.value), mass.u, "kg"), unit)


def _signed(mass: Quantity, unit: str) -> str:
    return f"{size_text(mass, unit)} {'on' if mass.value > 0 else 'off'}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
