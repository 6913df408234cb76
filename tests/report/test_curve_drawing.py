"""Curves: no spike is lost in thinning, breaks stay, ticks are round, bad data do no harm."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.drawing.curves import EQUALS, Axis, Band, Chart, Rule, Span, Trace, chart_svg
from logger.drawing.numbers import extremes, log_ticks, nice_step, tick_text, ticks


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400),
    st.integers(1, 40),
    st.randoms(use_true_random=False),
)
@settings(deadline=None, max_examples=60)
def test_thinning_keeps_every_bucket_s_extremes_and_both_ends(values, buckets, random) -> None:
    x = np.sort([random.uniform(0, 100) for _ in values])
    y = np.array(values)
    keep = extremes(x, y, buckets)
    tx, ty = x[keep], y[keep]
    assert len(tx) <= max(2 * buckets + 2, len(x) if len(x) <= 2 * buckets else 0)
    assert (tx[0], ty[0]) == (x[0], y[0])
    assert (tx[-1], ty[-1]) == (x[-1], y[-1])
    assert (ty.min(), ty.max()) == (y.min(), y.max())
    assert np.all(np.diff(tx) >= 0)
    assert set(zip(tx, ty, strict=True)) <= set(zip(x, y, strict=True))


def test_a_single_spike_in_half_a_million_samples_is_drawn() -> None:
    y = np.zeros(500_000)
    y[123_456] = 7.0
    y[300_000] = -3.0
    trace = Trace(x=np.arange(500_000) / 80, y=y)
    svg = chart_svg(
        Chart(summary="", x=Axis(label="t"), y=Axis(label="v", low=-10, high=10), traces=(trace,))
    )
    d = re.search(r'class="line[^"]*" d="M\d+ (\d+)l([^"]+)"', svg)
    assert d
    heights = np.cumsum([int(d[1])] + [int(n) for n in d[2].split()[1::2]])
    assert heights.min() < heights[0] < heights.max()
    assert len(svg) < 40_000


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(2, 9))
@settings(deadline=None, max_examples=80)
def test_ticks_are_round_and_inside(low: float, width: float, about: int) -> None:
    high = low + width
    found = ticks(low, high, about)
    step = nice_step((high - low) / about)
    assert 0 <= len(found) <= about + 2
    assert all(low - 1e-6 * width <= t <= low + width + 1e-6 * width for t in found)
    assert all(abs(t - round(t / step) * step) < 1e-9 * max(1.0, abs(t)) for t in found)


def test_round_steps() -> None:
    assert [nice_step(s) for s in (0.11, 0.2, 0.9, 1, 3, 70, 0)] == [0.2, 0.2, 1, 1, 5, 100, 1]
    assert log_ticks(0.1, 30) == pytest.approx([0.1, 0.2, 0.5, 1, 2, 5, 10, 20])
    assert [tick_text(v, 0.5) for v in (-0.5, 0, 10)] == ["−0.5", "0.0", "10.0"]


def parts(svg: str, name: str) -> list[ElementTree.Element]:
    return [e for e in ElementTree.fromstring(svg).iter() if name in e.get("class", "").split()]


def test_a_missing_value_and_a_jump_break_the_line() -> None:
    trace = Trace(x=[0, 1, 2, 3, 9, 10], y=[1, 2, float("nan"), 1, 2, 3], break_after=3.0)
    (line,) = parts(chart_svg(Chart(summary="", x=Axis(label=""), y=Axis(label=""), traces=(trace,))), "line")
    assert str(line.get("d")).count("M") == 3


def test_two_traces_differ_by_dash_and_carry_their_names() -> None:
    traces = tuple(Trace(x=[0, 1], y=[k, k + 0.01], label=f"P{k}", style=EQUALS[k]) for k in range(4))
    svg = chart_svg(
        Chart(summary="four", x=Axis(label="t", unit="s"), y=Axis(label="m", unit="kg"), traces=traces)
    )
    assert {tuple(str(p.get("class")).split()) for p in parts(svg, "line")} == {
        ("line", f"s{k}") for k in EQUALS[:4]
    }
    words = "".join(ElementTree.fromstring(svg).itertext())
    assert all(f"P{k}" in words for k in range(4))
    assert "t, s" in words
    assert "m, kg" in words


def test_labels_never_cover_each_other() -> None:
    traces = tuple(Trace(x=[0, 1], y=[1.0, 1.0], label=f"P{k}", style=k) for k in range(9))
    svg = chart_svg(Chart(summary="", x=Axis(label=""), y=Axis(label=""), traces=traces))
    heights = sorted(
        float(str(e.get("y"))) for e in ElementTree.fromstring(svg).iter() if (e.text or "").startswith("P")
    )
    assert len(heights) == 9
    assert min(np.diff(heights)) > 12


@pytest.mark.parametrize("values", [[], [float("nan")] * 3, [5.0], [5.0, 5.0, 5.0], [float("inf"), 1.0, 2.0]])
@pytest.mark.parametrize("log", [False, True])
def test_poor_data_give_a_drawing_all_the_same(values: list[float], log: bool) -> None:
    x = list(range(len(values)))
    chart = Chart(
        summary="poor <data>",
        x=Axis(label="t"),
        y=Axis(label="v", log=log),
        traces=(
            Trace(x=x, y=values, label="a"),
            Trace(x=x, y=values, look="dots"),
            Trace(x=x, y=values, look="steps"),
        ),
        bands=(Band(x=x, low=values, high=values),),
        spans=(Span(low=-5, high=50, label="rest"),),
        rules=(Rule(at=1.0, label="limit"), Rule(at=0.5, label="now", axis="x")),
    )
    svg = chart_svg(chart)
    assert ElementTree.fromstring(svg).get("aria-label") == "poor <data>"
    assert "nan" not in svg.replace("aria-label", "")
    assert "inf" not in svg


def test_a_stream_full_of_holes_is_thinned_all_the_same() -> None:
    y = np.random.default_rng(1).normal(0, 1, 200_000)
    y[::7] = np.nan
    y[100_000:120_000] = np.nan
    trace = Trace(x=np.arange(200_000) / 80, y=y)
    svg = chart_svg(Chart(summary="", x=Axis(label="t"), y=Axis(label="v"), traces=(trace,)))
    (line,) = parts(svg, "line")
    assert str(line.get("d")).count("M") == 2  # the one hole wide enough to be seen
    assert len(svg) < 60_000
