"""Read a car's TOML: lengths in any unit by the key's ending, springs, floor heights, pads.

name = "Wagtail"
wheelbase_m = 2.43            # or wheelbase_mm, _cm, _in, _ft; tracks likewise
track_front_in = 55.3
track_rear_in = 54.9
cg_height_m = 0.52            # optional, with cg_height_u_m
warp_stiffness_Nm_per_rad = 21000   # optional, with warp_stiffness_u_Nm_per_rad; or [springs]
[springs]                     # rates at the wheel: _N_per_mm, _N_per_m or _lbf_per_in
wheel_front_N_per_mm = 24
wheel_rear_N_per_mm = 22
[floor]                       # heights of the pad tops, any datum
heights_mm = { S1 = 0, S2 = 1.5, S3 = -0.5, S4 = 6 }
height_u_mm = 1
[pads]
gain_u = 0.0005               # relative standard uncertainty of each pad's calibration
capacity_kg = 500
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path
from typing import Any

from logger.mechanics.springs import Springs, warp_stiffness
from logger.mechanics.statics import Geometry
from logger.mechanics.weighing import Allowances, Known
from logger.typed_toml import Faults, parse, unknown_key
from logger.units import G_N, IN_M, KG_PER, LB_KG, LBF_FT_PER_DEG, M_PER

RATES = {"N_per_m": 1.0, "N_per_mm": 1000.0, "lbf_per_in": LB_KG * G_N / IN_M}
"""N/m of one of the unit."""
STIFFNESSES = {"Nm_per_rad": 1.0, "Nm_per_deg": 57.29577951308232, "lbf_ft_per_deg": LBF_FT_PER_DEG}
SLOPES = {"mm_per_m": 1e-3, "m_per_m": 1.0}
PLAIN = {"": 1.0}
LARGEST = 1e15
"""No length, mass or rate of a car is larger, in whatever unit."""
MOST_RISE_M = 0.5
"""Pads that stand further apart in height carry no car that anybody would weigh."""
MOST_CG_HEIGHT_M = 3.0
"""Higher than any vehicle's centre of mass."""
MOST_GAIN_U = 0.02
"""A pad that is 2 % unsure is no scale; a larger number is per cent typed as a fraction."""


@dataclass(frozen=True, kw_only=True)
class Car:
    """A car's name and geometry, and what is known or allowed for of floor and pads."""

    name: str
    geometry: Geometry
    known: Known
    allowances: Allowances


class _Table:
    """One TOML table read by stems with unit endings; what is left unread at the end is a fault."""

    def __init__(self, data: dict[str, Any], faults: Faults, path: tuple[str, ...] = ()) -> None:
        self.data, self.faults, self.path = data, faults, path
        self.read: set[str] = set()
        self.offered: list[str] = []

    def number(self, stem: str, units: Mapping[str, float], most: float = inf) -> float | None:
        """The value of stem_unit in SI, None when no such key stands there; above `most` it is a fault."""
        keys = {f"{stem}_{unit}" if unit else stem: factor for unit, factor in units.items()}
        self.offered += keys
        found = [key for key in keys if key in self.data]
        self.read |= set(found)
        if len(found) > 1:
            self.faults.add((*self.path, found[1]), f"is given twice, as {' and '.join(found)}; strike one")
        if not found:
            return None
        value = self.data[found[0]]
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
            self.faults.add((*self.path, found[0]), f"should be a number, not {value!r}")
            return None
        if value < 0:
            self.faults.add((*self.path, found[0]), f"is {value}; it cannot be negative")
            return None
        if value * keys[found[0]] > most:
            hint = "it is a share of 1, 0.01 is 1 %" if "" in units else "check the unit in the key's ending"
            limit = f"is {value}; more than {most / keys[found[0]]:g} cannot be"
            self.faults.add((*self.path, found[0]), f"{limit}: {hint}")
            return None
        return value * keys[found[0]]

    def table(self, name: str) -> _Table:
        """A table below this one, empty when it is not there."""
        self.offered.append(name)
        self.read.add(name)
        inner = self.data.get(name, {})
        if not isinstance(inner, dict):
            self.faults.add((*self.path, name), f"should be a table [{name}]")
            inner = {}
        return _Table(inner, self.faults, (*self.path, name))

    def close(self) -> None:
        """Note every key that nothing asked for."""
        for key in self.data.keys() - self.read:
            self.faults.add((*self.path, key), unknown_key(key, self.offered))


def read_car(path: Path) -> Car:
    """Read a car's file; ConfigError with all its faults. Lengths that are missing stay None."""
    data, faults = parse(path)
    top = _Table(data, faults)
    name = data.get("name", path.stem)
    top.read.add("name")
    top.offered.append("name")
    if not isinstance(name, str):
        faults.add(("name",), f"should be text in quotes, not {name!r}")
    geometry = _geometry(top)
    known = Known()
    known = _stiffness(top, geometry, known)
    known = _floor(top.table("floor"), known)
    known = _pads(top.table("pads"), known)
    height, height_u = (top.number(stem, M_PER, MOST_CG_HEIGHT_M) for stem in ("cg_height", "cg_height_u"))
    if height is not None:
        known = replace(
            known, cg_height_m=height, cg_height_u_m=Known.cg_height_u_m if height_u is None else height_u
        )
    allowances = _allowances(top.table("allowances"))
    top.close()
    faults.check()
    return Car(name=str(name), geometry=geometry, known=known, allowances=allowances)


def _geometry(top: _Table) -> Geometry:
    lengths = {f"{stem}_m": top.number(stem, M_PER) for stem in ("wheelbase", "track_front", "track_rear")}
    for name, value in list(lengths.items()):
        try:
            Geometry(**{name: value})
        except ValueError as error:
            top.faults.add(
                (_written(top, name.removesuffix("_m")),), f"{error}; check the unit in the key's ending"
            )
            lengths[name] = None
    return Geometry(**lengths)


def _written(top: _Table, stem: str) -> str:
    return next(key for key in top.data if key.startswith(stem))


def _stiffness(top: _Table, geometry: Geometry, known: Known) -> Known:
    given = top.number("warp_stiffness", STIFFNESSES)
    given_u = top.number("warp_stiffness_u", STIFFNESSES)
    table = top.table("springs")
    springs = _springs(table)
    if given is not None:
        return replace(known, stiffness_Nm_per_rad=given, stiffness_u_Nm_per_rad=given_u)
    if springs is None:
        return known
    if geometry.missing:
        table.faults.add(
            table.path, "the springs tell the warp stiffness only with wheelbase and both tracks"
        )
        return known
    stiffness = warp_stiffness(springs, geometry)
    return replace(known, stiffness_Nm_per_rad=stiffness.value, stiffness_u_Nm_per_rad=stiffness.u)


def _springs(table: _Table) -> Springs | None:
    rates = {
        "wheel_front_N_per_m": table.number("wheel_front", RATES),
        "wheel_rear_N_per_m": table.number("wheel_rear", RATES),
        "bar_front_N_per_m": table.number("bar_front", RATES),
        "bar_rear_N_per_m": table.number("bar_rear", RATES),
        "chassis_Nm_per_rad": table.number("chassis", STIFFNESSES),
        "relative_u": table.number("relative_u", PLAIN),
    }
    table.close()
    given = {name: value for name, value in rates.items() if value is not None}
    if not given:
        return None
    try:
        return Springs(**given)
    except TypeError:
        table.faults.add(
            table.path, "wheel_front and wheel_rear are both needed, such as wheel_front_N_per_mm"
        )
    except ValueError as error:
        table.faults.add(table.path, str(error))
    return None


def _floor(table: _Table, known: Known) -> Known:
    heights: dict[str, float] = {}
    for unit, factor in M_PER.items():
        inner = table.table(f"heights_{unit}")
        heights |= {s: v * factor for s, v in _numbers(inner)}
        if heights and max(heights.values()) - min(heights.values()) > MOST_RISE_M:
            table.faults.add(
                inner.path, f"the spots differ by more than {MOST_RISE_M:g} m in height: check the unit"
            )
            heights = {}
    u = table.number("height_u", M_PER, MOST_RISE_M)
    table.close()
    return replace(known, spot_heights_m=heights, height_u_m=Known.height_u_m if u is None else u)


def _numbers(table: _Table) -> Iterable[tuple[str, float]]:
    for key, value in table.data.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            table.faults.add((*table.path, key), f"should be a height, not {value!r}")
        else:
            yield key, float(value)


def _pads(table: _Table, known: Known) -> Known:
    gain = table.number("gain_u", PLAIN, MOST_GAIN_U)
    capacity = table.number("capacity", KG_PER)
    table.close()
    return replace(known, gain_u=gain, capacity_kg=capacity)


def _allowances(table: _Table) -> Allowances:
    allow = Allowances()
    slope, twist = table.number("slope_u", SLOPES), table.number("twist_u", M_PER)
    table.close()
    if slope is not None:
        allow = replace(allow, slope=slope)
    return allow if twist is None else replace(allow, twist_m=twist)
