"""What the doctor sees from outside, one question a function: devices, files, clock, broker, pairings."""

from __future__ import annotations

import asyncio
import ctypes
import os
import shutil
import stat
import time
from collections.abc import Iterator
from pathlib import Path

from logger import devices
from logger.broker import LOOPBACK, BrokerSettings, answers
from logger.journal_folder import JOURNAL, QUARANTINE, is_live, run_folders
from logger.journal_segment import END
from logger.pairing import FILE as PAIRED
from logger.pairing import Pairing
from logger.store import DATASET
from logger.store.sealed import TORN, faults, marks
from logger.whole import TEMPORARY

TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""
BUILT_S = 1_767_225_600
"""2026-01-01: a clock before that was never set."""
SHOWN = 5
"""Damaged files named one by one; the rest is counted."""


def device(device: str) -> tuple[str, str]:
    """Why a port's device cannot be opened and what to do; both empty when it can."""
    if devices.is_network(device):
        return "", ""
    try:
        path = devices.resolve(device)
    except devices.DeviceUnknown as why:
        return str(why), "plug it in, or name another device: restpoint ports"
    if not os.path.exists(path):
        return f"{path} is not there", "plug it in, or name another device: restpoint ports"
    if refused := devices.forbidden(path):
        return refused, "the service user must be in the line's group; the unit of deploy/ sees to it"
    held = [str(holder) for holder in devices.holders(path)]
    return (f"held by {', '.join(held)}", "end that program") if held else ("", "")


def latency(device: str) -> str:
    """What to do about an adapter that hands readings on in bunches; empty when all is well."""
    if devices.is_network(device):
        return ""
    try:
        return devices.latency_hint(devices.latency_ms(devices.resolve(device)))
    except devices.DeviceUnknown:
        return ""


def broker(settings: BrokerSettings) -> tuple[str, str]:
    """Which broker would be used, and what to do when there is none."""
    host = settings.host or LOOPBACK
    if asyncio.run(answers(host, settings.port, settings.answer_s)):
        return f"{host}:{settings.port} answers", ""
    if settings.host:
        return f"{host}:{settings.port} does not answer", "is it up, and may this PC reach it?"
    return "none answers here; the daemon starts its own", ""


def free_bytes(folder: Path) -> int:
    """Free space for this user (bytes)."""
    return shutil.disk_usage(folder).free


def damage(folder: Path, live: bool) -> Iterator[tuple[str, str, str]]:
    """What is damaged or was set aside in a bay's folder: (part, what, next step or "")."""
    step = "the next start mends it, or restpoint doctor --repair"
    for run in run_folders(folder / JOURNAL):
        if run.segments and not is_live(run) and not _ends(run.segments[-1]):
            yield "journal", f"{run.segments[-1].relative_to(folder)}: was not ended", step
    aside = list((folder / JOURNAL / QUARANTINE).glob("*")) + list((folder / QUARANTINE).glob("*"))
    if aside:
        what = f"{len(aside)} pieces were set aside, the newest {max(aside, key=os.path.getmtime)}"
        yield "quarantine", what, ""
    torn: list[Path] = []
    whole = marks(folder / DATASET, torn.append)
    found = [fault for mark in whole for fault in faults(folder / DATASET, mark)]
    found += [f"{path}: {TORN}" for path in torn]
    for fault in found[:SHOWN]:
        yield "dataset", fault, step
    if len(found) > SHOWN:
        yield "dataset", f"and {len(found) - SHOWN} more files", step
    torn = [] if live else list((folder / DATASET).rglob(f"{TEMPORARY}*"))
    if torn:
        yield "dataset", f"{len(torn)} files are half written", step


def _ends(segment: Path) -> bool:
    with segment.open("rb") as file:
        file.seek(-min(len(END), segment.stat().st_size), os.SEEK_END)
        return file.read() == END


def permissions(config: Path, folder: Path) -> list[tuple[str, str, str]]:
    """Files that others may read, or that this user may not write: (path, what, next step)."""
    found = []
    if folder.is_dir() and not os.access(folder, os.W_OK):
        found.append((str(folder), "this user may not write it", "run as the service user"))
    others = [path for path in folder.glob("*") if path.stat().st_uid != folder.stat().st_uid]
    if others:
        what = f"{', '.join(path.name for path in others[:SHOWN])} belong to another user than the folder"
        found.append((str(folder), what, f"chown -R --reference={folder} {folder}"))
    for path in (
        folder,
        folder / "ledger.db",
        folder / "ledger.rows",
        folder / PAIRED,
        folder / "page.key",
        config,
    ):
        secret = path.name in (PAIRED, "page.key")
        wrong = 0o077 if secret else 0o007
        if path != config and path.exists() and stat.S_IMODE(path.stat().st_mode) & wrong:
            found.append(
                (str(path), "others on this PC can read it", f"chmod {'600' if secret else 'o='} {path}")
            )
    if config.exists() and stat.S_IMODE(config.stat().st_mode) & 0o002:
        found.append((str(config), "everybody on this PC can change it", f"chmod o-w {config}"))
    return found


def clock() -> str:
    """What is wrong with the wall clock; empty when it is synchronised."""
    if time.time() < BUILT_S:
        return "the clock was never set"
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))  # all zero: only asks
    except (AttributeError, OSError):
        return "it cannot be told whether the clock is synchronised"
    return "the clock is not synchronised" if state == TIME_ERROR else ""


def pairings(folder: Path) -> tuple[str, int]:
    """What is wrong with the file of pairings ("" when nothing is), and how many devices are paired."""
    pairing = Pairing(folder)
    count = len(pairing.devices)
    return pairing.trouble, count
