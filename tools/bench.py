"""`make bench`: measured figures of this machine; those that depend on its speed as ratios within the run.

Each row says what was measured, its figure, the aim, and whether it is met. The bare loop it compares with
is tools/bench_baseline.py; both read the same bytes at the same rate through pseudo-terminals, one after the
other, and speak to the same local broker. Exit code 1 when an aim is missed.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import bench_decode
import bench_store
import paho.mqtt.client as paho  # comes with aiomqtt
from bench_live import Feed, Use, config_text, cpu_s, mosquitto, process, python, restpoint, watch
from paho.mqtt.enums import CallbackAPIVersion

TOOLS = Path(__file__).parent
RATE_HZ = 80.0
SHORT = {
    "settling": ("--count", "20"),
    "replay": ("--minutes", "10"),
    "layouts": ("--frames", "20000", "--mutations", "40000"),
    "learn": ("0", "11"),
    "mechanics": ("--cars", "400"),
    "files": ("--cars", "400"),
}
"""Benchmarks with a program of their own (tools/bench_NAME.py), in a short form; alone they take no words."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One figure; `aim` None: shown for information."""

    what: str
    figure: str
    aim: str = ""
    met: bool | None = None

    def text(self) -> str:
        """The row as a line of the table."""
        verdict = {True: "met", False: "MISSED", None: ""}[self.met]
        return f"{self.what:<58} {self.figure:>16}  {self.aim:<14} {verdict}"


@dataclass(frozen=True, kw_only=True)
class Run:
    """What one run of the daemon told."""

    use: Use
    first_s: float
    """From the start of the process to the first live value on the bus."""
    first_cpu_s: float
    """CPU time of that; a busy machine does not lengthen it."""


def bare_loop(folder: Path, mqtt_port: int, time_s: float, *how: str) -> Use:
    """Let the bare loop read four pads for a while."""
    with Feed(RATE_HZ) as feed:
        devices = [line.device for line in feed.lines.values()]
        command = python(str(TOOLS / "bench_baseline.py"), *how, str(mqtt_port), *devices)
        with process(*command, log=folder / "bare.log") as child:
            time.sleep(3.0)
            return watch(child.pid, feed, time_s)


def daemon(folder: Path, mqtt_port: int, time_s: float) -> Run:
    """Let `restpoint run` read the same, and look at what it kept."""
    folder.mkdir()
    with Feed(RATE_HZ) as feed:
        config = folder / "bay.toml"
        config.write_text(config_text(feed, mqtt_port), encoding="utf-8")
        first = FirstMessage(mqtt_port, "restpoint/bench/live/+")
        began = time.monotonic()
        with process(*restpoint("run", "-c", str(config)), log=folder / "run.log") as child:
            came_s, first_cpu_s = first.wait(20.0), cpu_s(child.pid)
            if came_s is None:
                log = (folder / "run.log").read_text(encoding="utf-8")
                raise RuntimeError(f"no sample came over the bus; the daemon said:\n{log[-2000:]}")
            time.sleep(3.0)
            use = watch(child.pid, feed, time_s)
            feed.stop()
            time.sleep(0.5)
        return Run(use=use, first_s=came_s - began, first_cpu_s=first_cpu_s)


class FirstMessage:
    """Waits for the first message of a topic, from before the publisher starts."""

    def __init__(self, mqtt_port: int, topic: str) -> None:
        self._came, self._at = threading.Event(), 0.0
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._message
        self._client.connect("127.0.0.1", mqtt_port)
        self._client.subscribe(topic)
        self._client.loop_start()

    def wait(self, time_s: float) -> float | None:
        """Monotonic time (s) of the first message, None when none came."""
        came = self._came.wait(time_s)
        self._client.disconnect()
        self._client.loop_stop()
        return self._at if came else None

    def _message(self, *_: object) -> None:
        if not self._came.is_set():
            self._at = time.monotonic()
            self._came.set()


def live_rows(time_s: float, repeats: int) -> Iterator[Row]:
    """The daemon beside the bare loop."""
    with tempfile.TemporaryDirectory(prefix="bench-") as name, mosquitto(Path(name)) as mqtt_port:
        folder, bare, runs = Path(name), [], []
        for n in range(repeats):
            bare.append(bare_loop(folder, mqtt_port, time_s).cpu_us_per_frame)
            runs.append(daemon(folder / f"run-{n}", mqtt_port, time_s))
        lean = bare_loop(folder, mqtt_port, time_s, "--lean").cpu_us_per_frame
    live = [run.use.cpu_us_per_frame for run in runs]
    ratio = median(a / b for a, b in zip(live, bare, strict=True))
    yield at_most("CPU per frame, live path over bare loop", ratio, 1.0, "", 2)
    yield Row(what="  over a bare loop without readline", figure=f"{median(live) / lean:.2f}")
    figures = f"{median(live):.0f}, {median(bare):.0f}, {lean:.0f} µs"
    yield Row(what="  live path, bare loop, without readline", figure=figures)
    percent = median(run.use.percent_of_core for run in runs)
    yield Row(what=f"daemon, 4 pads × {RATE_HZ:.0f} Hz", figure=f"{percent:.1f} % of a core")
    yield at_most("resident memory", max(run.use.resident_MB for run in runs), 100, "MB", 0)
    yield at_most("start to first live value", median(run.first_s for run in runs), 1.5, "s", 2)
    yield Row(what="  of it CPU time", figure=f"{median(run.first_cpu_s for run in runs):.2f} s")


def start_rows() -> Iterator[Row]:
    """How long the command line takes to answer, beside an interpreter that does nothing."""
    pairs = [(spent_s(restpoint("--help")), spent_s(python("-c", "pass"))) for _ in range(9)]
    yield at_most("restpoint --help", median(help_s for help_s, _ in pairs), 0.2, "s", 3)
    ratio = median(help_s / bare_s for help_s, bare_s in pairs)
    yield Row(what="  over an empty interpreter", figure=f"{ratio:.1f}")


def spent_s(command: list[str]) -> float:
    """Wall time of a command."""
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def store_rows() -> Iterator[Row]:
    """What a sample takes in the dataset; the journal's raw bytes come on top."""
    for rate_Hz in (RATE_HZ, 20.0):
        size = bench_store.bytes_per_sample(rate_Hz)
        yield at_most(f"stored sample, segment of 4 pads × {rate_Hz:.0f} Hz", size, 4.0, "bytes", 2)


def decode_rows() -> Iterator[Row]:
    """Split, check and layout, by layout."""
    for name in bench_decode.LAYOUTS:
        rate = bench_decode.frames_per_s(name)
        yield Row(
            what=f"frames per second, {name}", figure=f"{rate:,.0f}", aim="≥ 200,000", met=rate >= 200_000
        )


def own_rows() -> Iterator[Row]:
    """Run those with a program of their own: their tables, and whether each is content (exit code 0)."""
    for name, words in SHORT.items():
        print(f"\n{name}: tools/bench_{name}.py {' '.join(words)}", flush=True)
        began = time.perf_counter()
        code = subprocess.run([sys.executable, TOOLS / f"bench_{name}.py", *words], check=False).returncode
        took = f"{time.perf_counter() - began:.0f} s"
        yield Row(what=f"{name}, short form", figure=took, aim="its own aims", met=code == 0)


def at_most(what: str, value: float, limit: float, unit: str, places: int) -> Row:
    """A figure with an upper limit."""
    return Row(
        what=what,
        figure=f"{value:.{places}f} {unit}".strip(),
        aim=f"≤ {limit:g} {unit}".strip(),
        met=value <= limit,
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0, help="length of each look at a process")
    parser.add_argument("--repeats", type=int, default=2, help="looks at each of the two")
    parser.add_argument("--part", choices=("live", "start", "store", "decode", "own"), help="only this part")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the rows there too")
    args = parser.parse_args()
    parts = {
        "live": lambda: live_rows(args.seconds, args.repeats),
        "start": start_rows,
        "store": store_rows,
        "decode": decode_rows,
        "own": own_rows,
    }
    rows: list[Row] = []
    for name, part in parts.items():
        if args.part in (None, name):
            for row in part():
                rows.append(row)
                print(row.text(), flush=True)
    if args.json:
        args.json.write_text(json.dumps([vars(row) for row in rows], ensure_ascii=False, indent=1), "utf-8")
    return 1 if any(row.met is False for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
