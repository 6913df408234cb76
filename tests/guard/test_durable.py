"""The daemon whole: switched off again and again, its clock stepped, its secrets kept, its files' modes."""

from __future__ import annotations

import hashlib
import signal
import sqlite3
import stat
import threading
import time
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from support import absent
from support.killed import FIRST_CAPTURE_S, kill_again_and_again
from support.knock import knock
from support.mosquitto import MOSQUITTO, Ear
from support.running import Running, Talker, bytes_by_port, config, running

from drivers.sim.player import Line
from logger.assembly import bay_from_file
from logger.clock import NS, now_ns
from logger.health import read_health
from logger.model import ClockStep, Gap, GapCause
from logger.pairing import Pairing
from logger.rebuild import make_again, verify
from logger.store.copies import Copies
from logger.store.dataset import events, samples_by_run
from logger.store.relabel import relabel
from logger.store.sealed import mark_paths

SLOW_DISK = [str(Path(__file__).parents[1] / "support" / "slow_disk.py")]
STEPPING = [str(Path(__file__).parents[1] / "support" / "stepping.py")]


def one_pad(folder: Path, line: Line, more: str) -> Path:
    file = config(folder, {"P1": line.device}, more)
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    return file


def test_killed_at_random_moments_nothing_durable_is_lost_and_nothing_is_there_twice(tmp_path: Path) -> None:
    """Killed while it starts, and in the moment when it takes a reading; many more in tools/soak.py."""
    if MOSQUITTO is None:
        absent("mosquitto (apt install mosquitto)")

    def a_capture(daemon: Running, ear: Ear) -> None:
        end = time.monotonic() + FIRST_CAPTURE_S + 15
        while not any(topic.endswith("/capture") for _, topic, _ in ear.heard):
            assert time.monotonic() < end, daemon.log_file.read_text()
            time.sleep(0.02)

    def a_capture_never_said(daemon: Running, ear: Ear) -> None:
        """The broker hangs while it is taken; it is in the ledger, and the daemon is killed."""
        assert ear.broker is not None
        time.sleep(FIRST_CAPTURE_S - 3)
        ear.broker.signal(signal.SIGSTOP)
        before, end = captures(daemon.data), time.monotonic() + 20
        while captures(daemon.data) == before:
            assert time.monotonic() < end, daemon.log_file.read_text()
            time.sleep(0.02)
        threading.Timer(0.3, ear.broker.signal, [signal.SIGCONT]).start()

    out = kill_again_and_again(tmp_path, 20, [None, a_capture, a_capture_never_said])
    assert out.wrong == []
    assert out.captures >= 2


def captures(data: Path) -> int:
    """Captures in the ledger."""
    with closing(sqlite3.connect(data / "ledger.db")) as db:
        return int(db.execute("SELECT count(*) FROM capture").fetchone()[0])


MANY_SEGMENTS = "[page]\nenabled = false\n[journal]\nsegment_s = 1.0\n[store]\n"


def copy_uri(folder: Path) -> str:
    return (folder / "copy").as_uri()


def stepped(folder: Path, *numbers: signal.Signals, **environment: str) -> Running:
    """A daemon that has run from 1970 on, its clock changed by these signals, and was stopped."""
    with Line() as line, Talker({"P1": line}):
        file = one_pad(folder, line, MANY_SEGMENTS + f'copy_to = "{copy_uri(folder)}"\ncopy_s = 0.1\n')
        with running(file, STEPPING, **environment) as daemon:
            daemon.wait_for("pad", condition="empty")
            for n, number in enumerate(numbers, 1):
                daemon.process.send_signal(number)
                daemon.wait_for_count("slept" if number == signal.SIGWINCH else "clock", n)
                time.sleep(0.3)
            daemon.stop()
    return daemon


def finish_copying(dataset: Path, uri: str) -> None:
    """As the next start would: copy what was sealed last, and what was put right since."""
    copies = Copies(dataset, uri, 0.05, lambda *_: None)
    copies.start()
    end = time.monotonic() + 30
    for mark in mark_paths(dataset):
        note, wanted = mark.with_suffix(".sent"), hashlib.sha256(mark.read_bytes()).hexdigest()
        while not note.exists() or wanted not in note.read_text():
            assert time.monotonic() < end, f"{mark} was not copied"
            time.sleep(0.02)
    copies.stop()


def test_clock_at_1970_and_steps_change_labels_never_order_or_durations(tmp_path: Path) -> None:
    began_ns = time.time_ns()
    daemon = stepped(tmp_path, signal.SIGUSR1, signal.SIGUSR2, signal.SIGHUP)
    dataset = daemon.data / "dataset"
    steps_s = [
        (r.wall_after_ns - r.wall_before_ns) / NS for _, r in events(dataset) if isinstance(r, ClockStep)
    ]
    assert len(steps_s) == 3
    assert steps_s[0] > 50 * 365 * 86_400
    assert [round(s) for s in steps_s[1:]] == [3600, -3600]
    ((run, samples),) = samples_by_run(dataset)
    assert len(samples) > 25
    waits_s = [(b.t_mono_ns - a.t_mono_ns) / NS for a, b in pairwise(samples)]
    assert all(0 <= wait_s < 5 for wait_s in waits_s)
    off_s = [(s.t_wall_ns - s.t_mono_ns - now_ns()[1] + now_ns()[0]) / NS for s in samples]
    assert all(abs(s) < 1.0 for s in off_s), "all are labelled as the clock told in the end"
    assert samples[0].t_wall_ns > began_ns
    assert not list(dataset.glob("*/*/date=1970*/*.parquet"))
    assert list(verify(daemon.data)) == []
    assert list((tmp_path / "copy").rglob("*.parquet")), "what was sealed was copied while the daemon ran"
    finish_copying(dataset, copy_uri(tmp_path))
    before = {path: path.read_bytes() for path in dataset.rglob("*.parquet")}
    copies = {dataset / p.relative_to(tmp_path / "copy"): p for p in (tmp_path / "copy").rglob("*.parquet")}
    assert {path: copy.read_bytes() for path, copy in copies.items()} == before, "no label of 1970 is left"
    assert relabel(dataset, run) == 0, "once is enough"
    assert make_again(daemon.data, "faults", bay_from_file, lambda *_: None) > 0
    assert {path: path.read_bytes() for path in dataset.rglob("*.parquet")} == before


@pytest.mark.parametrize("ahead_s", [86_400, -86_400])
def test_a_clock_a_day_off_is_put_right_with_all_it_labelled_whatever_the_zone(
    ahead_s: int, tmp_path: Path
) -> None:
    """In a zone that changes between summer and winter: labels are UTC, so no hour comes twice or never."""
    began_ns = time.time_ns()
    daemon = stepped(tmp_path, signal.SIGUSR1, AHEAD_S=str(ahead_s), TZ="CET-1CEST,M3.5.0,M10.5.0/3")
    dataset = daemon.data / "dataset"
    (step,) = [record for _, record in events(dataset) if isinstance(record, ClockStep)]
    assert round((step.wall_after_ns - step.wall_before_ns) / NS) == -ahead_s
    ((_, samples),) = samples_by_run(dataset)
    assert len(samples) > 10
    assert all(began_ns < sample.t_wall_ns < time.time_ns() for sample in samples)
    assert [s.t_mono_ns for s in samples] == sorted(s.t_mono_ns for s in samples)
    assert list(verify(daemon.data)) == []


def test_a_sleep_of_the_computer_is_a_gap_of_its_length_and_no_step_of_the_clock(tmp_path: Path) -> None:
    daemon = stepped(tmp_path, signal.SIGWINCH)
    told = [record for _, record in events(daemon.data / "dataset")]
    assert not [r for r in told if isinstance(r, ClockStep)]
    (gap,) = [r for r in told if isinstance(r, Gap)]
    assert gap.cause is GapCause.SLEPT
    assert 3600 <= (gap.t_to_mono_ns - gap.t_from_mono_ns) / NS < 3605
    ((_, samples),) = samples_by_run(daemon.data / "dataset")
    assert samples[-1].t_mono_ns - samples[0].t_mono_ns > 3600 * NS
    assert sum(row["event"] == "slept" for row in daemon.log()) == 1
    assert not [row for row in daemon.log() if row["event"] == "hangs"], "nobody hung, all slept"
    assert list(verify(daemon.data)) == []


def test_no_secret_is_logged_reported_or_journalled_and_files_are_the_service_users(tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("correct horse")
    more = (
        '[page]\nport = 0\npairing = "always"\nmetrics = true\ntls = true\n'
        f'[bus]\nusername = "bay"\npassword_file = "{password}"\n'
    )
    with Line() as line, Talker({"P1": line}), running(one_pad(tmp_path, line, more)) as daemon:
        told: Any = daemon.wait_for("page")["detail"]
        address = told.split(" at ")[1].split("/, ")[0]
        import ssl

        context = ssl.create_default_context(cafile=str(daemon.data / "page.crt"))
        code = Pairing(daemon.data).offer("command", "phone", time.monotonic_ns())
        status, headers, _ = knock(address, "POST", "/pair", {"code": code}, context=context)
        assert status == 200
        token = headers["set-cookie"].partition("=")[2].partition(";")[0]
        cookie = headers["set-cookie"].partition(";")[0]
        assert knock(address, "POST", "/do/take", {}, context=context, cookie=cookie)[0] == 202
        metrics = knock(address, "GET", "/metrics", context=context, cookie=cookie)[2]
        assert 'restpoint_port_open{port="P1"} 1' in metrics
        assert knock(address, "GET", "/metrics", context=context)[0] == 401
        daemon.wait_for("command")
        health = read_health(daemon.data)
        assert health is not None
        daemon.stop()
    secrets = (b"correct horse", token.encode(), (daemon.data / "page.key").read_bytes()[40:80])
    files = [path for path in [*daemon.data.rglob("*"), daemon.log_file] if path.is_file()]
    assert len(files) > 8
    for path in files:
        content = path.read_bytes()
        found = [secret for secret in secrets if secret in content]
        assert found == ([secrets[2]] if path.name == "page.key" else []), path
        if path == daemon.log_file:
            continue
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode & 0o027 == 0, f"{path} has {mode:o}"
    assert all(stat.S_IMODE(p.stat().st_mode) & 0o027 == 0 for p in daemon.data.rglob("*") if p.is_dir())


def test_a_slow_disk_that_turns_read_only_and_back_loses_nothing(tmp_path: Path) -> None:
    with Line() as line, Talker({"P1": line}):
        more = "[page]\nenabled = false\n[journal]\nsegment_s = 30.0\n[store]\nretry_s = 0.3\n"
        with running(one_pad(tmp_path, line, more), SLOW_DISK) as daemon:
            daemon.wait_for("port", port="P1", event_name="opened")
            time.sleep(0.5)
            daemon.process.send_signal(signal.SIGUSR1)
            assert "Read-only" in daemon.wait_for("journal_blocked")["detail"]
            time.sleep(1.0)
            daemon.process.send_signal(signal.SIGUSR2)
            daemon.wait_for("journal_restored")
            stopped = daemon.stop()
    assert bytes_by_port(daemon.data) == {"P1": stopped["streams"]["P1"]["bytes"]}
    assert sum(row["event"] == "journal_blocked" for row in daemon.log()) == 1
    assert list(verify(daemon.data)) == []
    ((_, samples),) = samples_by_run(daemon.data / "dataset")
    assert max(b.t_mono_ns - a.t_mono_ns for a, b in pairwise(samples)) < NS, (
        "readers never waited for the disk"
    )
