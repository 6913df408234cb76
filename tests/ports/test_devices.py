"""Identities: a made-up /sys and /dev say what is plugged in, and the right path is found."""

from __future__ import annotations

import grp
import json
import os
import pwd
import subprocess
import sys
from argparse import Namespace
from pathlib import Path
from types import SimpleNamespace

import pytest

from logger import devices
from logger.cli import ports as cli
from logger.devices import DeviceUnknown, all_devices, identity, resolve


def plug(
    root: Path, name: str, *, socket: str, serial: str = "", interface: str = "00", latency: str = "16"
) -> None:
    """Put a USB serial adapter into a made-up machine, as the kernel lays it out."""
    usb = root / "sys/devices/pci0/usb1" / socket
    line = usb / f"{socket}:1.{int(interface)}"
    (line / name / "tty" / name).mkdir(parents=True)
    for file, text in {"idVendor": "0403", "manufacturer": "Some Maker", "product": "Serial"}.items():
        (usb / file).write_text(text + "\n")
    if serial:
        (usb / "serial").write_text(serial + "\n")
    (line / "bInterfaceNumber").write_text(interface + "\n")
    (line / name / "tty" / name / "device").symlink_to("../..")
    (root / "sys/class/tty").mkdir(parents=True, exist_ok=True)
    (root / "sys/class/tty" / name).symlink_to(line / name / "tty" / name)
    timer = root / "sys/bus/usb-serial/devices" / name
    timer.mkdir(parents=True)
    (timer / "latency_timer").write_text(latency + "\n")
    (root / "dev/serial/by-path").mkdir(parents=True, exist_ok=True)
    (root / "dev" / name).touch()
    (root / "dev/serial/by-path" / f"pci0-usb-0:{socket}:1.{int(interface)}-port0").symlink_to(
        f"../../{name}"
    )


def fixed(root: Path, name: str, kind: str) -> None:
    """A UART of the board; kind "0" means that none is fitted there."""
    tty = root / "sys/class/tty" / name
    (tty / "device").mkdir(parents=True)
    (tty / "type").write_text(kind + "\n")
    (root / "dev").mkdir(exist_ok=True)
    (root / "dev" / name).touch()


def test_an_adapter_is_found_again_under_another_name(tmp_path: Path) -> None:
    before, after = tmp_path / "before", tmp_path / "after"
    plug(before, "ttyUSB0", socket="1-1", serial="BARN7")
    plug(after, "ttyUSB0", socket="1-2", serial="OTHER")
    plug(after, "ttyUSB1", socket="1-1", serial="BARN7")
    assert resolve("usb:BARN7", before) == str(before / "dev/ttyUSB0")
    assert resolve("usb:BARN7", after) == str(after / "dev/ttyUSB1")
    assert os.path.realpath(resolve("path:pci0-usb-0:1-1:1.0-port0", after)) == str(after / "dev/ttyUSB1")


def test_two_adapters_that_swap_names_keep_their_identity(tmp_path: Path) -> None:
    for order, (first, second) in enumerate((("ttyUSB0", "ttyUSB1"), ("ttyUSB1", "ttyUSB0"))):
        root = tmp_path / str(order)
        plug(root, first, socket="1-1", serial="A")
        plug(root, second, socket="1-2", serial="B")
        assert resolve("usb:A", root).endswith(first)
        assert resolve("usb:B", root).endswith(second)


def test_an_adapter_with_several_lines_is_named_with_the_interface(tmp_path: Path) -> None:
    plug(tmp_path, "ttyUSB0", socket="1-1", serial="QUAD", interface="00")
    plug(tmp_path, "ttyUSB1", socket="1-1", serial="QUAD", interface="01")
    assert resolve("usb:QUAD:01", tmp_path).endswith("ttyUSB1")
    with pytest.raises(DeviceUnknown, match=r"several lines: .*usb:QUAD:00.*usb:QUAD:01"):
        resolve("usb:QUAD", tmp_path)


def test_adapters_that_share_a_number_are_named_by_their_socket(tmp_path: Path) -> None:
    plug(tmp_path, "ttyUSB0", socket="1-1", serial="0001")
    plug(tmp_path, "ttyUSB1", socket="1-2", serial="0001")
    plug(tmp_path, "ttyUSB2", socket="1-3")
    plugged = all_devices(tmp_path)
    assert [identity(d, plugged) for d in plugged] == [
        "path:pci0-usb-0:1-1:1.0-port0",
        "path:pci0-usb-0:1-2:1.0-port0",
        "path:pci0-usb-0:1-3:1.0-port0",
    ]
    with pytest.raises(DeviceUnknown, match="name one of these"):
        resolve("usb:0001", tmp_path)


def test_what_is_not_plugged_in_is_said_with_the_next_step(tmp_path: Path) -> None:
    for device in ("usb:GONE", "path:nowhere"):
        with pytest.raises(DeviceUnknown, match="restpoint ports"):
            resolve(device, tmp_path)


def test_plain_paths_and_addresses_are_taken_as_they_are(tmp_path: Path) -> None:
    for device in ("/dev/serial/by-id/usb-X", "/dev/ttyS0", "socket://h:1", "rfc2217://h:1"):
        assert resolve(device, tmp_path) == device


def test_an_adapter_that_hands_on_in_bunches_gets_a_hint(tmp_path: Path) -> None:
    plug(tmp_path, "ttyUSB0", socket="1-1", latency="16")
    plug(tmp_path, "ttyUSB1", socket="1-2", latency="1")
    slow, quick = all_devices(tmp_path)
    assert "every 16 ms" in devices.latency_hint(slow.latency_ms)
    assert devices.latency_hint(quick.latency_ms) == ""
    assert devices.latency_hint(None) == ""


def test_places_without_a_uart_are_not_listed(tmp_path: Path) -> None:
    fixed(tmp_path, "ttyS0", "4")
    fixed(tmp_path, "ttyS1", "0")
    assert [d.path for d in all_devices(tmp_path)] == [str(tmp_path / "dev/ttyS0")]


def test_every_listed_line_resolves_to_itself(tmp_path: Path) -> None:
    plug(tmp_path, "ttyUSB0", socket="1-1", serial="A:B")
    plug(tmp_path, "ttyUSB1", socket="1-2")
    fixed(tmp_path, "ttyAMA0", "1")
    plugged = all_devices(tmp_path)
    assert len(plugged) == 3
    for device in plugged:
        assert os.path.realpath(resolve(identity(device, plugged), tmp_path)) == device.path


def test_the_holder_of_a_device_is_found_by_pid_and_name() -> None:
    master, slave = os.openpty()
    path = os.ttyname(slave)
    program = "import sys; f = open(sys.argv[1]); print(flush=True); sys.stdin.read()"
    command = [sys.executable, "-c", program, path]
    try:
        assert devices.holders(path) == [], "we ourselves do not count"
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
            assert other.stdout is not None
            other.stdout.readline()
            assert [holder.pid for holder in devices.holders(path)] == [other.pid]
            assert "python" in devices.holders(path)[0].program
            other.kill()
    finally:
        os.close(master)
        os.close(slave)


def test_the_command_prints_lines_to_paste(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plug(tmp_path, "ttyUSB0", socket="1-1", serial="BARN7")
    plugged = all_devices(tmp_path)
    monkeypatch.setattr(devices, "all_devices", lambda: plugged)
    broken = tmp_path / "layouts"
    broken.mkdir()
    (broken / "mine.toml").write_text("nonsense = 1\n")
    assert cli.run(Namespace(json=False, layouts=[broken])) == 0
    text = capsys.readouterr().out
    assert '    device = "usb:BARN7"\n' in text
    assert "every 16 ms" in text
    assert '  layout = "line-plain"  (shipped)' in text
    assert "! cannot be used:" in text
    assert cli.run(Namespace(json=True, layouts=[])) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["ports"][0] | {"notes": []} == {
        "device": "usb:BARN7",
        "path": str(tmp_path / "dev/ttyUSB0"),
        "description": "Some Maker Serial",
        "holders": [],
        "allowed": True,
        "latency_ms": 16,
        "notes": [],
    }
    assert "line-plain" in [driver["layout"] for driver in said["drivers"]]


def test_the_command_says_when_nothing_is_plugged_in(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(devices, "all_devices", list)
    assert cli.run(Namespace(json=False, layouts=[])) == 0
    assert "No serial line is plugged in." in capsys.readouterr().out


def test_an_adapter_without_a_driver_is_named_with_the_module(tmp_path: Path) -> None:
    """A serial chip with no driver bound is told; with one, or a device of another kind, nothing is."""
    folder = tmp_path / "sys/bus/usb/devices"
    for name, vendor, kind, bound in (
        ("1-1", "10c4", "ff", False),
        ("1-2", "0403", "ff", True),
        ("1-3", "ffff", "02", False),
        ("1-4", "ffff", "ff", False),
    ):
        (folder / name).mkdir(parents=True)
        (folder / f"{name}:1.0").mkdir()
        (folder / name / "idVendor").write_text(vendor + "\n")
        (folder / name / "idProduct").write_text("ea60\n")
        (folder / f"{name}:1.0" / "bInterfaceClass").write_text(kind + "\n")
        if bound:
            (folder / f"{name}:1.0" / "driver").mkdir()
    said = devices.without_driver(tmp_path)
    assert [text.partition("modprobe ")[2].partition(";")[0] for text in said] == ["cp210x", "cdc_acm"]
    assert "(10c4:ea60) is plugged in but has no driver" in said[0]


def test_a_device_that_may_not_be_opened_is_explained_with_its_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = tmp_path / "ttyUSB0"
    line.touch()
    assert devices.forbidden(str(line)) == ""
    monkeypatch.setattr(devices.os, "access", lambda _path, _mode: False)
    user = pwd.getpwuid(os.geteuid()).pw_name
    line.chmod(0o600)
    assert "let a udev rule give it to one" in devices.forbidden(str(line))
    line.chmod(0o660)
    for members, told in (
        ([], f"`sudo usermod -aG scales {user}`, and log in again"),
        ([user], "so log in again"),
    ):
        entry = SimpleNamespace(gr_name="scales", gr_mem=members)
        monkeypatch.setattr(grp, "getgrgid", lambda _gid, entry=entry: entry)
        monkeypatch.setattr(devices.os, "stat", lambda _path: SimpleNamespace(st_mode=0o20660, st_gid=4711))
        assert told in devices.forbidden(str(line))
