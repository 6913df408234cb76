"""A bay's state: a bay that resumes gives what the first would have given; a foreign state is never run."""

from __future__ import annotations

import hashlib
import json
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.small_bay import CONFIG, stream

from logger.bay_state import freeze, thaw
from logger.derive import derive
from logger.journal_segment import Entry
from logger.model import Chunk, PortEvent, Record
from logger.replay import make_bay

ENTRIES = list(stream(30.0, seed=3))


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "bay.toml"
    path.write_bytes(CONFIG)
    return path


def play(bay: Any, entries: list[Entry]) -> list[Record]:
    return [record for entry in entries for record in derive(bay, entry)] + bay.finish()


@pytest.mark.parametrize("cut", [0, 1, 17, 150, 333, 500, 620])
def test_a_bay_that_resumes_gives_the_same_records(config: Path, cut: int) -> None:
    """Cuts fall inside frames, rests, steps and before the first zero."""
    first = make_bay(config)
    for entry in ENTRIES[:cut]:
        derive(first, entry)
    blob = freeze(first, 7, "id")
    wanted = play(first, ENTRIES[cut:])
    second = make_bay(config)
    for entry in ENTRIES[max(cut - 100, 0) : cut]:
        if isinstance(entry, Chunk | PortEvent):
            second.warm(entry)
    assert thaw(blob, second, "id") == 7
    assert play(second, ENTRIES[cut:]) == wanted


def signed(body: bytes, **more: str) -> bytes:
    from logger.version import VERSION

    about = {
        "version": VERSION,
        "config_id": "id",
        "wall_offset_ns": 0,
        "sha256": hashlib.sha256(body).hexdigest(),
    }
    return json.dumps(about | more).encode() + b"\n" + body


class Evil:
    """Unpickles by running a program."""

    def __reduce__(self) -> tuple[Callable[[str], int], tuple[str]]:
        return os.system, ("touch /tmp/restpoint-was-here",)


@pytest.mark.parametrize(
    "blob",
    [
        b"",
        b"{}\n",
        b"[]\n",
        b"no json\nbody",
        signed(b""),
        signed(b"garbage"),
        signed(pickle.dumps({"ports": {}})),
        signed(pickle.dumps(Evil())),
        signed(pickle.dumps(os.system)),
        signed(pickle.dumps(Path)),
        signed(b"clogger.settling.settings\ndataclass\n."),
        signed(b"clogger.model\nfield\n."),
        signed(pickle.dumps({}), version="0.0.0"),
        signed(pickle.dumps({}), config_id="another"),
        signed(pickle.dumps({}), sha256="0"),
    ],
)
def test_what_is_no_state_of_ours_is_refused(config: Path, blob: bytes) -> None:
    assert thaw(blob, make_bay(config), "id") is None


def test_a_flipped_bit_is_seen(config: Path) -> None:
    blob = bytearray(freeze(make_bay(config), 0, "id"))
    blob[-20] ^= 1
    assert thaw(bytes(blob), make_bay(config), "id") is None
