"""Finding drivers: shipped layouts, the site's own folders, and plug-ins by entry point.

A plug-in is a callable without arguments, in entry-point group `restpoint.drivers`, that returns a Driver.
A broken one is named with its fault and passed over; it never stops the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

from msgspec import Struct

from drivers.api import Driver
from drivers.layout import load_layout
from drivers.schema import LayoutError, nearest

GROUP = "restpoint.drivers"
SHIPPED = Path(__file__).parent / "layouts"

Factory = Callable[[], Driver]


class Known(Struct, frozen=True, kw_only=True):
    """A driver that can be named: where it comes from, and its fault when it cannot be used."""

    name: str
    origin: str
    about: str = ""
    fault: str = ""


class DriverError(ValueError):
    """A driver cannot be had: not known, or broken; the message says what would help."""


def find(name: str, folders: Sequence[Path] = ()) -> Factory:
    """Find a driver by name or by path of a layout; the site's folders come before plug-ins and shipped ones.

    Raises LayoutError for a layout with faults and DriverError when there is no such driver or the plug-in
    is broken.
    """
    path = Path(name)
    if path.suffix == ".toml":
        return load_layout(_there(path, folders)).driver
    for folder in folders:
        if (Path(folder) / f"{name}.toml").is_file():
            return load_layout(Path(folder) / f"{name}.toml").driver
    for point in _points():
        if point.name == name:
            return _plug_in(point)
    if (SHIPPED / f"{name}.toml").is_file():
        return load_layout(SHIPPED / f"{name}.toml").driver
    names = [known.name for known in listing(folders)]
    raise DriverError(f"no driver is called {name!r}; {nearest(name, names)}")


def listing(folders: Sequence[Path] = ()) -> list[Known]:
    """List every driver that can be named, broken ones with their fault."""
    found = [_layout(path, str(folder)) for folder in folders for path in sorted(Path(folder).glob("*.toml"))]
    found += [_entry(point) for point in _points()]
    found += [_layout(path, "shipped") for path in sorted(SHIPPED.glob("*.toml"))]
    return found


def _there(path: Path, folders: Iterable[Path]) -> Path:
    for candidate in (path, *(Path(folder) / path for folder in folders)):
        if candidate.is_file():
            return candidate
    raise DriverError(f"there is no layout file {path}")


def _points() -> list[EntryPoint]:
    return sorted(entry_points(group=GROUP), key=lambda point: point.name)


def _plug_in(point: EntryPoint) -> Factory:
    try:
        factory = point.load()
        driver = factory()
    except Exception as fault:  # foreign code may raise anything; it must only name itself
        raise DriverError(f"plug-in {point.name} ({point.value}) is broken: {fault!r}") from fault
    if not isinstance(driver, Driver):
        raise DriverError(
            f"plug-in {point.name} ({point.value}) is no driver: it lacks members of drivers.api.Driver"
        )
    made: Factory = factory
    return made


def _entry(point: EntryPoint) -> Known:
    origin = f"plug-in {point.value}"
    try:
        factory = _plug_in(point)
    except DriverError as fault:
        return Known(name=point.name, origin=origin, fault=str(fault))
    return Known(name=point.name, origin=origin, about=(factory.__doc__ or "").strip().split("\n")[0])


def _layout(path: Path, origin: str) -> Known:
    try:
        return Known(name=path.stem, origin=origin, about=load_layout(path).about)
    except (LayoutError, OSError) as fault:
        return Known(name=path.stem, origin=origin, fault=str(fault))
