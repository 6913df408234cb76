"""A recording by others as it was captured: six channels of converter counts read by a layout."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path
from statistics import fmean

from support import shared_data

from drivers.api import Frame, Reject
from drivers.calibration import Point, fit
from drivers.conformance import run
from drivers.layout import load_layout

LB_KG = 0.45359237


def test_every_line_is_read_and_the_steps_are_ten_pounds() -> None:
    raw = shared_data("hx711_staircase", "LoadCellCalibrationData.txt").read_bytes()
    items = run(
        load_layout(Path(__file__).parent / "staircase.toml").driver(), raw, [4096] * (len(raw) // 4096)
    )
    lines = raw.decode("ascii").splitlines()
    rejects = [item for item in items if isinstance(item, Reject)]
    assert b"".join(item.raw for item in items) == raw
    wild = [line for line in lines if any(abs(int(cell)) > 8_000_000 for cell in line.split(",")[10:])]
    assert [item.raw.decode("ascii").strip() for item in rejects] == wild

    channels: dict[str | None, list[int | None]] = defaultdict(list)
    for item in items:
        if isinstance(item, Frame):
            channels[item.address].append(item.counts)
    rows = list(csv.reader(line for line in lines if line not in wild))
    for n in range(6):
        assert channels[f"LC{n + 1}"] == [int(row[10 + n]) for row in rows]


def test_calibration_of_the_first_cell() -> None:
    # plateau means as published with the recording; nominal 1000 counts per pound (author)
    with shared_data("hx711_staircase", "truth_plateaus.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["pad"] == "LC1"]
    points = [
        Point(mass_kg=float(row["nominal_lb"]) * LB_KG, counts=float(row["mean_counts"]), u_counts=10.0)
        for row in rows
    ]
    line = fit(points)
    assert abs(line.slope * LB_KG / 1000 - 1) < 0.01
    loaded = fmean(float(row["mean_counts"]) for row in rows if float(row["nominal_lb"]) == 40)
    assert abs(line.mass_kg(loaded) - 40 * LB_KG) < 3 * line.u_kg(loaded, 10.0)
