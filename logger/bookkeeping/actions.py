"""What `restpoint ledger` does for each action: arguments in, lines to print out."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.bookkeeping import deeds, text
from logger.bookkeeping.source import histories, one_history, unit_of
from logger.car_file import read_car
from logger.clock import NS, now_ns
from logger.quantity import Quantity
from logger.quantity_text import read_quantity
from logger.sentences import in_unit
from logger.weighin.facts import (
    PETROL_KG_PER_L,
    AboardFact,
    Fact,
    FluidFact,
    NoteFact,
    PartFact,
    PersonFact,
    PhotoFact,
)
from logger.weighin.ledger import Ledger
from logger.weighin.refusal import LedgerError


def act(ledger: Ledger, args: Namespace) -> list[str]:
    """Do one action; LedgerError, NoWeighIn or ValueError says why it cannot be done."""
    return _ACTIONS[args.action](ledger, args)


def _unit(ledger: Ledger, args: Namespace) -> str:
    return str(args.unit or unit_of(ledger))


def _show(ledger: Ledger, args: Namespace) -> list[str]:
    typed = args.which or args.weigh_in
    wanted = _weigh_in(typed) if typed else None
    return text.show_lines(ledger, wanted, _unit(ledger, args))


def _changes(ledger: Ledger, args: Namespace) -> list[str]:
    return text.changes_lines(one_history(ledger, args.car), _unit(ledger, args), _target(args))


def _target(args: Namespace) -> Quantity | None:
    return read_quantity(args.target, "mass") if args.target else None


def _people(ledger: Ledger, args: Namespace) -> list[str]:
    lines = text.people_lines(one_history(ledger, args.car), _unit(ledger, args))
    return lines or ["Nobody is known yet."]


def _name(ledger: Ledger, args: Namespace) -> list[str]:
    return [deeds.name(ledger, deeds.read_ref(args.ref), args.to, _now())]


def _add(ledger: Ledger, args: Namespace) -> list[str]:
    if args.what == "condition":
        return [deeds.add_conditions(ledger, _weigh_in(args.weigh_in), _pairs(args.pairs), _now())]
    if args.what == "car":
        car = read_car(args.file)
        name = args.car or car.name
        return [deeds.add_car(ledger, name, replace(car, name=name), _now())]
    fact, notes = _fact(ledger, args)
    return [*_with_doubts(ledger, args, lambda: deeds.add(ledger, fact, _now())), *notes]


def _with_doubts(ledger: Ledger, args: Namespace, deed: Callable[[], str]) -> list[str]:
    """Do a deed; what it says, and the doubts that the histories have since and had not before."""
    before, told = _doubts(ledger), deed()
    fresh = [doubt for doubt in _doubts(ledger) if doubt not in before]
    return [told, *(in_unit(doubt, _unit(ledger, args)) for doubt in fresh)]


def _doubts(ledger: Ledger) -> list[str]:
    return [doubt for told in histories(ledger).values() for doubt in told.doubts]


def _fact(ledger: Ledger, args: Namespace) -> tuple[Fact, list[str]]:
    """The fact that the arguments say, and what was assumed for it."""
    match args.what:
        case "photo":
            return PhotoFact(of=args.of, where=args.where, caption=args.caption), []
        case "note":
            return NoteFact(of=args.of, text=args.text), []
        case "fluid":
            return _fluid(args), []
    mass, x, y, notes = _mass_and_place(args)
    match args.what:
        case "part":
            car = args.car or one_history(ledger, None).car
            signed = Quantity(mass.value if args.on else -mass.value, mass.u, "kg")
            at = _day(args.when) if args.when else _now()
            return PartFact(
                car=car, name=args.name, mass=signed, t_wall_ns=at, basis=args.basis, x=x, y=y
            ), notes
        case "person":
            return PersonFact(name=args.name, mass=mass, x=x, y=y), notes
        case _:
            return AboardFact(weigh_in=_weigh_in(args.weigh_in), name=args.name, mass=mass, x=x, y=y), notes


def _mass_and_place(
    args: Namespace,
) -> tuple[Quantity, Quantity | None, Quantity | None, list[str]]:
    typed = _positive(args.mass)
    x, y = (deeds.rough_place(_length(typed)) for typed in (args.x, args.y))
    notes = []
    if typed.u is None:
        notes.append(f'No ± was given: ± {2 * deeds.ROUGH:.0%} is assumed; write it as "17.4 ± 0.3 kg".')
    return deeds.rough(typed), x, y, notes


def _fluid(args: Namespace) -> FluidFact:
    return FluidFact(
        weigh_in=_weigh_in(args.weigh_in),
        name=args.name,
        volume_L=read_quantity(args.volume, "volume"),
        standard_L=read_quantity(args.standard, "volume").value,
        density=read_quantity(args.density, "density") if args.density else PETROL_KG_PER_L,
        x=deeds.rough_place(_length(args.x)),
        y=deeds.rough_place(_length(args.y)),
    )


def _positive(typed: str) -> Quantity:
    mass = read_quantity(typed, "mass")
    if mass.value < 0:
        raise LedgerError(
            f"{typed!r} is below zero; give the mass itself, and --off or --on which way it went"
        )
    return mass


def _length(typed: str | None) -> Quantity | None:
    return read_quantity(typed, "length") if typed else None


def _correct(ledger: Ledger, args: Namespace) -> list[str]:
    ref = deeds.read_ref(args.ref)
    if ref.capture is not None:
        aboard = None if args.aboard is None else tuple(args.aboard)
        told = deeds.correct_capture(ledger, ref, _now(), facing=args.facing, build=args.build, aboard=aboard)
        return [told]
    fields: dict[str, Any] = {k: getattr(args, k) for k in ("basis", "text") if getattr(args, k)}
    fields |= {k: deeds.rough_place(_length(getattr(args, k))) for k in ("x", "y") if getattr(args, k)}
    if args.mass:
        mass = deeds.rough(_positive(args.mass))
        known = next((f for f in ledger.facts() if f.id == ref.fact), None)
        off = isinstance(known, PartFact) and known.mass.value < 0
        fields["mass"] = Quantity(-mass.value if off else mass.value, mass.u, "kg")
    if not fields:
        raise LedgerError("nothing to correct was given; see `restpoint ledger correct --help`")
    return _with_doubts(ledger, args, lambda: deeds.correct_fact(ledger, ref, fields, _now()))


def _discard(ledger: Ledger, args: Namespace) -> list[str]:
    return [deeds.discard(ledger, deeds.read_ref(args.ref), _now())]


def _merge(ledger: Ledger, args: Namespace) -> list[str]:
    return [deeds.merge(ledger, deeds.read_ref(args.ref), deeds.read_ref(args.other), _now())]


def _undo(ledger: Ledger, args: Namespace) -> list[str]:
    standing = [d for d in ledger.deeds() if not d.undone and d.undoes is None]
    if args.deed is None and not standing:
        raise LedgerError("there is nothing to undo")
    number = standing[-1].id if args.deed is None else args.deed
    ledger.undo(number, _now())
    return [f"Undone: {next(d.text for d in ledger.deeds() if d.id == number)}"]


def _history(ledger: Ledger, args: Namespace) -> list[str]:
    if args.ref is None:
        return text.history_lines(ledger)
    ref = deeds.read_ref(args.ref)
    if ref.fact is None:
        raise LedgerError(f"{args.ref}: revisions are listed of facts, such as e12")
    return text.revision_lines(ledger, ref.fact, _unit(ledger, args))


def _search(ledger: Ledger, args: Namespace) -> list[str]:
    return text.search_lines(ledger, args.words, _unit(ledger, args))


def _export(ledger: Ledger, args: Namespace) -> list[str]:
    from logger.bookkeeping.exports import export_ledger  # noqa: PLC0415  # pyarrow, for this action alone

    out = args.out or ledger.path.parent / "ledger-export"
    return [str(path) for path in export_ledger(ledger, out, args.to)]


def _import(ledger: Ledger, args: Namespace) -> list[str]:
    from logger.bookkeeping.imports import import_csv, import_ledger  # noqa: PLC0415  # for this action alone

    if args.file.suffix == ".db":
        return import_ledger(ledger, args.file, _now())
    if args.car is None:
        raise LedgerError("a CSV needs its car: add --car CAR.toml")
    if not args.file.is_file():
        raise LedgerError(f"{args.file}: cannot be read, it is not there; check the path")
    day = _day(args.when) if args.when else int(args.file.stat().st_mtime) * NS
    return import_csv(ledger, args.file, read_car(args.car), day, _now(), as_it_is=args.as_it_is)


def _page(ledger: Ledger, args: Namespace) -> list[str]:
    from logger.bookkeeping.page import ledger_page  # noqa: PLC0415  # for this action alone
    from logger.bookkeeping.source import is_invented  # noqa: PLC0415

    out: Path = args.out or ledger.path.parent / "ledger.html"
    told = one_history(ledger, args.car)
    page = ledger_page(told, _unit(ledger, args), _target(args), invented=is_invented(ledger))
    out.write_text(page, encoding="utf-8")
    return [str(out)]


def _weigh_in(typed: str) -> int:
    number = deeds.read_ref(typed).weigh_in
    if number is None:
        raise LedgerError(f"{typed!r} names no weigh-in; write w3")
    return number


def _pairs(pairs: list[str]) -> dict[str, Any]:
    noted: dict[str, Any] = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key:
            raise LedgerError(f"{pair!r} should be KEY=VALUE, such as temperature_C=4")
        try:
            noted[key] = float(value) if value else None
        except ValueError:
            noted[key] = value
    return noted


def _day(typed: str) -> int:
    try:
        return int(datetime.fromisoformat(typed).replace(tzinfo=UTC).timestamp()) * NS
    except ValueError as error:
        raise LedgerError(f"{typed!r} is no day; write it as 2026-02-14") from error


def _now() -> int:
    return now_ns()[1]


_ACTIONS: dict[str, Callable[[Ledger, Namespace], list[str]]] = {
    "list": lambda ledger, _: text.list_lines(ledger),
    "show": _show,
    "changes": _changes,
    "people": _people,
    "name": _name,
    "add": _add,
    "correct": _correct,
    "discard": _discard,
    "merge": _merge,
    "undo": _undo,
    "history": _history,
    "search": _search,
    "export": _export,
    "import": _import,
    "page": _page,
}
