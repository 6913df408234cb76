"""The report as somebody else would get it: whole in one file, numbers with unit and ±, doubts said."""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import replace
from hashlib import sha256

import numpy as np
import pytest
from report.reading import assert_self_contained, read
from report.wagtail import BASE, wagtail

from logger.cautions import CAUTIONS, GENERAL
from logger.quantity import Quantity, decimals
from logger.report.data import GapRow, ReportData
from logger.report.figures import settle_drawings
from logger.report.markup import number, plain
from logger.report.render import render
from logger.report.words import cross_sentence, result_sentence


@pytest.fixture(scope="module")
def data() -> ReportData:
    return wagtail()


@pytest.fixture(scope="module")
def html(data: ReportData) -> str:
    return render(data)


def test_is_one_file_that_asks_for_nothing(html: str) -> None:
    assert_self_contained(read(html))


def test_policy_allows_just_its_own_style_and_script(html: str) -> None:
    reader = read(html)
    policy = next(value for tag, name, value in reader.attributes if tag == "meta" and "default-src" in value)
    for kind in ("style", "script"):
        digest = b64encode(sha256(reader.inside[kind].encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert html.count("<style") == html.count("<script") == 1


def spread_of(text: str) -> tuple[str, str, str]:
    found = re.fullmatch(r"(−?[\d.]+) ± ([\d.]+) (kg|lb|mm|in|%|N·m/rad|lbf·ft/deg)", text)
    assert found, text
    return found[1], found[2], found[3]


@pytest.mark.parametrize("units", ["kg", "lb"])
def test_every_number_has_its_unit_and_no_digit_too_many(units: str) -> None:
    reader = read(render(wagtail(units)))
    assert len(reader.data) > 100
    for cell in reader.data:
        value, spread, unit = spread_of(cell["text"])
        assert unit == cell["data-unit"]
        assert unit in {"kg": ("kg", "%", "mm", "N·m/rad"), "lb": ("lb", "%", "in", "lbf·ft/deg")}[units]
        places = decimals(2 * float(cell["data-u"]))
        assert len(value.partition(".")[2]) == len(spread.partition(".")[2]) == max(places, 0)
        assert float(value.replace("−", "-")) == pytest.approx(float(cell["value"]), abs=0.51 * 10.0**-places)
        assert float(spread) == pytest.approx(2 * float(cell["data-u"]), rel=0.26)


def test_pounds_and_kilograms_are_the_same_car() -> None:
    kg, lb = (read(render(wagtail(units))).data for units in ("kg", "lb"))
    assert len(kg) == len(lb)
    for one, other in zip(kg, lb, strict=True):
        turning = 0.45359237 * 9.80665 * 0.3048 * 180 / np.pi
        factor = {"kg": 0.45359237, "mm": 25.4, "%": 1.0, "N·m/rad": turning}[one["data-unit"]]
        assert float(other["value"]) * factor == pytest.approx(float(one["value"]), rel=1e-8, abs=1e-8)


def test_says_the_result_before_all_else(html: str, data: ReportData) -> None:
    text = read(html).text
    build = next(b for b in data.builds if b.label == data.headline)
    assert f"weighs {build.total.text()}".replace(" ", " ") in result_sentence(data).replace("\xa0", " ")
    places = [
        text.index(w) for w in ("weighs", "What is doubtful", "Build by build", "What changed", "SHA-256")
    ]
    assert places == sorted(places)


def test_says_that_two_facings_leave_the_twist(html: str) -> None:
    assert "Averaging two facings does not remove floor twist" in read(html).text


def test_says_that_the_car_is_invented_only_when_it_is(html: str, data: ReportData) -> None:
    assert "are invented" in read(html).text
    real = replace(data, car=replace(data.car, invented=False))
    assert "are invented" not in read(render(real)).text


def test_names_every_change_with_its_place_or_why_there_is_none(html: str, data: ReportData) -> None:
    text = read(html).text.replace("\xa0", " ")
    for change in data.changes:
        assert change.name in text
    assert "too light to locate" in text
    assert "310 ± 50 mm behind the rear axle" in text


def test_tells_what_pads_did_not_do_well(html: str) -> None:
    text = read(html).text
    assert "P3: samples missing for 11.5 s from minute 9.0 (silent, 115 samples)." in text
    assert "not told" in text  # P4's stream cannot count lost frames
    assert "2471" in text


def test_hundreds_of_short_gaps_are_one_sentence(data: ReportData) -> None:
    lost = tuple(GapRow(from_s=60 + n, to_s=60.25 + n, cause="lost_frames", count=2) for n in range(300))
    longest = GapRow(from_s=540, to_s=551.5, cause="lost_frames", count=115)
    once = GapRow(from_s=30, to_s=31, cause="silent", count=1)
    first, *others = data.pads
    text = read(render(replace(data, pads=(replace(first, gaps=(*lost, longest, once)), *others)))).text
    assert (
        f"{first.pad}: samples missing 301 times, 86.5 s in all, at most 11.5 s from minute 9.0 "
        "(lost frames, 715 samples)." in text
    )
    assert f"{first.pad}: samples missing for 1.0 s from minute 0.5 (silent, 1 sample)." in text
    assert text.count(f"{first.pad}: samples missing") == 2


def test_shows_the_cautions_that_fit_and_the_general_ones(html: str, data: ReportData) -> None:
    text = read(html).text
    for n in CAUTIONS:
        assert (CAUTIONS[n] in text) == (n in {*GENERAL, *data.cautions})


def test_names_journal_segments_with_their_hashes(html: str, data: ReportData) -> None:
    text = read(html).text
    for segment in data.provenance.segments:
        assert segment.name in text
        assert segment.sha256 in text
    assert data.provenance.config_id in text


def test_text_from_people_is_text_and_not_markup(data: ReportData) -> None:
    bad = "<script>x</script>&\"'"
    first = replace(data.builds[0], label=bad, sentences=(bad,), aboard=(bad,))
    odd = replace(
        data,
        job=replace(data.job, title=bad, who=bad),
        builds=(first, *data.builds[1:]),
        headline=bad,
        doubts=(bad,),
        changes=(replace(data.changes[0], name=bad, note=bad),),
        conditions=replace(data.conditions, notes=(bad,), fuel_note=bad),
    )
    html = render(odd)
    assert html.count("<script") == 1
    assert bad in read(html).text


def test_a_report_of_nothing_says_so(data: ReportData) -> None:
    nothing = ReportData(
        job=data.job, car=data.car, builds=(), captures=(), placements=(), provenance=data.provenance
    )
    text = read(render(nothing)).text
    assert "Wagtail has not been weighed: no rest was taken." in text
    assert "not noted" in text


def test_a_car_without_known_tracks_is_still_reported(data: ReportData) -> None:
    bare = tuple(replace(b, x=None, y=None, covariance_xy_m2=None) for b in data.builds)
    car = replace(data.car, wheelbase_m=None, track_front_m=None, track_rear_m=None)
    text = read(render(replace(data, builds=bare, car=car))).text
    assert "a middling car is drawn" in text
    assert "—" in text


def test_the_floor_is_shown_as_measured_and_as_solved(data: ReportData) -> None:
    """Heights of the four spots, slopes, twist, what it does to cross and the stiffness, each with its ±."""
    told = read(render(data)).text.partition("The floor")[2].partition("Rests taken")[0]
    for said in (
        "S4right rear6.0 ± 2.0 mm",
        "4.5 ± 1.4 mm",
        "From the measured heights",
        "19000 ± 6000 N·m/rad",
    ):
        assert said in told
    assert "Twist, as one corner out of the others' plane6 ± 4 mm" in told
    assert "What the twist adds to cross weight−0.8 ± 0.7 %" in told
    assert data.floor is not None
    bare = tuple(replace(spot, measured=None) for spot in data.floor.spots)
    guessed = read(render(replace(data, floor=replace(data.floor, spots=bare, turned=False)))).text
    assert "Nobody measured the heights: slopes and twist are an allowance, no finding." in guessed
    assert "height measured" not in guessed
    assert "The floor" not in read(render(replace(data, floor=None))).text


def test_an_unknown_uncertainty_is_not_passed_off_as_none() -> None:
    assert "±?" in number(Quantity(12.0, None, "kg"), "kg")


@pytest.mark.parametrize(
    ("share", "u", "said"),
    [
        (0.512, 0.002, "1.2 ± 0.4 %, right front and left rear carry more than half"),
        (0.488, 0.002, "1.2 ± 0.4 % below half, left front and right rear carry more"),
        (0.503, 0.002, "no wedge can be told"),
        (0.503, None, "is not known"),
    ],
)
def test_wedge_is_only_told_where_it_can_be(share: float, u: float | None, said: str) -> None:
    assert said in cross_sentence(Quantity(share, u, "1"), "kg").replace("\xa0", " ")


def test_numbers_in_sentences_do_not_break_at_a_line_end() -> None:
    assert " " not in plain(Quantity(BASE.mass, 0.3, "kg"), "kg")


def test_no_corner_has_a_colour_of_its_own(data: ReportData) -> None:
    drawn = settle_drawings(data.settles[0], "kg")
    assert re.findall(r'class="line (s\d)"', drawn)[:4] == ["s6", "s1", "s2", "s3"]
