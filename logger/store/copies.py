"""The dataset a second time elsewhere: sealed files copied to any file system that pyarrow knows by a URL.

A thread of its own looks for segments that are sealed and not yet there; nothing waits for it. A segment's
mark goes last, so that what a mark names elsewhere is whole. What was copied is noted beside each mark
(`_sealed/….sent`), with the mark's hash: a segment that is sealed anew is copied anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import threading
from collections.abc import Callable
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any

from logger.store.sealed import MARKS, is_newer, read_mark
from logger.whole import write_whole

OnTrouble = Callable[[str, str], None]


class Copies:
    """Copies the dataset in `folder` to `url` (`s3://bucket/place?region=…`, `gs://…`, `file:///…`).

    `filesystem` takes the place of the one that the URL names; the URL is then a path in it. It looks every
    `look_s` (s), and again that long after a failure, which is told once, as is its end.
    """

    def __init__(
        self, folder: Path, url: str, look_s: float, on_trouble: OnTrouble, filesystem: Any = None
    ) -> None:
        self._folder, self._url, self._look_s, self._on_trouble = folder, url, look_s, on_trouble
        self._filesystem = filesystem
        self._failed = False
        self._known: set[int] = set()
        self.copied = 0
        """Segments copied since the start."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="copies", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End after the file under way; one that takes longer is left, and copied again at the next start."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._copy_all()
            except Exception as fault:  # file systems of others raise what they like
                if not self._failed:
                    self._failed = True
                    detail = f"{self._url}: {str(fault) or repr(fault)}; tried again every {self._look_s:g} s"
                    self._on_trouble("copies_failed", detail)
            self._stop.wait(self._look_s)

    def _copy_all(self) -> None:
        filesystem, root = self._open()
        for known, name in self._new_marks():
            if self._stop.is_set():
                return
            path = self._folder / MARKS / name
            content = path.read_bytes()
            mark = read_mark(path)
            sent = _sent(path)
            if mark and not is_newer(mark) and sent.get("mark_sha256") != hashlib.sha256(content).hexdigest():
                self._copy(filesystem, root, path, mark, sent)
                self.copied += 1
            self._known.add(known)
        if self._failed:
            self._failed = False
            self._on_trouble("copies_restored", f"{self._url}: sealed segments are copied again")

    def _new_marks(self) -> list[tuple[int, str]]:
        """Marks not looked at since they were written, in order: (what is remembered of each, its name).

        Of a year's 50,000 only their numbers are kept, and none of their files is opened again.
        """
        place = self._folder / MARKS
        with os.scandir(place) if place.is_dir() else nullcontext(()) as entries:
            found = []
            for entry in entries:
                if entry.name.startswith("run-") and entry.name.endswith(".json"):
                    about = entry.stat()
                    known = hash((entry.name, about.st_ino, about.st_mtime_ns))
                    if known not in self._known:
                        found.append((known, entry.name))
        return sorted(found, key=lambda mark: mark[1])

    def _open(self) -> tuple[Any, str]:
        from pyarrow import fs  # noqa: PLC0415  only where copies are wanted

        if self._filesystem is not None:
            return self._filesystem, self._url
        filesystem, root = fs.FileSystem.from_uri(self._url)
        return filesystem, root

    def _copy(
        self, filesystem: Any, root: str, path: Path, mark: dict[str, Any], sent: dict[str, Any]
    ) -> None:
        """Copy a segment's files, take away those of an earlier sealing, then copy the mark."""
        content = path.read_bytes()
        names = [file["path"] for file in mark["files"]]
        for name in names:
            _put(filesystem, self._folder / name, f"{root}/{name}")
        for name in set(sent.get("files", ())) - set(names):
            with suppress(FileNotFoundError):  # somebody else took it away
                filesystem.delete_file(f"{root}/{name}")
        _put(filesystem, path, f"{root}/{path.relative_to(self._folder)}")
        note = {"mark_sha256": hashlib.sha256(content).hexdigest(), "files": names}
        write_whole(path.with_suffix(".sent"), json.dumps(note).encode())


def _put(filesystem: Any, source: Path, target: str) -> None:
    """Copy one file and see that it arrived whole: a connection that broke may leave a part of it."""
    filesystem.create_dir(target.rpartition("/")[0], recursive=True)
    with source.open("rb") as reading, filesystem.open_output_stream(target) as writing:
        shutil.copyfileobj(reading, writing, 1 << 20)
    size = filesystem.get_file_info(target).size
    if size != source.stat().st_size:
        raise OSError(f"{target}: {size} bytes arrived of {source.stat().st_size}")


def _sent(path: Path) -> dict[str, Any]:
    """What was noted when this mark's segment was last copied; empty when it never was or is torn."""
    try:
        note: dict[str, Any] = json.loads(path.with_suffix(".sent").read_bytes())
    except (OSError, ValueError):
        return {}
    files = note.get("files") if isinstance(note, dict) else None
    return note if isinstance(files, list) and all(isinstance(name, str) for name in files) else {}
