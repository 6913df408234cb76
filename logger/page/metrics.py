"""The daemon's counts in the text form that Prometheus reads (exposition format 0.0.4)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from logger.model import ILL

Line = tuple[str, dict[str, str], float]

KINDS = {
    "restpoint_port_open": ("gauge", "1 while the port delivers, 0 otherwise"),
    "restpoint_port_bytes_total": ("counter", "Bytes read from the port"),
    "restpoint_port_losses_total": ("counter", "Times the port was lost"),
    "restpoint_port_dropped_bytes_total": ("counter", "Bytes read and not taken"),
    "restpoint_frames_total": ("counter", "Frames decoded"),
    "restpoint_rejects_total": ("counter", "Pieces refused, by reason"),
    "restpoint_journal_waiting_bytes": ("gauge", "Bytes in memory that are not yet durable"),
    "restpoint_store_dropped_total": ("counter", "Records left to be made from the journal"),
    "restpoint_pad_well": ("gauge", "1 while the pad delivers readings, 0 otherwise"),
    "restpoint_trouble": ("gauge", "1 while a part of the PC has failed, 0 once it is restored"),
}
"""Every name that is given out; names are only ever added."""
DELIVERS = ("opened", "restored")


def prometheus(health: dict[str, Any]) -> str:
    """Write the daemon's `health()` as text; what is not there is left away."""
    lines = list(_lines(health))
    text = []
    for name, (kind, help_text) in KINDS.items():
        mine = [line for line in lines if line[0] == name]
        if mine:
            text += [f"# HELP {name} {help_text}", f"# TYPE {name} {kind}"]
            text += [f"{name}{_labels(labels)} {value:.15g}" for _, labels, value in mine]
    return "\n".join(text) + "\n"


def _lines(health: dict[str, Any]) -> Iterator[Line]:
    for port, told in health.get("ports", {}).items():
        label = {"port": port}
        yield "restpoint_port_open", label, told["state"] in DELIVERS
        yield "restpoint_port_bytes_total", label, told["bytes_read"]
        yield "restpoint_port_losses_total", label, told["losses"]
        yield "restpoint_port_dropped_bytes_total", label, told["bytes_dropped"]
    for port, told in health.get("streams", {}).items():
        yield "restpoint_frames_total", {"port": port}, told["frames"]
        for reason, count in told["rejects"].items():
            yield "restpoint_rejects_total", {"port": port, "reason": reason}, count
    for key, name in (
        ("journal_waiting_bytes", "restpoint_journal_waiting_bytes"),
        ("store_dropped", "restpoint_store_dropped_total"),
    ):
        if key in health:
            yield name, {}, health[key]
    for pad, told in health.get("pads", {}).items():
        yield "restpoint_pad_well", {"pad": pad}, told["condition"] not in ILL
    for part, told in health.get("troubles", {}).items():
        yield "restpoint_trouble", {"part": part}, told["state"] == "failed"


def _labels(labels: dict[str, str]) -> str:
    pairs = [f'{name}="{_escaped(value)}"' for name, value in labels.items()]
    return "{" + ",".join(pairs) + "}" if pairs else ""


def _escaped(value: str) -> str:
    return value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
