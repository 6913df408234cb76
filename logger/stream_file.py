"""Recordings of bytes, and a port listened to for a while: chunks with the time (s) at which they came.

A recording is plain bytes `x.bin`, with `x.times.csv` (`offset,t_s` of each chunk) beside it where times are
known, a folder that holds `recording.bin` (a conformance case), or what the daemon kept: a bay's folder, its
journal, or one run of it.
"""

from __future__ import annotations

import csv
import os
import time
from collections.abc import Iterator
from pathlib import Path

from drivers.api import Driver

TimedChunk = tuple[float | None, bytes]
"""Time (s, from the recording's own zero; None when it was not kept) and bytes."""


class StreamFileError(ValueError):
    """A recording cannot be read; the text says where and what would be right."""


def read_stream(path: Path, port: str = "") -> list[TimedChunk]:
    """Read a recording; StreamFileError when it is not there or its times do not fit.

    `port` names which of a journal's ports, where it has several.
    """
    if path.is_dir() and not (path / "recording.bin").exists():
        return _journalled(path, port)
    if path.is_dir():
        path = path / "recording.bin"
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise StreamFileError(f"{path}: {fault.strerror}") from fault
    times = path.with_suffix(".times.csv")
    if not times.exists():
        return [(None, data)]
    starts = _starts(times, len(data))
    ends = [offset for offset, _ in starts[1:]] + [len(data)]
    return [(t_s, data[offset:end]) for (offset, t_s), end in zip(starts, ends, strict=True)]


def _journalled(path: Path, port: str) -> list[TimedChunk]:
    """Read a port's bytes of the last run that a folder holds; times count from its first bytes."""
    from logger.journal_folder import find_runs, read_run  # noqa: PLC0415 - a plain recording needs no Arrow
    from logger.model import Chunk  # noqa: PLC0415 - as above

    try:
        runs = find_runs(path)
        entries = [entry for _, entry in read_run(runs[-1]) if isinstance(entry, Chunk)]
    except (OSError, ValueError) as fault:
        raise StreamFileError(str(fault)) from fault
    ports = sorted({entry.port for entry in entries})
    if not port and len(ports) == 1:
        port = ports[0]
    if port not in ports:
        names = ", ".join(ports) or "none with bytes"
        raise StreamFileError(f"{path}: say which port with --port; the last run has {names}")
    begun = next(entry.t_mono_ns for entry in entries if entry.port == port)
    return [((entry.t_mono_ns - begun) / 1e9, entry.data) for entry in entries if entry.port == port]


def _starts(path: Path, size: int) -> list[tuple[int, float]]:
    found: list[tuple[int, float]] = []
    with path.open(newline="", encoding="utf-8") as file:
        for line, row in enumerate(csv.DictReader(file), 2):
            try:
                offset, t_s = int(row["offset"]), float(row["t_s"])
            except (KeyError, TypeError, ValueError):
                raise StreamFileError(
                    f"{path}:{line}: a row is offset,t_s: where a chunk begins and when"
                ) from None
            before = found[-1] if found else (0, t_s)
            if not (found or offset == 0) or not before[0] <= offset <= size or t_s < before[1]:
                raise StreamFileError(
                    f"{path}:{line}: offset {offset} at {t_s} s does not follow; offsets begin at 0 and grow "
                    f"to at most {size}, times never go back"
                )
            found.append((offset, t_s))
    if not found:
        raise StreamFileError(f"{path}: no rows; a row is offset,t_s")
    return found


def listen(device: str, driver: Driver, seconds: float) -> Iterator[TimedChunk]:
    """Open a port by the driver's line settings, ask where it wants to be asked, and yield what comes.

    Raises logger.transports.PortRefused or PortLost.
    """
    from logger.transports import transport_for  # noqa: PLC0415 - a recording needs no port

    waking, wake = os.pipe()
    transport = transport_for(device, driver.serial, waking)
    try:
        transport.open()
        begun = time.monotonic()
        while (t_s := time.monotonic() - begun) < seconds:
            request = driver.request(int(t_s * 1e9))
            if request is not None:
                transport.write(request)
            data = transport.read(4096, 0.01)
            if data:
                yield time.monotonic() - begun, data
    finally:
        transport.close()
        os.close(waking)
        os.close(wake)
