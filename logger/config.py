"""One TOML file says everything about a bay; every fault in it is reported at once, with file and line.

`load` reads, checks and composes; the pieces' own settings stand beside the code they steer.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from drivers.calibration import Line
from logger import calibration_file, snapshot, typed_toml
from logger.broker import BrokerSettings
from logger.bus_settings import BusSettings
from logger.car_file import Car, read_car
from logger.devices import DeviceUnknown, is_network, resolve
from logger.journal import JournalSettings
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Allowances, Known
from logger.page import PageSettings
from logger.ports import PortSettings
from logger.settling.grade import Grading
from logger.settling.settings import Settling
from logger.store import StoreSettings
from logger.store.retention import RetentionSettings
from logger.typed_toml import ConfigError, Faults
from logger.voice import VoiceSettings
from logger.weighin.builds import Person
from logger.weighin.placements import SPOTS
from logger.weighin.settings import FlowSettings


@dataclass(frozen=True, kw_only=True)
class BaySettings:
    """The bay as a whole."""

    name: str
    folder: str = "data"
    """Where journal, dataset, ledger and reports go; relative to the config file."""
    unit: Literal["kg", "lb"] = "kg"
    """Unit of page, report, bus and sentences; inside everything is kg."""
    car: str = ""
    """File of the car on the pads, relative to the config file; empty: shares only, no plan to scale."""
    invented: bool = False
    """True where car and figures are made up, as in the demo; page and report then say so."""


@dataclass(frozen=True, kw_only=True)
class PortConfig(PortSettings):
    """One serial port with the layout of its stream."""

    layout: str
    """A shipped layout's name, a plug-in's name, or a file beside the config."""


@dataclass(frozen=True, kw_only=True)
class PadConfig:
    """One pad; `address` is its address in the stream, None when it is alone on its port."""

    id: str
    port: str
    address: str | None = None
    spot: Literal["S1", "S2", "S3", "S4"] | None = None
    capacity_kg: float | None = None


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """How the car stands, noted with each weigh-in; None is not noted."""

    tyre_pressures_kPa: tuple[float, float, float, float] | None = None
    """Cold gauge pressures, LF RF LR RR."""
    fuel_L: float | None = None
    temperature_C: float | None = None
    place: str = ""
    who: str = ""
    notes: str = ""


@dataclass(frozen=True, kw_only=True)
class Config:
    """The whole file."""

    bay: BaySettings
    port: tuple[PortConfig, ...]
    pad: tuple[PadConfig, ...]
    schema: Literal[1] = 1
    person: tuple[Person, ...] = ()
    conditions: Conditions = field(default_factory=Conditions)
    weighin: FlowSettings = field(default_factory=FlowSettings)
    settling: Settling = field(default_factory=Settling)
    judge: Grading = field(default_factory=Grading)
    journal: JournalSettings = field(default_factory=JournalSettings)
    store: StoreSettings = field(default_factory=StoreSettings)
    bus: BusSettings = field(default_factory=BusSettings)
    broker: BrokerSettings = field(default_factory=BrokerSettings)
    page: PageSettings = field(default_factory=PageSettings)
    retention: RetentionSettings = field(default_factory=RetentionSettings)
    voice: VoiceSettings = field(default_factory=VoiceSettings)


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """A config, where it came from and the car it names; `id` changes with any byte of the config."""

    config: Config
    file: Path
    text: str
    car: Car
    calibrations: Mapping[str, Line]
    """Pad id → its line from counts to kg."""

    @property
    def id(self) -> str:
        """First 12 hex digits of the file's SHA-256."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:12]

    @property
    def folder(self) -> Path:
        """The bay's data folder, absolute."""
        return (self.file.parent / self.config.bay.folder).absolute()

    def snapshot(self) -> dict[str, bytes]:
        """What a run was configured with, by file name: the config, the car and the layouts beside it."""
        files = {"config.toml": self.text.encode()}
        named = [self.config.bay.car, calibration_file.NAME, *(port.layout for port in self.config.port)]
        folder = self.file.parent.resolve()
        for name in filter(None, named):
            for own in ((folder / name).resolve(), (folder / f"{name}.toml").resolve()):
                if own.is_file() and own.is_relative_to(folder):
                    files[str(own.relative_to(folder))] = own.read_bytes()
        return files

    @property
    def pad_on_spot(self) -> Mapping[str, str]:
        """Spot → pad id for the pads that stand on one."""
        return {pad.spot: pad.id for pad in self.config.pad if pad.spot}

    def pads_of(self, port: str) -> Mapping[str | None, str]:
        """Address (or None) → pad id of a port."""
        return {pad.address: pad.id for pad in self.config.pad if pad.port == port}


def load(file: Path, *, devices: bool = False) -> Loaded:
    """Read a config; ConfigError lists every fault. `devices` also wants each port's device to be there.

    One that a run kept is read only as the run had it.
    """
    if file.parent.name.startswith("run-") and (damaged := snapshot.fault(file.parent)):
        raise ConfigError([f"{file.parent}: {damaged}"])
    data, faults = typed_toml.parse(file)
    config = typed_toml.convert(data, Config, faults)
    car = _car(data, faults)
    calibrations = _calibrations(faults)
    _check_tables(data, faults)
    if devices or faults.rows:
        _check_devices(data, faults)
    faults.check()
    assert config is not None  # convert gives None only with a fault noted
    return Loaded(
        config=config, file=file, text=file.read_text(encoding="utf-8"), car=car, calibrations=calibrations
    )


def _calibrations(faults: Faults) -> Mapping[str, Line]:
    try:
        return calibration_file.read(faults.file.parent)
    except ConfigError as error:
        faults.rows.extend(error.faults)
        return {}


def _car(data: Mapping[str, Any], faults: Faults) -> Car:
    """Read the car that the config names; its faults join the config's own."""
    bay = data.get("bay")
    name = bay.get("car") if isinstance(bay, dict) else None
    if isinstance(name, str) and name:
        try:
            return read_car(faults.file.parent / name)
        except ConfigError as error:
            faults.rows.extend(error.faults)
    return Car(name="car", geometry=Geometry(), known=Known(), allowances=Allowances())


def _tables(data: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    rows = data.get(name, [])
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def _check_tables(data: Mapping[str, Any], faults: Faults) -> None:
    """What no single value shows: names used twice, references to nothing, layouts that do not load."""
    ports, pads = _tables(data, "port"), _tables(data, "pad")
    names = [row.get("name") for row in ports]
    for key, rows, what in (("name", ports, "port"), ("id", pads, "pad"), ("spot", pads, "pad")):
        _check_unique(rows, key, what, faults)
    for n, pad in enumerate(pads):
        if "port" in pad and pad["port"] not in names:
            known = ", ".join(map(str, names)) or "none"
            faults.add(("pad", n, "port"), f"there is no [[port]] named {pad['port']!r}; named are: {known}")
    for n, port in enumerate(ports):
        _check_addresses(n, port, [pad for pad in pads if pad.get("port") == port.get("name")], faults)
        _check_layout(n, port, faults)
    spots = {pad.get("spot") for pad in pads} - {None}
    if spots and (missing := [spot for spot in SPOTS if spot not in spots]):
        faults.add(
            ("pad",), f"no pad stands on {', '.join(missing)}; give a pad for each spot, or none a spot"
        )


def _check_unique(rows: list[dict[str, Any]], key: str, what: str, faults: Faults) -> None:
    count = Counter(str(row[key]) for row in rows if key in row)
    for n, row in enumerate(rows):
        if key in row and count[str(row[key])] > 1:
            faults.add((what, n, key), f"{row[key]!r} stands on more than one [[{what}]]; each needs its own")


def _check_addresses(n: int, port: dict[str, Any], pads: list[dict[str, Any]], faults: Faults) -> None:
    if not pads:
        faults.add(("port", n), f"no [[pad]] names this port; add one with port = {port.get('name')!r}")
    addresses = [pad.get("address") for pad in pads]
    if len(pads) > 1 and (None in addresses or len(set(addresses)) < len(addresses)):
        faults.add(("port", n), "its pads need an address each, all different: several share the line")


def _check_layout(n: int, port: dict[str, Any], faults: Faults) -> None:
    from drivers import registry  # noqa: PLC0415  reading layouts is needed only here

    layout = port.get("layout")
    if not isinstance(layout, str):
        return
    try:
        registry.find(layout, folders=(faults.file.parent,))
    except (LookupError, ValueError) as error:
        faults.add(("port", n, "layout"), str(error))


def _check_devices(data: Mapping[str, Any], faults: Faults) -> None:
    for n, port in enumerate(_tables(data, "port")):
        device = port.get("device")
        if not isinstance(device, str) or is_network(device):
            continue
        try:
            path = resolve(device)
        except DeviceUnknown as why:
            faults.add(("port", n, "device"), str(why))
            continue
        if not Path(path).exists():
            faults.add(
                ("port", n, "device"), f"{path} is not there; `restpoint ports` lists what is plugged in"
            )
