"""What ails a bay: a tree of its parts, each with state, since when, and the next step; and mending.

Where the daemon runs, its health file tells what only it can know; everything else is looked at from outside,
so that the doctor is of use when the daemon does not run, and that is when it is asked.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from logger import doctor_outside as outside
from logger.clock import NS, now_ns
from logger.config import Loaded
from logger.health import FILE, MADE_AGAIN, is_fresh, read_health
from logger.version import VERSION

State = Literal["well", "mind", "ill"]
ILL_PADS = {
    "absent": "is it switched on, its address right, its receiver plugged in?",
    "silent": "is it switched on and near, its battery charged?",
    "garbled": "check baud and layout: restpoint try LAYOUT PORT; look for loose plugs",
    "overloaded": "take the load off; let it be checked before it is trusted again",
}

OPEN = {
    "idle": "is the sender switched on, its cable in?",
    "flooded": "only noise comes this fast: look at its receiver and its baud",
}
"""What to do about a port that the daemon itself holds open."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One part of the bay: `since_s` is how long it has been so (None: not known), `step` what to do next."""

    name: str
    state: State = "well"
    detail: str = ""
    since_s: float | None = None
    step: str = ""
    parts: tuple[Finding, ...] = ()

    @property
    def worst(self) -> State:
        """The worst state of this part and those in it."""
        order: tuple[State, ...] = ("well", "mind", "ill")
        return max((self.state, *(part.worst for part in self.parts)), key=order.index)


def examine(loaded: Loaded) -> Finding:
    """Look at everything; takes a second or two, changes nothing."""
    told = read_health(loaded.folder)
    runs = told is not None and is_fresh(told, now_ns()[0])
    health: dict[str, Any] | None = told["health"] if told is not None and runs else None
    parts = (
        _version(told if runs else None, loaded),
        _daemon(told, runs, damaged=(loaded.folder / FILE).exists()),
        _group("ports", (_port(loaded, n, health) for n in range(len(loaded.config.port)))),
        _group("pads", (_pad(pad.id, health) for pad in loaded.config.pad)),
        _broker(loaded, health),
        _disk(loaded, health),
        _permissions(loaded),
        _clock(health),
        _page(loaded, health),
    )
    return Finding(name=f"bay {loaded.config.bay.name}", detail=str(loaded.file), parts=parts)


def mend(loaded: Loaded, tell: Callable[[str, str], None]) -> bool:
    """Mend journal, dataset and ledger of a bay whose daemon does not run; False when it does."""
    from logger.assembly import bay_from_file  # noqa: PLC0415  only to mend
    from logger.journal_folder import JOURNAL, each_run, is_live, recover  # noqa: PLC0415
    from logger.owner import as_owner  # noqa: PLC0415
    from logger.rebuild import make_missing  # noqa: PLC0415
    from logger.weighin.mending import mend_ledger  # noqa: PLC0415

    told = read_health(loaded.folder)
    runs = told is not None and is_fresh(told, now_ns()[0])
    if runs or any(map(is_live, each_run(loaded.folder / JOURNAL))):
        return False
    if loaded.folder.is_dir():
        with as_owner(loaded.folder):
            recover(loaded.folder / JOURNAL, tell)
            make_missing(loaded.folder, loaded.config.bay.name, bay_from_file, tell, thorough=True)
            mend_ledger(loaded.folder / "ledger.db", loaded.folder / "quarantine", tell)
    return True


def _group(name: str, parts: Iterator[Finding]) -> Finding:
    return Finding(name=name, parts=tuple(parts))


def _since_s(told: dict[str, Any] | None) -> float | None:
    return None if not told or "since_mono_ns" not in told else (now_ns()[0] - told["since_mono_ns"]) / NS


def _version(told: dict[str, Any] | None, loaded: Loaded) -> Finding:
    if told is not None and told["version"] != VERSION:
        detail = f"{VERSION} is installed, the daemon runs {told['version']}"
        return Finding(name="version", state="mind", detail=detail, step="restart the daemon")
    if told is not None and told["config_id"] != loaded.id:
        detail = f"{VERSION}; the config file was changed after the daemon's start"
        return Finding(name="version", state="mind", detail=detail, step="restart the daemon to use it")
    return Finding(name="version", detail=f"{VERSION}, config {loaded.id}")


def _daemon(told: dict[str, Any] | None, runs: bool, damaged: bool) -> Finding:
    step = "start it: systemctl start restpoint@BAY, or restpoint run -c FILE"
    if told is None and damaged:
        detail = f"its {FILE} cannot be read; a daemon that runs writes it every two seconds"
        return Finding(name="daemon", state="ill", detail=detail, step=step)
    if told is None:
        return Finding(name="daemon", state="ill", detail="has never run here", step=step)
    if runs:
        return Finding(name="daemon", detail=f"runs, process {told['pid']}")
    if told["state"] == "stopped":
        return Finding(
            name="daemon", state="ill", detail=f"was stopped in order at {told['time']}", step=step
        )
    step = "look into journalctl -u restpoint@BAY for its last words, then " + step
    detail = f"was last heard of at {told['time']}: killed, hanging, or the PC was switched off"
    return Finding(name="daemon", state="ill", detail=detail, step=step)


def _port(loaded: Loaded, n: int, health: dict[str, Any] | None) -> Finding:
    port = loaded.config.port[n]
    told = health["ports"].get(port.name) if health else None
    if told and told["state"] in ("opened", "restored"):
        detail = f"{told['state']}, {told['bytes_read']} bytes; {told.get('detail', '')}"
        hint = outside.latency(port.device)
        state: State = "mind" if hint else "well"
        return Finding(name=port.name, state=state, detail=detail, since_s=_since_s(told), step=hint)
    fault, step = "", OPEN.get(told["state"], "") if told else ""
    if not step:
        fault, step = outside.device(port.device)
    if told:
        detail = f"{told['state']}: {told.get('detail', '')}"
        step = step or "is the sender switched on, its cable in?"
        return Finding(name=port.name, state="ill", detail=detail, since_s=_since_s(told), step=step)
    return Finding(
        name=port.name,
        state="ill" if fault else "well",
        detail=fault or f"{port.device} can be opened",
        step=step,
    )


def _pad(pad: str, health: dict[str, Any] | None) -> Finding:
    if health is None:
        return Finding(name=pad, state="mind", detail="not known while the daemon does not run")
    told = health["pads"].get(pad)
    if told is None:
        return Finding(name=pad, state="mind", detail="nothing heard of it yet")
    detail = told["condition"] + (f": {told['reason']}" if told["reason"] else "")
    step = ILL_PADS.get(told["condition"], "")
    return Finding(
        name=pad, state="ill" if step else "well", detail=detail, since_s=_since_s(told), step=step
    )


def _broker(loaded: Loaded, health: dict[str, Any] | None) -> Finding:
    if health is None:
        found, step = outside.broker(loaded.config.broker)
        return Finding(name="broker", state="mind" if step else "well", detail=found, step=step)
    told = health["broker"]
    if told.get("connected"):
        return Finding(name="broker", detail=told["detail"], since_s=_since_s(told))
    detail = told.get("detail", "") or "not connected"
    step = "weighing goes on without; is the broker up, name and password right?"
    return Finding(name="broker", state="ill", detail=detail, since_s=_since_s(told), step=step)


def _disk(loaded: Loaded, health: dict[str, Any] | None) -> Finding:
    folder = loaded.folder
    if not folder.is_dir():
        return Finding(name="disk", state="mind", detail=f"{folder} is made at the daemon's start")
    parts = [_space(loaded), *map(_damage, outside.damage(folder, live=health is not None)), _ledger(folder)]
    for part, told in (health or {}).get("troubles", {}).items():
        if told["state"] == "failed":
            detail, step = told["detail"], "free the disk or change it"
            if detail.endswith(MADE_AGAIN):
                step = "nothing now; should it come again, change the disk"
            parts.append(Finding(name=part, state="ill", detail=detail, since_s=_since_s(told), step=step))
    return Finding(name="disk", parts=tuple(parts))


def _space(loaded: Loaded) -> Finding:
    from logger.store.retention import days_left  # noqa: PLC0415  looks at many files

    free = outside.free_bytes(loaded.folder)
    settings = loaded.config.retention
    days = days_left(loaded.folder, settings, time.time(), free)
    detail = f"{free / 1e9:.1f} GB free"
    if days is not None:
        detail += f", enough for {days:,.0f} days at the last week's pace"
    if free < settings.free_bytes:
        step = "the oldest sealed raw bytes go now; free the disk, or copy them away: restpoint export --all"
        return Finding(name="space", state="ill", detail=detail, step=step)
    soon = days is not None and days < 30
    step = "back up and make room within the month, else the oldest raw bytes go" if soon else ""
    return Finding(name="space", state="mind" if soon else "well", detail=detail, step=step)


def _damage(found: tuple[str, str, str]) -> Finding:
    name, detail, step = found
    return Finding(name=name, state="ill" if step else "mind", detail=detail, step=step)


def _ledger(folder: Path) -> Finding:
    file = folder / "ledger.db"
    if not file.exists():
        return Finding(name="ledger", detail="none yet")
    from logger.weighin.comparing import compare  # noqa: PLC0415  only where there is one
    from logger.weighin.ledger_copy import LedgerCopy  # noqa: PLC0415
    from logger.weighin.migrating import newer_file  # noqa: PLC0415

    if why := newer_file(file):
        step = "update restpoint, or go back to the copy beside it: ledger-before-….db"
        return Finding(name="ledger", state="ill", detail=f"{file}: {why}", step=step)
    copy = LedgerCopy(file)
    try:
        kept = copy.read()  # first: what it has, but for its last line, is committed
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=2.0)) as db:
            (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
            count = db.execute("SELECT count(*) FROM weigh_in").fetchone()[0] if verdict == "ok" else 0
            if verdict == "ok" and kept is not None:
                verdict = compare(db, kept).wrong or "ok"
        if kept is not None and kept.damaged:
            verdict = f"{kept.damaged} lines of its copy, {copy.path.name}, are damaged"
    except (sqlite3.Error, OSError) as error:
        verdict, count = str(error), 0
    if verdict == "ok":
        return Finding(name="ledger", detail=f"whole, {count} weigh-in{'' if count == 1 else 's'}")
    step = "stop the daemon, then restpoint doctor --repair; or restore a backup"
    return Finding(name="ledger", state="ill", detail=f"{file}: {verdict}", step=step)


def _permissions(loaded: Loaded) -> Finding:
    faults = outside.permissions(loaded.file, loaded.folder)
    parts = tuple(Finding(name=path, state="mind", detail=detail, step=step) for path, detail, step in faults)
    return Finding(name="permissions", detail="" if parts else "as they should be", parts=parts)


def _clock(health: dict[str, Any] | None) -> Finding:
    step = (health or {}).get("clock")
    told = f"; it was set by {step['step_s']:+g} s while the daemon ran" if step else ""
    fault = outside.clock()
    if fault:
        advice = "connect it to the network now and then, or fit a clock battery: timedatectl status"
        return Finding(name="clock", state="mind", detail=fault + told, since_s=_since_s(step), step=advice)
    return Finding(name="clock", detail="synchronised" + told, since_s=_since_s(step))


def _page(loaded: Loaded, health: dict[str, Any] | None) -> Finding:
    settings = loaded.config.page
    if not settings.enabled:
        return Finding(name="page", detail="switched off")
    parts = []
    fault, devices = outside.pairings(loaded.folder)
    if fault:
        parts.append(Finding(name="pairing", state="ill", detail=fault, step="remove the file and pair anew"))
    if settings.host not in ("127.0.0.1", "::1", "localhost"):
        parts += _open_page(settings.pairing, settings.tls, devices)
    if health is None:
        return Finding(
            name="page", state="mind", detail="not served while the daemon does not run", parts=tuple(parts)
        )
    served = str(health["page"])
    well = served.startswith("http")
    step = "" if well else "end the other program or set another [page] port"
    return Finding(name="page", state="well" if well else "ill", detail=served, step=step, parts=tuple(parts))


def _open_page(pairing: str, tls: bool, devices: int) -> Iterator[Finding]:
    if pairing == "off":
        step = 'set [page] pairing = "network"'
        yield Finding(name="pairing", state="mind", detail="everybody on the network can command", step=step)
    else:
        yield Finding(name="pairing", detail=f"{devices} devices are paired")
    if not tls:
        step = "set [page] tls = true"
        yield Finding(
            name="https", state="mind", detail="who listens on the network can read along", step=step
        )
