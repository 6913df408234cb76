"""What a bay knows at the turn of a journal segment, kept to spare a later start the replay of a whole run.

Only a shortcut: it is used when version and configuration are the same and its hash fits; without it the run
is replayed from its beginning. It is a pickle, read back with a short list of classes of our own and numpy's
arrays, from the bay's own folder only.
"""

from __future__ import annotations

import hashlib
import io
import json
import pickle
from typing import Any

from logger.bay import Bay
from logger.version import VERSION

_PLAIN = {
    ("collections", "Counter"),
    ("collections", "deque"),
    ("msgspec._utils", "rebuild"),
    ("numpy", "dtype"),
    ("numpy", "ndarray"),
    ("numpy._core.multiarray", "_reconstruct"),
    ("numpy._core.multiarray", "scalar"),
    ("numpy._core.numeric", "_frombuffer"),
}
_OURS = ("logger.model", "logger.settling.")


class _Reader(pickle.Unpickler):
    """Finds classes of records and of the settling code, and what they are made of; nothing else."""

    def find_class(self, module: str, name: str) -> Any:
        found = super().find_class(module, name) if "." not in name else None
        ours = module.startswith(_OURS) and isinstance(found, type) and found.__module__ == module
        if not ours and (module, name) not in _PLAIN:
            raise pickle.UnpicklingError(f"{module}.{name} is no part of a bay's state")
        return found


def freeze(bay: Bay, wall_offset_ns: int, config_id: str) -> bytes:
    """Write down a bay's state; `wall_offset_ns` is wall less monotonic time of the entry before (ns)."""
    body = pickle.dumps(bay.state(), protocol=5)
    about = {
        "version": VERSION,
        "config_id": config_id,
        "wall_offset_ns": wall_offset_ns,
    }
    return json.dumps(about | {"sha256": _sum(about, body)}).encode() + b"\n" + body


def thaw(blob: bytes, bay: Bay, config_id: str) -> int | None:
    """Give a fresh bay of the same configuration the state; return the wall offset (ns), None if unusable."""
    line, _, body = blob.partition(b"\n")
    try:
        about = json.loads(line)
        same = (about["version"], about["config_id"]) == (VERSION, config_id)
        if not same or about.pop("sha256") != _sum(about, body):
            return None
        bay.resume(_Reader(io.BytesIO(body)).load())
        return int(about["wall_offset_ns"])
    except Exception:
        return None  # whatever a torn or foreign pickle raises, the run is replayed instead


def _sum(about: dict[str, Any], body: bytes) -> str:
    """The hash of a state and of what is said about it."""
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode() + body).hexdigest()
