"""Sealed segments copied to other file systems: whole, again after failures, waited for by nobody."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.dataset as ds
import pytest
from pyarrow import fs
from support.small_bay import LiveBay, stream

from logger.store import copies as copying
from logger.store.copies import Copies
from logger.store.sealed import mark_paths, read_mark
from logger.whole import write_whole


@pytest.fixture
def bay(tmp_path: Path) -> Path:
    """A dataset of a few segments."""
    folder = tmp_path / "bay"
    folder.mkdir()
    live = LiveBay(folder, segment_s=4.0)
    for entry in stream(12.0):
        live.feed(entry)
    live.close()
    return folder / "dataset"


def until(true: Callable[[], Any]) -> None:
    end = time.monotonic() + 10
    while not true():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)


def content(folder: Path) -> dict[str, bytes]:
    """All files of a dataset but our own notes on it."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.suffix not in (".state", ".sent")
    }


class Flaky:
    """A file system on a folder that can be down, and can let a file arrive in part."""

    def __init__(self, folder: Path) -> None:
        self._real = fs.SubTreeFileSystem(str(folder), fs.LocalFileSystem())
        self.down, self.cut, self.calls = False, 0, 0

    def __getattr__(self, name: str) -> Any:
        self.calls += 1
        if self.down:
            raise OSError("no route to host")
        return getattr(self._real, name)

    def open_output_stream(self, path: str) -> Any:
        stream = self._real.open_output_stream(path)
        if not self.cut:
            return stream
        self.cut -= 1
        return Cut(stream)


class Cut:
    """A stream whose connection breaks without a word."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def __enter__(self) -> Cut:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()

    def write(self, data: bytes) -> None:
        self._stream.write(data[:100])


def test_a_url_gets_the_whole_dataset_and_pyarrow_reads_it_there(bay: Path, tmp_path: Path) -> None:
    told: list[tuple[str, str]] = []
    copies = Copies(bay, (tmp_path / "elsewhere").as_uri(), 0.02, lambda *what: told.append(what))
    copies.start()
    until(lambda: copies.copied == len(mark_paths(bay)))
    copies.stop()
    assert content(tmp_path / "elsewhere") == content(bay)
    assert told == []
    there = ds.dataset(
        tmp_path / "elsewhere/samples", format="parquet", partitioning="hive", exclude_invalid_files=True
    )
    assert there.count_rows() == ds.dataset(bay / "samples", format="parquet").count_rows() > 400
    again = Copies(bay, (tmp_path / "elsewhere").as_uri(), 0.02, lambda *what: told.append(what))
    again.start()
    time.sleep(0.2)
    again.stop()
    assert again.copied == 0, "once is enough"


def test_what_is_down_or_cuts_files_short_is_said_once_and_made_up_for(bay: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    flaky = Flaky(tmp_path / "elsewhere")
    flaky.down = True
    told: list[str] = []
    copies = Copies(bay, "/place", 0.02, lambda event, _: told.append(event), flaky)
    copies.start()
    until(lambda: flaky.calls > 5)
    assert told == ["copies_failed"]
    flaky.cut, flaky.down = 3, False
    until(lambda: "copies_restored" in told)
    copies.stop()
    assert told == ["copies_failed", "copies_restored"]
    assert content(tmp_path / "elsewhere/place") == content(bay)


def test_a_segment_sealed_anew_elsewhere_takes_the_place_of_the_first(bay: Path, tmp_path: Path) -> None:
    target = tmp_path / "elsewhere"
    first = Copies(bay, target.as_uri(), 0.02, lambda *_: None)
    first.start()
    until(lambda: first.copied == len(mark_paths(bay)))
    first.stop()
    mark = mark_paths(bay)[0]
    old = next((bay / "samples").rglob(f"{mark.stem}.parquet"))
    moved = old.parent.with_name("date=2026-07-01") / old.name
    moved.parent.mkdir()
    old.rename(moved)
    names = [str(path.relative_to(bay)) for path in (old, moved)]
    told = json.loads(mark.read_text().replace(*names))
    del told["sum"]
    mark.write_text(json.dumps(told))
    second = Copies(bay, target.as_uri(), 0.02, lambda *_: None)
    second.start()
    until(lambda: second.copied == 1)
    second.stop()
    assert content(target) == content(bay)
    assert not (target / names[0]).exists()


def test_a_mark_is_read_once_and_again_only_when_it_was_written_anew(
    bay: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    monkeypatch.setattr(copying, "read_mark", lambda path: read.append(path.name) or read_mark(path))
    copies = Copies(bay, (tmp_path / "elsewhere").as_uri(), 0.01, lambda *_: None)
    copies.start()
    names = [path.name for path in mark_paths(bay)]
    until(lambda: copies.copied == len(names))
    time.sleep(0.2)
    assert read == names
    write_whole(mark_paths(bay)[1], mark_paths(bay)[1].read_bytes())
    until(lambda: len(read) > len(names))
    copies.stop()
    assert (read, copies.copied) == ([*names, names[1]], len(names))


def test_a_place_that_hangs_holds_nobody_up(bay: Path, tmp_path: Path) -> None:
    class Hanging(Flaky):
        def open_output_stream(self, path: str) -> Any:
            time.sleep(5)
            raise OSError("at last")

    (tmp_path / "elsewhere").mkdir()
    hanging = Hanging(tmp_path / "elsewhere")
    copies = Copies(bay, "/place", 0.02, lambda *_: None, hanging)
    copies.start()
    began = time.monotonic()
    copies.stop(timeout_s=0.1)
    assert time.monotonic() - began < 2


def test_no_such_kind_of_place_is_told_not_raised(bay: Path) -> None:
    told: list[str] = []
    copies = Copies(bay, "gopher://somewhere/x", 0.02, lambda _, detail: told.append(detail))
    copies.start()
    until(lambda: told)
    copies.stop()
    assert told[0].startswith("gopher://somewhere/x: ")
