"""Layouts altered at random are refused with faults, or make a driver that keeps the demands.

A tool writes layouts too: whatever it writes must be answered with sentences.
"""

from __future__ import annotations

import copy
import random
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from drivers import layout as layouts
from drivers.conformance import cases
from drivers.registry import SHIPPED
from drivers.schema import Table

VALUES: list[Any] = [
    0, 1, -1, 2, 7, 64, -5, 4096, 10**9, True, False, "", "x", "kg", "hex", "binary", "float", "bcd", "twos",
    "<STX>", "<zz>", "a<", "line", "marked", "fixed", "length", "slip", "json", "keyed", "columns", "pattern",
    "positions", "crc", "CRC32-AIXM", "CRC3-GSM", "CRC40-GSM", "(?P<value>.*)", "(?P<value>x)|y", "(",
    "lb/kg", "little",
    "swapped", "offset", "magnitude", [], [1], ["a"], {}, {"at": 0}, {"key": ""}, {"map": {}},
    {"bits": {"0": "steady"}},
        {"bits": {"0": 3}}, {"map": {"a": 3}}, {"at": -3, "size": 2}, {"column": 0}, {"group": "value"},
    {"at": 1, "size": 3, "coding": "float"}, Decimal("0.5"), Decimal("-1e400"), Decimal("NaN"),
]  # fmt: skip
KEYS = [
    "coding",
    "size",
    "at",
    "form",
    "order",
    "mask",
    "bits",
    "scale",
    "offset",
    "decimals",
    "point",
    "map",
    "kind",
    "trail",
    "start",
    "end",
    "hex",
    "max",
    "from",
    "to",
    "length",
    "check",
    "poll",
    "pads",
    "unit",
    "status",
    "sign",
    "address",
    "resolution",
    "value",
    "wraps",
    "init",
    "crc",
    "column",
    "key",
    "group",
    "count",
    "separator",
    "assign",
    "constants",
    "limits_kg",
    "limits_counts",
    "modbus",
    "ignore",
    "reversed",
    "echo",
    "units",
]


def read_all() -> list[tuple[bytes, dict[str, Any]]]:
    found = []
    for case in cases(Path(__file__).parent / "cases"):
        own = case.folder / "layout.toml"
        path = own if own.exists() else SHIPPED / f"{case.about['driver']}.toml"
        found.append(
            (case.recording[:600], tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal))
        )
    return found


def places(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    return [path, *(place for key, value in items for place in places(value, (*path, key)))]


def alter(tree: dict[str, Any], rng: random.Random) -> None:
    path = rng.choice(places(tree))
    parent: Any = tree
    for step in path[:-1]:
        parent = parent[step]
    node = parent[path[-1]] if path else tree
    value = copy.deepcopy(rng.choice(VALUES))
    if isinstance(node, dict) and rng.random() < 0.6:
        node[rng.choice(KEYS)] = value
    elif path and isinstance(parent, dict) and rng.random() < 0.2:
        del parent[path[-1]]
    elif path:
        parent[path[-1]] = value


@pytest.mark.parametrize("seed", range(4))
def test_altered_layouts(seed: int) -> None:
    rng = random.Random(seed)
    made = refused = 0
    sources = read_all()
    for _ in range(500):
        recording, tree = rng.choice(sources)
        tree = copy.deepcopy(tree)
        for _ in range(rng.randint(1, 3)):
            alter(tree, rng)
        faults: list[str] = []
        layout = layouts._layout(Table(tree, "", faults), "altered")
        if faults:
            assert all(isinstance(fault, str) and len(fault) > 10 for fault in faults)
            refused += 1
            continue
        made += 1
        driver = layout.driver()
        driver.request(0)
        out = [
            item for at in range(0, len(recording), 50) for item in driver.feed(recording[at : at + 50], 0)
        ]
        raw = b"".join(item.raw for item in out)
        assert raw == recording[: len(raw)]
        assert len(raw) + driver.pending() == len(recording)
        driver.feed(rng.randbytes(300), 0)
    assert made > 10
    assert refused > 100
