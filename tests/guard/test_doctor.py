"""The doctor: what it says with and without a daemon, what it mends, how it exits."""

from __future__ import annotations

import asyncio
import io
import json
import os
import random
import signal
import sqlite3
from contextlib import closing, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from support.running import Talker, config, running
from support.served_page import until
from support.small_bay import LiveBay, stream

from drivers.sim.player import Line
from logger.cli import main
from logger.clock import NS, now_ns
from logger.config import load
from logger.doctor import Finding, examine, mend
from logger.doctor_text import as_json, as_tree
from logger.health import FRESH_NS, HealthFile, LastWords, is_fresh, machine_boot, read_health
from logger.model import Capture, ClockStep, Condition, CornerLoad, PadCondition, Trouble
from logger.version import VERSION
from logger.weighin.ledger import Ledger


@dataclass
class Done:
    """What a run of the verb came to."""

    returncode: int
    stdout: str
    stderr: str


def doctor(file: Path, *words: str) -> Done:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(["doctor", "-c", str(file), *words])
    return Done(code, out.getvalue(), err.getvalue())


def part(found: Any, *names: str) -> Any:
    for name in names:
        found = next(p for p in found["parts"] if p["name"] == name)
    return found


def test_a_bay_that_never_ran_says_what_to_do_first(tmp_path: Path) -> None:
    done = doctor(config(tmp_path, {"P1": "/dev/not-there"}).with_name("bay.toml"))
    assert done.returncode == 2, "one pad cannot stand on all spots"
    file = config(tmp_path, {"P1": "/dev/not-there"})
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    done = doctor(file, "--json")
    assert done.returncode == 1
    told = json.loads(done.stdout)
    assert told["schema"] == 1
    assert part(told, "daemon")["state"] == "ill"
    assert "restpoint run" in part(told, "daemon")["step"]
    assert part(told, "ports", "P1")["detail"] == "/dev/not-there is not there"
    assert "restpoint ports" in part(told, "ports", "P1")["step"]
    named = {p["name"] for p in told["parts"]}
    assert named == {
        "version", "daemon", "ports", "pads", "broker", "disk", "permissions", "clock", "page"
    }  # fmt: skip


def test_a_flip_anywhere_in_the_health_file_ends_no_doctor(tmp_path: Path) -> None:
    file = config(tmp_path, {"P1": "socket://127.0.0.1:9"}, "[page]\nenabled = false\n")
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    loaded, rng = load(file), random.Random(5)
    loaded.folder.mkdir()
    since = {"since_mono_ns": 5}
    health = {
        "ports": {"P1": {"state": "opened", "bytes_read": 5, "detail": "d", **since}},
        "pads": {"P1": {"condition": "resting", "reason": "", **since}},
        "troubles": {"disk": {"state": "failed", "detail": "x", **since}},
        "clock": {"step_s": 1.0, **since},
        "broker": {"detail": "", "connected": True, **since},
        "page": "off",
    }
    about = {"version": VERSION, "bay": "x", "config_id": loaded.id, "boot": "b"}
    written = HealthFile(loaded.folder, about, lambda: health)
    written.end()
    path = loaded.folder / "health.json"
    content = path.read_bytes()
    assert read_health(loaded.folder) is not None
    for bit in rng.sample(range(8 * len(content)), 100):
        damaged = bytearray(content)
        damaged[bit // 8] ^= 1 << bit % 8
        path.write_bytes(damaged)
        assert read_health(loaded.folder) is None
    found = as_json(examine(loaded))
    assert "health.json cannot be read" in part(found, "daemon")["detail"]


@pytest.mark.parametrize(
    ("detail", "step"),
    [
        (
            "a.parquet: its hash is another; made again from the journal",
            "should it come again, change the disk",
        ),
        ("no space left on device", "free the disk"),
    ],
)
def test_what_the_daemon_mended_itself_asks_for_no_room(tmp_path: Path, detail: str, step: str) -> None:
    file = config(tmp_path, {"P1": "socket://127.0.0.1:9"}, "[page]\nenabled = false\n")
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    loaded = load(file)
    loaded.folder.mkdir()
    troubles = {"store": {"state": "failed", "detail": detail, "since_mono_ns": 5}}
    health = {
        "ports": {},
        "pads": {},
        "clock": {},
        "broker": {"detail": "", "connected": True, "since_mono_ns": 5},
        "troubles": troubles,
        "page": "off",
    }
    about = {"version": VERSION, "bay": "x", "config_id": loaded.id, "boot": "b"}

    async def write() -> None:
        HealthFile(loaded.folder, about, lambda: health).look(now_ns()[0])

    asyncio.run(write())
    assert step in part(as_json(examine(loaded)), "disk", "store")["step"]


def test_nothing_is_mended_under_a_daemon_whose_health_file_is_damaged(tmp_path: Path) -> None:
    file = config(tmp_path, {"P1": "socket://127.0.0.1:9"}, "[page]\nenabled = false\n")
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    with running(file) as daemon:
        until(lambda: list(daemon.data.glob("journal/run-*/segment-*")), 15)
        daemon.process.send_signal(signal.SIGSTOP)
        (daemon.data / "health.json").write_bytes(b"{")
        done = doctor(file, "--repair")
        assert (done.returncode, done.stdout) == (1, "")
        daemon.process.send_signal(signal.SIGCONT)
        daemon.stop()


def settled(told: dict[str, Any] | None) -> bool:
    """Whether the daemon has said of each part what it will stay with."""
    if told is None:
        return False
    health = told["health"]
    pad = health["pads"].get("P1", {}).get("condition")
    ports = [health["ports"][port]["state"] for port in ("P2", "P3")]
    return pad == "empty" and ports == ["refused", "idle"] and health["page"] != "off"


def test_beside_a_running_daemon_it_knows_states_and_since_when(tmp_path: Path) -> None:
    with Line() as line, Line() as silent:
        devices = {"P1": line.device, "P2": "/dev/not-there", "P3": silent.device}
        file = config(tmp_path, devices, "[page]\nport = 0\n")
        text = file.read_text().replace('name = "P3"\n', 'name = "P3"\nidle_s = 0.5\n')
        for spot in ("S1", "S2", "S3"):
            text = text.replace(f'spot = "{spot}"\n', "")
        file.write_text(text)
        with running(file) as daemon, Talker({"P1": line}):
            until(lambda: settled(read_health(daemon.data)), 20)
            found = as_json(examine(load(file)))
            assert part(found, "daemon")["detail"] == f"runs, process {daemon.process.pid}"
            assert part(found, "ports", "P1")["state"] == "well"
            assert part(found, "ports", "P1")["since_s"] < 60
            assert part(found, "pads", "P1")["detail"] == "empty"
            assert part(found, "ports", "P2")["state"] == "ill"
            assert "its cable in?" in part(found, "ports", "P3")["step"], "no other program has it"
            assert part(found, "broker")["state"] == "ill"
            assert part(found, "page")["detail"].startswith("http://127.0.0.1:")
            assert "GB free" in part(found, "disk", "space")["detail"]
            assert part(found, "permissions")["detail"] == "as they should be"
            assert doctor(file, "--repair").returncode == 1, "a running daemon is left alone"
            file.write_text(file.read_text() + "\n# another byte\n")
            assert "changed after" in part(as_json(examine(load(file))), "version")["detail"]
            daemon.stop()
        assert "was stopped in order" in part(as_json(examine(load(file))), "daemon")["detail"]


@pytest.fixture
def wreck(tmp_path: Path) -> Path:
    """A bay's folder after everything has happened to it at once; its config file."""
    bay = LiveBay(tmp_path, segment_s=3.0)
    for entry in stream(10.0):
        bay.feed(entry)
    bay.close()
    file = tmp_path / "bay.toml"
    file.write_text(file.read_text().replace('name = "barn"', 'name = "barn"\nfolder = "."'))
    segments = sorted(tmp_path.glob("journal/run-*/segment-*.arrows"))
    mark = max(tmp_path.glob("dataset/_sealed/run-*.json"))  # the last segment was not sealed yet
    for made in json.loads(mark.read_text())["files"]:
        (tmp_path / "dataset" / made["path"]).unlink()
    mark.unlink()
    with segments[-1].open("r+b") as torn:
        torn.truncate(segments[-1].stat().st_size - 20)
    sealed = sorted(tmp_path.glob("dataset/samples/**/*.parquet"))
    with sealed[0].open("r+b") as cut:
        cut.truncate(100)
    (sealed[-1].parent / ".tmp-x.parquet").write_bytes(b"half")
    os.chmod(tmp_path, 0o750)
    ledger(tmp_path / "ledger.db")
    return file


def ledger(path: Path) -> None:
    """A ledger with enough captures to fill pages, one of them overwritten by noise."""
    made = Ledger(path)
    weigh_in = made.begin(made.car("Wagtail", 2.43, 1.4, 1.4), "barn", "boot", "config", 1, {})
    load_ = CornerLoad(corner="LF", spot="S1", pad="P1", mass_kg=240.0, u_kg=0.1)
    for n in range(200):
        capture = Capture(
            number=n + 1, t_mono_ns=n, t_wall_ns=n, t_rest_from_mono_ns=n, build="build 1", aboard=(),
            facing="out", placement=1, run=1, loads=(load_,) * 4, covariance_kg2=(0.1,) * 16,
            mass_kg=960.0, u_kg=0.2,
        )  # fmt: skip
        made.put_capture(weigh_in, capture, n)
    made.close()
    with path.open("r+b") as file:
        size = path.stat().st_size
        page = next(
            n * 4096
            for n in range(size // 8192, size // 4096)
            if _at(path, n * 4096 + 100, 3000).count(b"build 1") > 1
        )
        file.seek(page)
        file.write(b"\xa5" * 4096)


def _at(path: Path, offset: int, size: int) -> bytes:
    with path.open("rb") as file:
        file.seek(offset)
        return file.read(size)


@pytest.mark.parametrize("copied", [True, False])
def test_it_names_what_is_damaged_mends_it_and_says_what_was_saved(wreck: Path, copied: bool) -> None:
    if not copied:  # as an earlier program left it
        (wreck.parent / "ledger.rows").unlink()
    found = as_json(examine(load(wreck)))
    disk = [p["detail"] for p in part(found, "disk")["parts"] if p["state"] == "ill"]
    assert any("was not ended" in d for d in disk)
    assert any("100 bytes where" in d for d in disk)
    assert any("half written" in d for d in disk)
    assert any("ledger.db" in d for d in disk)
    done = doctor(wreck, "--repair", "--json")
    for word in ("journal cut", "store damaged", "store tidied", "store rebuilt", "ledger mended"):
        assert word in done.stderr, done.stderr
    disk_parts = part(json.loads(done.stdout), "disk")["parts"]
    assert [p for p in disk_parts if p["state"] == "ill"] == []
    kept = Ledger(wreck.parent / "ledger.db")
    numbers = [capture.number for capture in kept.captures(1)]
    kept.close()
    assert len(numbers) == 200 if copied else 150 <= len(numbers) < 200, "all but the page overwritten"
    assert numbers == sorted(numbers)
    assert any((wreck.parent / "quarantine").glob("ledger-*.db"))
    from logger.rebuild import verify

    assert list(verify(wreck.parent)) == []


def test_a_ledger_that_is_no_database_is_set_aside(tmp_path: Path) -> None:
    file = config(tmp_path, {"P1": "/dev/x"})
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    loaded = load(file)
    loaded.folder.mkdir()
    (loaded.folder / "ledger.db").write_bytes(os.urandom(5000))
    told: list[str] = []
    assert mend(loaded, lambda event, detail: told.append(f"{event} {detail}"))
    assert told[0].startswith("ledger_lost")
    assert not (loaded.folder / "ledger.db").exists()
    fresh = Ledger(loaded.folder / "ledger.db")
    fresh.close()
    with sqlite3.connect(loaded.folder / "ledger.db") as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_a_ledger_of_a_newer_program_is_ill_and_left_alone(tmp_path: Path) -> None:
    file = config(tmp_path, {"P1": "/dev/x"})
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    folder = load(file).folder
    folder.mkdir()
    Ledger(folder / "ledger.db").close()
    assert part(as_json(examine(load(file))), "disk", "ledger")["state"] == "well"
    with closing(sqlite3.connect(folder / "ledger.db")) as db:
        db.execute("PRAGMA user_version = 99")
    before = (folder / "ledger.db").read_bytes()
    found = part(as_json(examine(load(file))), "disk", "ledger")
    assert found["state"] == "ill"
    assert "was written by a newer restpoint (schema 99)" in found["detail"]
    assert "update restpoint" in found["step"]
    assert mend(load(file), lambda *_: None)
    assert (folder / "ledger.db").read_bytes() == before


def test_files_open_to_others_and_an_open_page_are_pointed_out(tmp_path: Path) -> None:
    page = '[page]\nhost = "0.0.0.0"\npairing = "off"\n'
    file = config(tmp_path, {"P1": "/dev/x"}, page)
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    folder = load(file).folder
    folder.mkdir(mode=0o755)
    os.chmod(folder, 0o755)
    (folder / "paired.json").write_text("{")
    os.chmod(folder / "paired.json", 0o640)
    found = as_json(examine(load(file)))
    steps = [p["step"] for p in part(found, "permissions")["parts"]]
    assert steps == [f"chmod o= {folder}", f"chmod 600 {folder / 'paired.json'}"]
    assert {p["name"]: p["state"] for p in part(found, "page")["parts"]} == {
        "pairing": "mind",
        "https": "mind",
    }
    assert part(found, "page")["worst"] == "ill", "the damaged file of pairings"


def test_a_health_file_of_another_boot_or_too_old_is_no_sign_of_life() -> None:
    now = now_ns()[0]
    told = {"state": "running", "t_mono_ns": now, "machine_boot": machine_boot()}
    assert is_fresh(told, now)
    assert not is_fresh(told, now + FRESH_NS + 1)
    assert not is_fresh(told | {"state": "stopped"}, now)
    assert not is_fresh(told | {"machine_boot": "another"}, now)
    assert not is_fresh(told | {"t_mono_ns": now + NS}, now)


def test_last_words_keep_the_last_state_of_each_part() -> None:
    words = LastWords()
    for state in ("failed", "restored"):
        words.put(Trouble(t_mono_ns=7, t_wall_ns=0, part="journal", state=state, detail="x"))  # type: ignore[arg-type]  # a literal
    words.put(PadCondition(pad="P1", condition=Condition.SILENT, since_mono_ns=3, reason="r"))
    words.put(ClockStep(t_mono_ns=9, wall_before_ns=0, wall_after_ns=-3600 * NS))
    assert words.troubles == {"journal": {"state": "restored", "since_mono_ns": 7, "detail": "x"}}
    assert words.pads["P1"] == {"condition": "silent", "since_mono_ns": 3, "reason": "r"}
    assert words.clock == {"step_s": -3600.0, "since_mono_ns": 9}


def test_the_tree_reads_as_one() -> None:
    tree = Finding(
        name="bay b",
        parts=(
            Finding(
                name="ports",
                parts=(
                    Finding(name="a", detail="opened", since_s=5.0),
                    Finding(name="b", state="ill", detail="lost", since_s=200.0, step="plug it in"),
                ),
            ),
            Finding(name="clock", state="mind", detail="not synchronised"),
        ),
    )
    assert "\n".join(as_tree(tree)) == (
        "bay b: needs somebody; see ✗\n"
        "├─ ✗ ports\n"
        "│  ├─ ✓ a  opened (for 5 s)\n"
        "│  └─ ✗ b  lost (for 3 min)\n"
        "│          → plug it in\n"
        "└─ ▲ clock  not synchronised"
    )
