"""A ledger on disk: open it by folder or file, and gather the history of each of its cars."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from logger.car_file import Car
from logger.config import Loaded, load
from logger.journal_folder import JOURNAL, run_folders
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Allowances, Known
from logger.typed_toml import ConfigError
from logger.weighin.facts import CarFact
from logger.weighin.history import history
from logger.weighin.ledger import Ledger, NoWeighIn, WeighInRow
from logger.weighin.noted import with_noted
from logger.weighin.refusal import LedgerError
from logger.weighin.states import History, WeighIn

NAME = "ledger.db"


@contextmanager
def opened(place: Path, *, make: bool = False) -> Iterator[Ledger]:
    """Open the ledger of a bay's folder, or a ledger file; NoWeighIn when none is there, unless `make`."""
    path = place / NAME if place.is_dir() or (make and place.suffix != ".db") else place
    if not path.is_file():
        if not make:
            raise NoWeighIn(f"{path} is not there; name the bay's data folder (bay.folder in its config)")
        path.parent.mkdir(parents=True, exist_ok=True)
    ledger = Ledger(path)
    try:
        yield ledger
    finally:
        ledger.close()


def histories(ledger: Ledger) -> dict[str, History]:
    """The history of every car in which something was weighed, by its name, in the order first weighed."""
    facts = ledger.facts()
    rows = [row for row in ledger.weigh_ins() if not row.withdrawn]
    found: dict[str, History] = {}
    for name in dict.fromkeys(row.car for row in rows):
        mine = [_weigh_in(ledger, row) for row in rows if row.car == name]
        told = history(name, mine, facts)
        if told is not None:
            found[name] = told
    return found


def one_history(ledger: Ledger, car: str | None) -> History:
    """The history of this car (None: the one weighed last); NoWeighIn names those there are."""
    found = histories(ledger)
    if not found:
        raise NoWeighIn(f"{ledger.path}: nothing was weighed yet")
    if car is None:
        return max(found.values(), key=lambda h: h.states[-1].t_wall_ns)
    if car not in found:
        raise NoWeighIn(f"{ledger.path}: no weighed car {car!r}; there are {', '.join(found)}")
    return found[car]


def unit_of(ledger: Ledger) -> str:
    """The unit ("kg" or "lb") that the ledger's bay shows; kg where there is no bay."""
    loaded = _config(ledger, "")
    return loaded.config.bay.unit if loaded else "kg"


def is_invented(ledger: Ledger) -> bool:
    """Whether the bay's config says that car and figures are made up."""
    loaded = _config(ledger, "")
    return loaded is not None and loaded.config.bay.invented


def car_of(ledger: Ledger, row: WeighInRow) -> Car:
    """The car of a weigh-in as known for it, with the pad tops' heights if they were measured then.

    What was written into the ledger counts first, then the config it was weighed with, then the lengths the
    bay noted.
    """
    return with_noted(_car_of(ledger, row), row.conditions)


def _car_of(ledger: Ledger, row: WeighInRow) -> Car:
    fact = _car_fact(ledger, row.car)
    if fact is not None and fact.car is not None:
        return fact.car
    loaded = _config(ledger, row.config_id)
    if loaded is not None:
        return replace(loaded.car, name=row.car)
    noted = {car.row: car for car in ledger.cars()}
    here = [car for car in noted.values() if car.name == row.car or (fact and car.row == fact.row)]
    lengths = here[0] if here else None
    geometry = (
        Geometry(
            wheelbase_m=lengths.wheelbase_m,
            track_front_m=lengths.track_front_m,
            track_rear_m=lengths.track_rear_m,
        )
        if lengths
        else Geometry()
    )
    return Car(name=row.car, geometry=geometry, known=Known(), allowances=Allowances())


def row_of(ledger: Ledger, weigh_in: int) -> WeighInRow:
    """The weigh-in of this number; LedgerError lists those there are."""
    rows = {row.id: row for row in ledger.weigh_ins()}
    if weigh_in not in rows:
        named = ", ".join(f"w{n}" for n in rows) or "none yet"
        raise LedgerError(f"{ledger.path}: there is no weigh-in w{weigh_in}; there are: {named}")
    return rows[weigh_in]


def _weigh_in(ledger: Ledger, row: WeighInRow) -> WeighIn:
    return WeighIn(
        id=row.id,
        t_wall_ns=row.begun_wall_ns,
        captures=ledger.captures(row.id),
        changes=ledger.changes(row.id),
        car=car_of(ledger, row),
    )


def _car_fact(ledger: Ledger, name: str) -> CarFact | None:
    return next((f for f in ledger.car_facts().values() if f.name == name and f.merged_into is None), None)


def _config(ledger: Ledger, config_id: str) -> Loaded | None:
    """The config of the run that a weigh-in was weighed with, else of the last run; None without one."""
    last: Loaded | None = None
    for run in reversed(run_folders(ledger.path.parent / JOURNAL)):
        loaded = _loaded(run.folder / "config.toml")
        if loaded is not None and loaded.id == config_id:
            return loaded
        last = last or loaded
    return last


@lru_cache(maxsize=1000)
def _loaded(path: Path) -> Loaded | None:
    """A run's config, which never changes; None where it says what is refused today."""
    try:
        return load(path)
    except ConfigError:
        return None
