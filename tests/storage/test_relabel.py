"""Wall times of what was sealed before the clock was set, put right; broken off and taken up again."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from support.small_bay import LiveBay, stream

from logger.journal_folder import run_folders
from logger.journal_segment import Entry
from logger.model import Chunk, PortEvent
from logger.rebuild import make_missing, verify
from logger.replay import make_bay
from logger.store import dataset, writer
from logger.store.relabel import relabel

S = 1_000_000_000
DAY = 86_400 * S


def set_at(entries: list[Entry], t_s: float, off_ns: int) -> list[Entry]:
    """The same entries from a computer whose wall clock was off by so much until it was set at `t_s`."""
    t0_ns = entries[0].t_mono_ns  # type: ignore[union-attr]  # the first is a port's event
    out: list[Entry] = []
    for entry in entries:
        if isinstance(entry, Chunk | PortEvent) and entry.t_mono_ns - t0_ns < t_s * S:
            out.append(msgspec.structs.replace(entry, t_wall_ns=entry.t_wall_ns + off_ns))
        else:
            out.append(entry)
    return out


def rows(folder: Path) -> dict[str, list[object]]:
    """All rows of the dataset but what names the run and its records as they were said."""
    told: dict[str, list[object]] = {}
    for table in ("samples", "rests", "car_rests", "events"):
        for row in dataset.read_table(folder / "dataset", table).to_pylist():
            if row.get("kind") == "clock_step":
                continue
            told.setdefault(table, []).append({k: v for k, v in row.items() if k not in ("run", "record")})
    return {table: sorted(found, key=repr) for table, found in told.items()}


def live(folder: Path, entries: list[Entry], segment_s: float = 5.0) -> None:
    folder.mkdir()
    bay = LiveBay(folder, segment_s=segment_s)
    for entry in entries:
        bay.feed(entry)
    bay.close()
    assert bay.troubles == []


@pytest.mark.parametrize("off_ns", [-1_767_225_000 * S, -DAY, 3600 * S], ids=["1970", "a day", "an hour"])
def test_what_came_before_the_clock_was_set_stands_as_if_it_had_been_right(
    tmp_path: Path, off_ns: int
) -> None:
    right = list(stream(20.0))
    live(tmp_path / "right", right)
    live(tmp_path / "off", set_at(right, 12.3, off_ns))
    assert rows(tmp_path / "off") == rows(tmp_path / "right")
    dates = {p.name for p in (tmp_path / "off" / "dataset").glob("*/*/date=*") if any(p.iterdir())}
    assert dates == {"date=2025-12-31", "date=2026-01-01"}
    assert list(verify(tmp_path / "off")) == []


def test_a_clock_that_is_set_to_nonsense_moves_nothing(tmp_path: Path) -> None:
    back = -1_767_225_000 * S
    entries = set_at(list(stream(8.0)), 100.0, back)
    live(tmp_path / "off", set_at(entries, 4.0, 3600 * S))
    ((_, samples),) = dataset.samples_by_run(tmp_path / "off" / "dataset")
    offs = {round((s.t_wall_ns - s.t_mono_ns) / (60 * S)) for s in samples}
    assert len(offs) == 2, "neither time is to be trusted, so both stand as they were told"


def test_broken_off_at_any_file_it_is_taken_up_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    right = list(stream(14.0))
    live(tmp_path / "right", right, 4.0)
    with monkeypatch.context() as patch:
        patch.setattr(writer, "relabel", lambda *_: 0)
        live(tmp_path / "off", set_at(right, 11.0, -DAY), 4.0)
    run = run_folders(tmp_path / "off" / "journal")[0].name
    real, broken = os.rename, 0
    for broken in range(1, 100, 2):
        folder = tmp_path / f"off{broken}"
        shutil.copytree(tmp_path / "off", folder)
        count = 0

        def rename(old: str, new: str, at: int = broken) -> None:
            nonlocal count
            count += 1
            if count == at:
                raise KeyboardInterrupt  # as a kill would, it passes all handlers by
            real(old, new)

        with monkeypatch.context() as patch:
            patch.setattr(os, "rename", rename)
            try:
                relabel(folder / "dataset", run)
            except KeyboardInterrupt:
                pass
            else:
                break
        make_missing(folder, "barn", make_bay, lambda *_: None)
        assert rows(folder) == rows(tmp_path / "right"), broken
        assert list(verify(folder)) == []
    assert broken > 10


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Asia/Kathmandu"])
def test_no_time_zone_and_no_summer_time_reaches_names_or_labels(zone: str) -> None:
    """Both sides of the hour that Europe has twice (2026-10-25T01:00Z) and of the one it lacks."""
    program = (
        "from logger.clock import wall_text; from logger.store.rows import DAY_NS, date_text\n"
        "for s in (1792889999, 1792890000, 1792886399, 1792886400, 1774745999, 1774746000):\n"
        "    print(wall_text(s * 10**9), date_text(s * 10**9 // DAY_NS))"
    )
    environment = os.environ | {"TZ": zone}
    command = [sys.executable, "-c", program]
    told = subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout
    assert told.splitlines() == [
        "2026-10-25T00:59:59.000Z 2026-10-25",
        "2026-10-25T01:00:00.000Z 2026-10-25",
        "2026-10-24T23:59:59.000Z 2026-10-24",
        "2026-10-25T00:00:00.000Z 2026-10-25",
        "2026-03-29T00:59:59.000Z 2026-03-29",
        "2026-03-29T01:00:00.000Z 2026-03-29",
    ]
