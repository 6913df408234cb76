"""Retention: only what is sealed goes, oldest first, raw bytes before what was made of them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.journal_segment import Entry
from logger.model import Record
from logger.rebuild import make_again, make_missing
from logger.replay import make_bay
from logger.store import retention
from logger.store.dataset import rests
from logger.store.retention import DAY_S, RetentionSettings, days_left, retain, sealed_segments

Run = tuple[Path, list[Entry], list[Record]]
NOW_S = 1_767_225_600.0
MANY = RetentionSettings(journal_days=10, dataset_days=100, free_bytes=0)


@pytest.fixture
def aged(a_run: Run, tmp_path: Path) -> Path:
    """A bay's folder whose five segments were sealed 50, 40, 30, 20 and 1 days ago."""
    folder = tmp_path / "aged"
    shutil.copytree(a_run[0], folder)
    (folder / "ledger.db").write_bytes(b"ledger")
    for segment, days in zip(sealed_segments(folder), (50, 40, 30, 20, 1), strict=True):
        os.utime(segment.mark, (NOW_S - days * DAY_S,) * 2)
    return folder


def left(folder: Path) -> list[str]:
    return sorted(path.stem[-6:] for path in (folder / "journal").rglob("*.arrows"))


def test_raw_bytes_go_by_age_and_the_dataset_stays(aged: Path) -> None:
    before = rests(aged / "dataset")
    removed = retain(aged, MANY, NOW_S, free_bytes=1)
    assert [path.suffix for path in removed] == [".arrows"] * 4
    assert left(aged) == ["000005"]
    assert rests(aged / "dataset") == before
    assert retain(aged, MANY, NOW_S, free_bytes=1) == []


def test_the_dataset_goes_much_later(aged: Path) -> None:
    removed = retain(
        aged, RetentionSettings(journal_days=10, dataset_days=25, free_bytes=0), NOW_S, free_bytes=1
    )
    assert {path.suffix for path in removed} == {".arrows", ".parquet", ".json"}
    assert [segment.mark.stem[-6:] for segment in sealed_segments(aged)] == ["000004", "000005"]
    assert not list((aged / "dataset").rglob("*000001.parquet"))
    assert (aged / "ledger.db").exists()


def test_a_short_disk_takes_the_oldest_raw_bytes_only_as_far_as_needed(aged: Path) -> None:
    sizes = [segment.raw.stat().st_size for segment in sealed_segments(aged)]
    settings = RetentionSettings(free_bytes=1000 + sizes[0] + sizes[1])
    retain(aged, settings, NOW_S, free_bytes=1000)
    assert left(aged) == ["000003", "000004", "000005"]


def test_what_is_not_sealed_never_goes(aged: Path) -> None:
    for segment in sealed_segments(aged):
        segment.mark.unlink()
    assert retain(aged, MANY, NOW_S, free_bytes=0) == []
    assert len(left(aged)) == 5


@pytest.mark.parametrize("now_s", [0.0, NOW_S + 200 * 365 * DAY_S])
def test_a_clock_that_was_never_set_removes_nothing(aged: Path, now_s: float) -> None:
    assert retain(aged, MANY, now_s, free_bytes=1) == []


def test_a_clock_years_ahead_costs_little_at_once(aged: Path) -> None:
    settings = RetentionSettings(free_bytes=0, most_at_once=2)
    retain(aged, settings, NOW_S + 5 * 365 * DAY_S, free_bytes=1)
    assert left(aged) == ["000003", "000004", "000005"]


def test_a_run_without_its_beginning_is_not_made_again(aged: Path) -> None:
    told: list[str] = []
    tell: Callable[[str, str], None] = lambda event, detail: told.append(event)  # noqa: E731  short
    retain(aged, MANY, NOW_S, free_bytes=1)
    before = rests(aged / "dataset")
    assert make_again(aged, "barn", make_bay, tell) == 0
    assert make_missing(aged, "barn", make_bay, tell) == 0
    assert told == ["store_not_rebuilt"]
    assert rests(aged / "dataset") == before


def test_days_left_follow_the_pace_of_the_last_week(aged: Path) -> None:
    settings = RetentionSettings(free_bytes=1000)
    *_, last = sealed_segments(aged)
    assert days_left(aged, settings, NOW_S, free_bytes=1000 + 30 * last.size) == pytest.approx(30.0)
    assert days_left(aged, settings, NOW_S, free_bytes=10) == 0.0
    assert days_left(aged, settings, NOW_S - 100 * DAY_S, free_bytes=10) is None


def test_of_years_only_what_matters_is_looked_at(aged: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A year of ten-minute segments is 50,000 marks; the look comes every hour."""
    looked: list[str] = []
    read = retention.read_mark
    monkeypatch.setattr(retention, "read_mark", lambda path: looked.append(path.stem[-6:]) or read(path))
    assert retain(aged, RetentionSettings(free_bytes=0), NOW_S, free_bytes=1) == []
    assert looked == ["000001"], "the younger ones stay as well"
    looked.clear()
    assert days_left(aged, RetentionSettings(), NOW_S, free_bytes=1) == 0.0
    assert looked == ["000005", "000004"], "the first that is older than a week ends it"
