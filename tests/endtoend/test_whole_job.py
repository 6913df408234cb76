"""The whole job as `make demo` runs it, and what it leaves: bytes, records, ledger, dataset, report."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import pytest
from support import ROOT

from drivers.sim.wagtail import BUILD, DRIVER, SPARE
from logger.assembly import bay_from_file
from logger.cli import main
from logger.derive import derive
from logger.journal_folder import find_runs, read_run
from logger.model import CarRest, Chunk, Record, Rest
from logger.weighin.ledger import Ledger
from logger.weighin.results import WeighInResult

BAYS = ("demo-four-lines", "demo-one-line")

pytestmark = pytest.mark.timeout(200)


@dataclass
class Demo:
    """A demo that ran: its folder, exit code and what it printed."""

    folder: Path
    code: int
    printed: str

    def bay(self, name: str) -> Path:
        return self.folder / name


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo") / "out"
    command = [sys.executable, "-m", "logger.cli", "demo", "--out", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False, cwd=ROOT)
    return Demo(folder=folder, code=done.returncode, printed=done.stdout + done.stderr)


def last_result(folder: Path) -> WeighInResult:
    from logger.outcome import latest

    return latest(folder)[0]


def test_it_ends_well_and_says_what_it_did(demo: Demo) -> None:
    assert demo.code == 0, demo.printed
    assert "spare wheel and jack" in demo.printed
    assert re.search(r"page +http://127\.0\.0\.1:\d+/", demo.printed)


@pytest.mark.parametrize("bay", BAYS)
def test_the_flow_took_both_facings_the_driver_and_the_part(demo: Demo, bay: str) -> None:
    ledger = Ledger(demo.bay(bay) / "ledger.db")
    captures = ledger.captures(1)
    changes = ledger.changes(1)
    ledger.close()
    assert [(c.facing, c.build, c.aboard) for c in captures] == [
        ("out", "build 1", ()),
        ("back", "build 1", ()),
        ("back", "build 1", ("driver",)),
        ("back", "build 1", ()),
        ("back", "build 2", ()),
    ]
    assert [change.name for change in changes] == ["spare wheel and jack"]


@pytest.mark.parametrize("bay", BAYS)
def test_masses_and_places_hold_the_simulated_truth(demo: Demo, bay: str) -> None:
    """The simulator's masses and places are exact; its pads read up to 0.03 % wrong and drift."""
    result = last_result(demo.bay(bay))
    base = result.solutions["build 1"]
    x_m, y_m, _ = BUILD.centre_m()
    assert base.total.value == pytest.approx(BUILD.mass_kg(), abs=0.5)
    assert base.x is not None
    assert base.y is not None
    assert base.x.value == pytest.approx(x_m, abs=0.01)
    assert base.y.value == pytest.approx(y_m, abs=0.01)
    driver, spare = result.differences
    assert -driver.part.mass.value == pytest.approx(DRIVER.mass_kg, abs=0.5)
    assert spare.part.mass.value == pytest.approx(SPARE.mass_kg, abs=0.5)
    for difference, mass in ((driver, DRIVER), (spare, SPARE)):
        assert difference.part.x is not None
        assert difference.part.y is not None
        assert difference.part.x.value == pytest.approx(mass.x_m, abs=0.1)
        assert difference.part.y.value == pytest.approx(mass.y_m, abs=0.1)


@pytest.mark.parametrize("bay", BAYS)
def test_every_byte_is_a_frame_a_reject_or_pending(demo: Demo, bay: str) -> None:
    run = find_runs(demo.bay(bay))[-1]
    made = bay_from_file(run.folder / "config.toml")
    journalled = 0
    for _, entry in read_run(run):
        derive(made, entry)
        journalled += len(entry.data) if isinstance(entry, Chunk) else 0
    log = [json.loads(line) for line in (demo.bay(bay) / "log.jsonl").read_text().splitlines()]
    stopped = next(line for line in log if line["event"] == "stopped")
    assert journalled > 50_000
    assert sum(count.bytes for count in made.counts.values()) == journalled
    assert sum(stream["bytes"] for stream in stopped["streams"].values()) == journalled
    assert {n: c.frames for n, c in made.counts.items()} == {
        n: c["frames"] for n, c in stopped["streams"].items()
    }


@pytest.mark.parametrize("bay", BAYS)
def test_replay_gives_the_stored_rests_record_by_record(demo: Demo, bay: str) -> None:
    from logger.store import dataset

    run = find_runs(demo.bay(bay))[-1]
    made = bay_from_file(run.folder / "config.toml")
    records: list[Record] = [record for _, entry in read_run(run) for record in derive(made, entry)]
    records += made.finish()
    stored = demo.bay(bay) / "dataset"
    for kind, table in ((Rest, "rests"), (CarRest, "car_rests")):
        played = [record for record in records if isinstance(record, kind)]
        kept = [record for _, record in dataset.revisions(stored, table, kind)]
        assert len(played) > 10
        assert sorted(kept, key=_identity) == sorted(played, key=_identity)


def _identity(record: Rest | CarRest) -> tuple[int, str, int]:
    return record.t_from_mono_ns, getattr(record, "pad", "*"), record.revision


def test_pandas_and_duckdb_read_the_dataset_with_units(demo: Demo) -> None:
    import duckdb
    import pandas as pd
    import pyarrow.parquet as pq

    folder = demo.bay(BAYS[0]) / "dataset" / "samples"
    frame = pd.read_parquet(folder)
    assert set(frame["pad"].unique()) == {"P1", "P2", "P3", "P4"}
    query = f"SELECT count(*), max(mass_kg) FROM '{folder}/**/*.parquet'"
    ((count, most_kg),) = duckdb.sql(query).fetchall()
    assert count == len(frame)
    assert most_kg == pytest.approx(frame["mass_kg"].max())
    field = pq.read_schema(next(folder.rglob("*.parquet"))).field("mass_kg")
    assert field.metadata[b"unit"] == b"kg"


def test_the_report_can_tell_a_plan_that_starts_from_the_ledger(demo: Demo, tmp_path: Path) -> None:
    folder, plan, out = demo.bay(BAYS[0]), tmp_path / "plan.toml", tmp_path / "report.html"
    plan.write_text(
        f'aboard = ["driver"]\n[state]\nledger = "{folder}"\n[target]\ntotal = "1000 ± 1 kg"\n'
        '[[add]]\nledger = "w1.1"\n',
        encoding="utf-8",
    )
    told = ["report", str(folder), "--plan", str(plan), "--out", str(out)]
    assert main(told) == 0
    section = out.read_text(encoding="utf-8").partition("<h2>The plan</h2>")[2].partition("</section>")[0]
    assert re.search(r"total: 39\.\d+ ± 0\.\d+ kg still to be found", unescape(section))
    assert '<th scope="row">spare wheel and jack</th><td>on</td>' in section


@pytest.mark.parametrize("bay", BAYS)
def test_the_report_tells_it_all_without_a_network(demo: Demo, bay: str) -> None:
    text = (demo.bay(bay) / "report.html").read_text(encoding="utf-8")
    assert "does not remove floor twist" in text
    assert "invented" in text
    assert "spare wheel and jack" in text
    assert not re.search(r"(src|href)=\"(https?:)?//", text)
    run = find_runs(demo.bay(bay))[-1]
    from logger.journal_folder import segment_hash

    assert all(segment_hash(path) in text for path in run.segments)
