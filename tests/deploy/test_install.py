"""deploy/install rehearsed below a folder: once, twice, upgraded, rolled back, taken away; what it puts in.

The packages themselves are left out here (`--no-packages`): fetching them takes a network and a minute.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import stat
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from support import ROOT, absent

from logger.config import load
from logger.daemon import WATCHDOG_NS

UNIT = ROOT / "deploy" / "restpoint@.service"


def tree(root: Path) -> dict[str, Any]:
    """Everything below a folder: content of files and links, mode."""
    found: dict[str, Any] = {}
    for path in sorted(root.rglob("*")):
        what = os.readlink(path) if path.is_symlink() else path.read_bytes() if path.is_file() else None
        found[str(path.relative_to(root))] = what, stat.S_IMODE(path.lstat().st_mode)
    return found


class Place:
    """A source and a root to install into."""

    def __init__(self, folder: Path) -> None:
        self.source, self.root = folder / "source", folder / "root"
        for part in ("logger", "drivers", "deploy"):
            ignore = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / part, self.source / part, ignore=ignore)
        shutil.copy(ROOT / "pyproject.toml", self.source)

    def install(self, *words: str) -> str:
        command = [self.source / "deploy/install", "--root", self.root, "--no-packages", *words]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stderr == ""
        return done.stdout

    def current(self) -> str:
        return os.readlink(self.root / "opt/restpoint/current")


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def test_a_dry_run_changes_nothing(place: Place) -> None:
    said = place.install("--dry-run")
    assert "would: " in said
    assert not place.root.exists()
    place.install()
    before = tree(place.root)
    place.install("--dry-run", "uninstall")
    assert tree(place.root) == before


def test_twice_is_once(place: Place) -> None:
    place.install()
    before = tree(place.root)
    said = place.install()
    assert "writes" not in said
    assert tree(place.root) == before
    assert before["etc/restpoint"][1] == before["var/lib/restpoint"][1] == 0o750
    assert before["etc/restpoint/bay.toml"][1] == 0o640
    assert before["usr/local/bin/restpoint"][0] == "/opt/restpoint/current/bin/restpoint"


def test_an_upgrade_keeps_config_and_ledger_and_can_be_taken_back(place: Place) -> None:
    place.install()
    first = place.current()
    config = place.root / "etc/restpoint/bay.toml"
    config.write_text(config.read_text() + "# mine\n")
    bay = place.root / "var/lib/restpoint/bay"
    bay.mkdir()
    with sqlite3.connect(bay / "ledger.db") as db:
        db.execute("CREATE TABLE t (x)")
        db.execute("INSERT INTO t VALUES (7)")
    db.close()
    version = place.source / "logger/version.py"
    version.write_text(version.read_text().replace('VERSION = "', 'VERSION = "9.'))
    place.install()
    second = place.current()
    assert second != first
    assert second.startswith("releases/9.")
    assert config.read_text().endswith("# mine\n")
    (copy,) = bay.glob("ledger-before-9.*.db")
    with sqlite3.connect(copy) as db:
        assert db.execute("SELECT x FROM t").fetchall() == [(7,)]
    db.close()
    place.install("rollback")
    assert place.current() == first
    place.install("rollback")
    assert place.current() == second, "and forward again"


@pytest.mark.parametrize("how", ["fails", "is killed"])
def test_packages_that_cannot_be_had_leave_no_copy_behind_and_no_release(
    place: Place, tmp_path: Path, how: str
) -> None:
    """pip is one that refuses, or during which somebody presses Ctrl-C."""
    python, passing = tmp_path / "python", tmp_path / "tmp"
    passing.mkdir()
    ends = "kill -INT $PPID; sleep 1" if how == "is killed" else "echo no network >&2; exit 1"
    python.write_text(
        f'#!/bin/sh\n[ "$2" = venv ] || exec {sys.executable} "$@"\nmkdir -p "$3/bin"\n'
        f'printf \'#!/bin/sh\\n{ends}\\n\' > "$3/bin/pip"\nchmod +x "$3/bin/pip"\n'
    )
    python.chmod(0o755)
    for name in ("README.md", "LICENSE"):
        (place.source / name).write_text("")
    environment = {"PATH": "/usr/bin:/bin", "PYTHON": str(python), "TMPDIR": str(passing)}
    # Where the tests run in the background, Ctrl-C is ignored: no script can ask for it again.
    heard = ["env", "--default-signal=INT"]
    command = [*heard, place.source / "deploy/install", "--root", place.root]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert list(passing.iterdir()) == []
    assert not (place.root / "opt/restpoint/current").is_symlink()
    assert list(place.root.rglob(".whole")) == []
    place.install()
    assert place.current().startswith("releases/")


def test_uninstall_keeps_config_and_data(place: Place) -> None:
    place.install()
    bay = place.root / "var/lib/restpoint/bay"
    bay.mkdir()
    (bay / "ledger.db").write_bytes(b"x")
    said = place.install("uninstall")
    left = {path for path, (what, _) in tree(place.root).items() if what is not None}
    assert {path.split("/")[0] for path in left} == {"etc", "var"}
    assert all(path.startswith(("etc/restpoint/", "var/lib/restpoint/bay/")) for path in left)
    assert "kept:" in said
    place.install("uninstall")


@pytest.mark.parametrize("runs", [True, False])
def test_a_service_is_touched_only_where_systemd_runs(place: Place, tmp_path: Path, *, runs: bool) -> None:
    """In a chroot systemctl ignores all but enable and disable, and says so each time."""
    place.install()
    init = tmp_path / "init"
    if runs:
        init.mkdir()
    script = place.source / "deploy/install"
    script.write_text(script.read_text().replace("/run/systemd/system", str(init)))
    commands = tmp_path / "bin"
    commands.mkdir()
    systemctl = commands / "systemctl"
    systemctl.write_text("#!/bin/sh\n")
    systemctl.chmod(0o755)
    path = f"{commands}:{os.environ['PATH']}"
    done = subprocess.run(
        [script, "--dry-run", "--no-packages"],
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=True,
    )
    asked = re.findall(r"would: systemctl ([\w-]+)", done.stdout)
    assert asked == (["daemon-reload", "enable", "try-restart"] if runs else ["enable"])
    assert ("starts with the machine" in done.stdout) is not runs


def test_no_pattern_is_given_to_systemctl_where_it_takes_names_only() -> None:
    """systemctl(1): patterns match loaded units; enable and disable look at files and refuse them."""
    text = (ROOT / "deploy/install").read_text()
    calls = re.findall(r"systemd ((?:enable|disable)\b[^\n]*)", text)
    assert len(calls) == 2
    assert not [call for call in calls if "@*" in call]


def test_a_wrong_word_is_told_the_usage(place: Place) -> None:
    done = subprocess.run(
        [place.source / "deploy/install", "remove"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "uninstall   take the service" in done.stderr


def test_the_example_config_is_one_and_names_every_section_it_shows(tmp_path: Path) -> None:
    text = (ROOT / "deploy/bay.example.toml").read_text()
    file = tmp_path / "bay.toml"
    file.write_text(text)
    assert load(file).folder == Path("/var/lib/restpoint/bay")
    on = re.sub(r"^# (\w+ = )", r"\1", text, flags=re.M)  # each line that is off is right too
    on = on.replace('car = "car.toml"', '# car = "car.toml"')
    file.write_text(on)
    assert on.count("\n# ") < text.count("\n# ")
    shown = load(file).config
    plain = tomllib.loads(text)
    for section in ("page", "broker", "bus", "store", "retention"):
        assert plain[section] == {}
        assert getattr(shown, section) == getattr(load(file).config, section)
        default = type(getattr(shown, section))()
        assert getattr(shown, section) == default, f"[{section}] shows what holds without it"


def test_udev_rules_name_what_is_configured_and_nothing_else(place: Place) -> None:
    place.install()
    config = place.root / "etc/restpoint/bay.toml"
    config.write_text(
        config.read_text().replace("usb:SERIAL-NUMBER", "usb:A9-ab_1:01")
        + '[[port]]\nname = "x"\ndevice = "usb:B7"\nlayout = "l"\n'
        + '[[port]]\ndevice = "usb:evil\\", RUN+=\\"x"\n'
        + '[[port]]\ndevice = "/dev/ttyS0"\n'
    )
    place.install("udev")
    rules = (place.root / "etc/udev/rules.d/70-restpoint.rules").read_text()
    lines = [line for line in rules.splitlines() if not line.startswith("#")]
    assert len(lines) == 4, "two lines for each of the two serial numbers"
    term = r'(ACTION|SUBSYSTEM|DRIVERS|GROUP|MODE|SYMLINK|(ENV|ATTRS?)\{\w+\})(==|!=|\+=|=)"[\w./@-]*"'
    for line in lines:
        assert re.fullmatch(rf"{term}(, {term})*", line), line
        assert re.search(r'(ID_SERIAL_SHORT\}|ATTRS\{serial\})=="(A9-ab_1|B7)"', line)
    assert sum('ATTR{latency_timer}="1"' in line for line in lines) == 2
    assert 'SYMLINK+="restpoint/A9-ab_1"' in rules
    udevadm = shutil.which("udevadm")
    if (
        udevadm
        and subprocess.run([udevadm, "verify", "--help"], capture_output=True, check=False).returncode == 0
    ):
        done = subprocess.run(
            [udevadm, "verify", place.root / "etc/udev/rules.d/70-restpoint.rules"], check=False
        )
        assert done.returncode == 0


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        absent("systemd-analyze (Debian package systemd)")
    command = ["systemd-analyze", *map(str, words)]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, env=os.environ | {"LC_ALL": "C.UTF-8"}
    )


def test_systemd_takes_the_unit_and_calls_it_safe(tmp_path: Path) -> None:
    unit = tmp_path / "restpoint@bay.service"
    unit.write_text(UNIT.read_text().replace("/opt/restpoint/current/bin/restpoint", "/bin/true"))
    done = analyze("verify", "--man=no", unit)
    assert (done.returncode, done.stderr) == (0, "")
    done = analyze("security", "--offline=true", "--threshold=20", "--no-pager", unit)  # tenths: 2.0
    assert done.returncode == 0, done.stdout
    level = re.search(r"exposure level for .*: (\d+\.\d)", done.stdout)
    assert level
    assert float(level[1]) <= 2.0
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    assert analyze("security", "--offline=true", "--threshold=20", "--no-pager", unit).returncode != 0


def test_the_unit_waits_longer_than_the_daemon_takes() -> None:
    unit = UNIT.read_text()
    assert "Type=notify" in unit
    watchdog = re.search(r"^WatchdogSec=(\d+)$", unit, re.M)
    assert watchdog
    assert int(watchdog[1]) >= 3 * WATCHDOG_NS / 1e9
    assert "RestartPreventExitStatus=2" in unit


def test_shell_and_container_files_are_sound() -> None:
    assert subprocess.run(["sh", "-n", ROOT / "deploy/install"], check=False).returncode == 0
    container = (ROOT / "deploy/Containerfile").read_text()
    assert container.index("USER restpoint") < container.index("ENTRYPOINT")
    assert "--require-hashes" in container
    for name in ("Containerfile", "compose.yaml"):
        assert re.search(r"^# Not (built or )?run in CI", (ROOT / "deploy" / name).read_text())


def test_every_pinned_package_has_its_hash_and_stands_in_the_list_of_licences() -> None:
    text = (ROOT / "deploy/requirements.txt").read_text()
    pins = re.findall(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)[^\n]*\\\n    --hash=sha256:[0-9a-f]{64}", text, re.M)
    assert len(pins) == len(re.findall(r"^[A-Za-z0-9]", text, re.M)) > 10
    listed = (ROOT / "deploy/LICENCES.md").read_text()
    for name, version in pins:
        assert f"| {name} | {version} |" in listed, "run tools/licences.py"
    assert "not said" not in listed
