"""The plan is to scale: areas are loads, the ellipse is the covariance; and it is safe markup."""

from __future__ import annotations

import re
from dataclasses import replace
from math import atan2, cos, pi, radians, sin, sqrt
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import correlated_values

from logger.drawing.car import GLYPHS, MAGNIFICATIONS, car_svg
from logger.drawing.sheet import Nose, ellipse_axes, lay_out
from logger.drawing.terminal import car_text
from logger.drawing.view import (
    CarView,
    PartView,
    WheelLoad,
    age_words,
    centre_covariance,
    contacts_m,
    corner_texts,
    load_texts,
)
from logger.model import Condition
from logger.quantity import Quantity

SVG = "{http://www.w3.org/2000/svg}"
NOSES: tuple[Nose, ...] = ("up", "left")


def wheel(
    mass_kg: float | None, u_kg: float | None = 0.2, condition: Condition = Condition.RESTING
) -> WheelLoad:
    return WheelLoad(load=None if mass_kg is None else Quantity(mass_kg, u_kg, "kg"), condition=condition)


WAGTAIL = CarView(
    wheelbase_m=2.430,
    track_front_m=1.405,
    track_rear_m=1.395,
    loads=(wheel(283.42), wheel(271.90), wheel(203.12), wheel(209.97)),
    total=Quantity(968.41, 0.3, "kg"),
    x_m=1.3934,
    y_m=-0.0093,
    covariance_xy_m2=(4e-6, 1e-6, 1.5e-6),
)


def drawn(view: CarView, nose: Nose, units: str = "kg") -> ET.Element:
    return ET.fromstring(car_svg(view, nose=nose, units=units))


def discs(svg: ET.Element) -> list[ET.Element]:
    return [circle for circle in svg.iter(f"{SVG}circle") if "disc" in circle.get("class", "")]


def number(element: ET.Element, name: str) -> float:
    return float(element.get(name, "nan"))


@pytest.mark.parametrize("nose", NOSES)
def test_disc_areas_are_the_loads_on_the_scale_of_the_key(nose: Nose) -> None:
    svg = drawn(WAGTAIL, nose)
    per_kg = [
        pi * number(d, "r") ** 2 / w.load.value
        for d, w in zip(discs(svg), WAGTAIL.loads, strict=True)
        if w.load
    ]
    assert per_kg == pytest.approx([per_kg[0]] * 4, rel=1e-3)
    key = next(c for c in svg.iter(f"{SVG}circle") if c.get("class") is None)
    assert pi * number(key, "r") ** 2 / 5 == pytest.approx(per_kg[0], rel=0.02), "the key says 5 kg"


@pytest.mark.parametrize("nose", NOSES)
def test_discs_stand_at_the_contact_patches_to_scale(nose: Nose) -> None:
    lf, rf, lr, rr = [np.array([number(d, "cx"), number(d, "cy")]) for d in discs(drawn(WAGTAIL, nose))]
    scale = lay_out(WAGTAIL, nose).scale
    assert np.linalg.norm(lf - rf) / scale == pytest.approx(1.405, abs=2e-3)
    assert np.linalg.norm(lr - rr) / scale == pytest.approx(1.395, abs=2e-3)
    assert np.linalg.norm((lf + rf) / 2 - (lr + rr) / 2) / scale == pytest.approx(2.430, abs=2e-3)
    ahead, left = (lf + rf) - (lr + rr), lf - rf
    assert np.argmax(np.abs(ahead)) == (1 if nose == "up" else 0)
    assert ahead.sum() < 0, "the nose points up, or to the left"
    assert left[0] < 0 if nose == "up" else left[1] > 0, "seen from above, left is on the driver's left"


@settings(deadline=None, max_examples=60)
@given(
    st.floats(1e-8, 1e-2),
    st.floats(1e-8, 1e-2),
    st.floats(-0.99, 0.99),
    st.sampled_from(NOSES),
)
def test_ellipse_is_the_covariance(xx: float, yy: float, correlation: float, nose: Nose) -> None:
    covariance = (xx, correlation * sqrt(xx * yy), yy)
    values, vectors = np.linalg.eigh(np.array([covariance[:2], covariance[1:]]))
    long_m, short_m, angle = ellipse_axes(covariance)
    assert (long_m**2, short_m**2) == pytest.approx((values[1], values[0]), rel=1e-6, abs=1e-12)
    if values[1] > 1.01 * values[0]:
        along = np.array([cos(angle), sin(angle)])
        assert abs(along @ vectors[:, 1]) == pytest.approx(1.0, abs=1e-6)
    view = replace(WAGTAIL, covariance_xy_m2=covariance)
    ellipse = next(drawn(view, nose).iter(f"{SVG}ellipse"))
    times = number(ellipse, "rx") / (2 * long_m * lay_out(view, nose).scale)
    (note,) = (t.text or "" for t in drawn(view, nose).iter(f"{SVG}text") if (t.text or "").startswith("2u"))
    written = int(note.removeprefix("2u").removeprefix(", drawn × ") or 1)
    assert times == pytest.approx(written, rel=1e-2)
    assert written in MAGNIFICATIONS


def test_ellipse_leans_the_way_the_places_scatter() -> None:
    """Places scattered forward-left: on paper, nose up, that is up-left; nose left, it is left-down."""
    view = replace(WAGTAIL, covariance_xy_m2=(1e-4, 0.9e-4, 1e-4))
    for nose, towards in (("up", (-1.0, -1.0)), ("left", (-1.0, 1.0))):
        ellipse = next(drawn(view, nose).iter(f"{SVG}ellipse"))
        turn = radians(float(re.findall(r"rotate\((-?[\d.]+)", ellipse.get("transform", ""))[0]))
        lean = (turn - atan2(towards[1], towards[0])) % pi
        assert min(lean, pi - lean) < radians(1)


def test_covariance_of_the_centre_agrees_with_the_uncertainties_package() -> None:
    loads = [283.42, 271.90, 203.12, 209.97]
    factor = np.array([[0.2, 0, 0, 0], [-0.1, 0.2, 0, 0], [-0.05, 0.02, 0.15, 0], [0.08, -0.03, 0.01, 0.1]])
    covariance = factor @ factor.T
    contacts = contacts_m(2.430, 1.405, 1.395)
    masses = correlated_values(loads, covariance)
    total = sum(masses)
    x, y = (sum(m * at[axis] for m, at in zip(masses, contacts, strict=True)) / total for axis in (0, 1))
    got = centre_covariance(contacts, (x.n, y.n), total.n, covariance.ravel().tolist())
    slopes = [[q.derivatives[v] for v in total.derivatives] for q in (x, y)]
    stds = np.diag([v.std_dev**2 for v in total.derivatives])
    expected = np.array(slopes) @ stds @ np.array(slopes).T
    assert got == pytest.approx((expected[0, 0], expected[0, 1], expected[1, 1]), rel=1e-9)
    assert sqrt(got[0]) == pytest.approx(x.s, rel=1e-9)


NAMES = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=30)


@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.one_of(st.none(), st.floats(-50, 3e4)), min_size=4, max_size=4),
    st.lists(st.sampled_from(Condition), min_size=4, max_size=4),
    NAMES,
    st.sampled_from(("kg", "lb", "kN")),
    st.sampled_from(NOSES),
    st.one_of(st.none(), st.floats(0, 1e6)),
)
def test_any_view_is_well_formed_and_needs_no_inline_style(
    masses: list[float | None],
    conditions: list[Condition],
    name: str,
    units: str,
    nose: Nose,
    age_s: float | None,
) -> None:
    lf, rf, lr, rr = [wheel(m, None, c) for m, c in zip(masses, conditions, strict=True)]
    part = PartView(name=name + "<b>&'\"", mass=Quantity(-3.0, 0.1, "kg"), x_m=0.2, y_m=0.1)
    view = replace(WAGTAIL, loads=(lf, rf, lr, rr), parts=(part,), age_s=age_s)
    svg = drawn(view, nose, units)
    assert not [e.tag for e in svg.iter() if "style" in e.attrib or e.tag in (f"{SVG}style", f"{SVG}script")]
    radii = [number(d, "r") for d in discs(svg)]
    assert all(r < 0.5 * lay_out(view, nose).scale * 1.395 for r in radii), "neighbours do not touch"
    assert part.name in "".join(svg.itertext())
    assert len(car_text(view, units).splitlines()) > 5


@pytest.mark.parametrize("condition", list(Condition))
def test_condition_is_a_word_and_a_shape_beside_its_colour(condition: Condition) -> None:
    view = replace(WAGTAIL, loads=(wheel(283.4, None, condition), *WAGTAIL.loads[1:]))
    svg = drawn(view, "up")
    label = next(g for g in svg.iter(f"{SVG}g") if g.get("data-corner") == "LF")
    assert f"{GLYPHS[condition]} {condition}" in "".join(label.itertext())
    assert f"{condition}." in svg.get("aria-label", "")


def test_no_colour_belongs_to_a_corner() -> None:
    svg = drawn(WAGTAIL, "up")
    assert len({d.get("fill") for d in discs(svg)}) == 1
    colours = set(re.findall(r'(?:fill|stroke)="(#\w+)"', car_svg(WAGTAIL, nose="up", units="kg")))
    assert colours == {"#0b62a4"}


def test_numbers_have_the_digits_their_uncertainty_supports() -> None:
    assert load_texts(Quantity(283.4247, 0.2, "kg"), 0.1, "kg") == ("283.4", "± 0.4")
    assert load_texts(Quantity(283.4247, 0.2, "kg"), 0.1, "lb") == ("624.8", "± 0.9")
    assert load_texts(Quantity(283.4247, None, "kg"), 0.2, "kg") == ("283.4", "")
    assert load_texts(Quantity(283.4247, None, "kg"), 1.0, "kg") == ("283", "")
    assert load_texts(Quantity(-0.26, None, "kg"), 0.1, "kg") == ("−0.3", "")
    assert load_texts(None, 0.1, "kg") == ("—", "")


def test_the_four_loads_have_the_digits_of_the_least_certain() -> None:
    loads = (wheel(283.4247, 0.004), wheel(271.9, 0.2), wheel(None), wheel(209.97, 0.02))
    assert corner_texts(replace(WAGTAIL, loads=loads), "kg") == [
        ("283.4", "± 0.1"),
        ("271.9", "± 0.4"),
        ("—", ""),
        ("210.0", "± 0.1"),
    ]


def test_a_total_without_spread_has_no_more_digits_than_its_loads() -> None:
    moving = WheelLoad(load=Quantity(240.3, None, "kg"), condition=Condition.MOVING, digit_kg=1.0)
    view = replace(WAGTAIL, loads=(moving, *WAGTAIL.loads[1:]), total=Quantity(925.29, None, "kg"))
    assert "Total 925 kg." in drawn(view, "up").get("aria-label", "")
    assert "total 925 kg" in car_text(view, "kg")


@pytest.mark.parametrize("nose", NOSES)
def test_parts_beyond_the_body_stay_on_the_sheet(nose: Nose) -> None:
    """A tow bar and a bumper, each with its ± and number."""
    for x in (-0.9, 3.4):
        cov = (0.01, 0.0, 0.01)
        part = PartView(name="p", mass=Quantity(-9.0, 0.5, "kg"), x_m=x, y_m=0.0, covariance_xy_m2=cov)
        sheet = lay_out(replace(WAGTAIL, parts=(part,)), nose)
        for tip in (x - 0.2, x + 0.2):
            px, py = sheet.at(tip, 0.0)
            assert 0 < px < sheet.width
            assert 0 < py < sheet.height


def test_old_readings_say_their_age_and_fade() -> None:
    old = replace(WAGTAIL.loads[3], condition=Condition.SILENT, age_s=12.3)
    svg = drawn(replace(WAGTAIL, loads=(*WAGTAIL.loads[:3], old)), "up")
    label = next(g for g in svg.iter(f"{SVG}g") if g.get("data-corner") == "RR")
    assert "silent, 12 s old" in "".join(label.itertext())
    assert [d.get("opacity") for d in discs(svg)] == [None, None, None, "0.4"]
    whole = drawn(replace(WAGTAIL, age_s=400), "left")
    assert "7 min old" in "".join(whole.itertext())
    assert [g.get("opacity") for g in whole.findall(f"{SVG}g")] == ["0.4"]
    assert [age_words(s) for s in (0, 119, 150, 7300, 200_000)] == [
        "0 s old", "119 s old", "2 min old", "2 h old", "2 days old",
    ]  # fmt: skip


def test_what_is_too_light_to_locate_is_listed_and_not_drawn() -> None:
    parts = (
        PartView(name="spare wheel", mass=Quantity(-14.2, 0.1, "kg"), x_m=-0.3, y_m=0.0),
        PartView(name="sound mats", mass=Quantity(-6.31, 0.12, "kg")),
    )
    words = " ".join(drawn(replace(WAGTAIL, parts=parts), "up").itertext())
    assert "1 spare wheel −14.20 ± 0.20 kg" in words
    assert "2 sound mats −6.31 ± 0.24 kg, too light to locate" in words
    rings = [
        c
        for c in drawn(replace(WAGTAIL, parts=parts), "up").iter(f"{SVG}circle")
        if c.get("stroke-dasharray")
    ]
    assert len(rings) == 1


def test_a_car_that_nobody_measured_is_not_said_to_be_to_scale() -> None:
    words = "".join(drawn(replace(WAGTAIL, to_scale=False), "up").itertext())
    assert "wheelbase and tracks not known" in words
    assert "0.5 m" not in words


def test_terminal_plan() -> None:
    parts = (
        PartView(name="spare wheel", mass=Quantity(-17.4, 0.1, "kg"), x_m=-0.43, y_m=-0.05),
        PartView(name="driver", mass=Quantity(71.0, 0.1, "kg"), x_m=1.04, y_m=0.36),
        PartView(name="mats", mass=Quantity(-1.0, 0.4, "kg")),
        PartView(name="battery", mass=Quantity(-10.0, 0.1, "kg"), x_m=1.44, y_m=0.01),
    )
    text = car_text(replace(WAGTAIL, parts=parts), "kg")
    assert text.splitlines() == [
        "                                  nose",
        "          LF 283.4 ± 0.4 kg  ●──────┊──────●  RF 271.9 ± 0.4 kg",
        "                                    ┊",
        "                                    ┊",
        "                                    ┊",
        "                                    ┊",
        "                                    +4",
        "                                    ┊",
        "                                2   ┊",
        "                                    ┊",
        "                                    ┊",
        "                                    ┊",
        "                                    ┊",
        "          LR 203.1 ± 0.4 kg  ●──────┊──────●  RR 210.0 ± 0.4 kg",
        "",
        "                                    1",
        "                          total 968.4 ± 0.6 kg",
        "                            + centre of mass",
        "1 spare wheel −17.40 ± 0.20 kg",
        "2 driver +71.00 ± 0.20 kg",
        "3 mats −1.0 ± 0.8 kg, too light to locate",
        "4 battery −10.00 ± 0.20 kg",
    ]
    moving = (replace(WAGTAIL.loads[0], condition=Condition.MOVING), *WAGTAIL.loads[1:])
    assert "≈ moving" in car_text(replace(WAGTAIL, loads=moving), "kg")


def test_parts_far_out_are_drawn_at_the_edge_and_none_hides_another() -> None:
    spots = ((4.9, 0.0), (4.9, 0.0), (-3.0, 0.9), (2.43, 0.7))
    parts = tuple(
        PartView(name=f"p{n}", mass=Quantity(5.0, 0.1, "kg"), x_m=x, y_m=y) for n, (x, y) in enumerate(spots)
    )
    drawing = car_text(replace(WAGTAIL, parts=parts), "kg").partition("total")[0]
    assert drawing.splitlines()[1].strip(" ┊") == "12"
    assert [line.strip() for line in drawing.splitlines() if line.strip()][-1] == "3"
