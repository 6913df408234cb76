"""`restpoint ports`: serial lines that are plugged in and drivers that can be named, as lines to paste."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drivers.registry import Known
    from logger.devices import Device


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "--layouts", type=Path, action="append", default=[], metavar="FOLDER", help="also list layouts here"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def run(args: argparse.Namespace) -> int:
    """Print the lists; 0 even when they are empty."""
    from drivers.registry import listing
    from logger.devices import all_devices, without_driver

    lost = without_driver()
    plugged = all_devices()
    lines = [line_of(device, plugged) for device in plugged]
    known = [driver_of(driver) for driver in listing(args.layouts)]
    if args.json:
        print(json.dumps({"schema": 1, "ports": lines, "without_driver": lost, "drivers": known}, indent=1))
    else:
        missing = ["", *(f"  ! {text}" for text in lost)] if lost else []
        print("\n".join([*_ports_text(lines), *missing, "", *_drivers_text(known)]))
    return 0


def line_of(device: Device, plugged: list[Device]) -> dict[str, Any]:
    """What is to be said of one serial line."""
    from logger.devices import identity, latency_hint

    notes = [f"held by {holder}: end that program first" for holder in device.holders]
    if device.forbidden:
        notes.append(device.forbidden)
    if hint := latency_hint(device.latency_ms):
        notes.append(hint)
    return {
        "device": identity(device, plugged),
        "path": device.path,
        "description": device.description,
        "holders": [{"pid": holder.pid, "program": holder.program} for holder in device.holders],
        "allowed": not device.forbidden,
        "latency_ms": device.latency_ms,
        "notes": notes,
    }


def driver_of(driver: Known) -> dict[str, str]:
    """What is to be said of one layout or plug-in."""
    return {"layout": driver.name, "origin": driver.origin, "about": driver.about, "fault": driver.fault}


def _ports_text(lines: list[dict[str, Any]]) -> list[str]:
    if not lines:
        return [
            "No serial line is plugged in.",
            'Lines over the network are written as device = "socket://host:port" or "rfc2217://host:port".',
        ]
    text = ["Serial lines; paste the device line of yours into its [[port]]:"]
    for line in lines:
        text += ["", f"  {line['path']}  {line['description']}", f'    device = "{line["device"]}"']
        text += [f"    ! {note}" for note in line["notes"]]
    return text


def _drivers_text(known: list[dict[str, str]]) -> list[str]:
    text = ["Layouts and plug-ins, for the same [[port]]:", ""]
    for driver in known:
        text.append(f'  layout = "{driver["layout"]}"  ({driver["origin"]}) {driver["about"]}'.rstrip())
        if driver["fault"]:
            text += [f"    ! cannot be used: {part}" for part in driver["fault"].splitlines()]
    return text
