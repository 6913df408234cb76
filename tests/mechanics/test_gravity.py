"""Normal gravity against published values and boule, and what a move does to a reading."""

from __future__ import annotations

import pytest

from logger.mechanics.gravity import corrected, normal_gravity, shown_over_true
from logger.quantity import Quantity


def test_published_values():
    """grav.grs80 (Moritz), grav.wgs84 (NIMA TR8350.2), grav.lats (closed form), grav.45.cfr (40 CFR 1065).

    The last is a series cut off after sin⁸; the closed form lies 1.05e-10 beside it.
    """
    assert [normal_gravity(p) for p in (0, 90)] == pytest.approx([9.7803267715, 9.8321863685], abs=1e-10)
    wgs = [normal_gravity(p, ellipsoid="WGS84") for p in (0, 90)]
    assert wgs == pytest.approx([9.7803253359, 9.8321849378], abs=2e-10)
    by_latitude = [normal_gravity(p) for p in (15, 30, 60, 75)]
    assert by_latitude == pytest.approx([9.7837863977, 9.7932487036, 9.819178385, 9.8286980585], abs=1e-9)
    assert normal_gravity(45) == pytest.approx(9.8061992026, abs=1.1e-10)
    assert normal_gravity(-30) == normal_gravity(30)


def test_with_height():
    """grav.heights: boule 0.6.0, exact ellipsoidal (from memory; number reproduced by script)."""
    places = [(45, 0), (45, 1500), (45, 3000), (45, 4300), (38.84, 2862), (38.84, 4302)]
    expected = [9.8061992, 9.8015724, 9.7969489, 9.7929445, 9.791843, 9.787406]
    assert [normal_gravity(*p) for p in places] == pytest.approx(expected, abs=2e-6)


def test_against_boule():
    """The installed boule, over latitudes and heights where cars are weighed."""
    import boule

    for latitude in (-60.0, 0.0, 23.0, 52.3, 70.0):
        for height in (0.0, 800.0, 2500.0, 5000.0):
            for name, ellipsoid in (("GRS80", boule.GRS80), ("WGS84", boule.WGS84)):
                exact = float(ellipsoid.normal_gravity((0.0, latitude, height), si_units=True))
                assert normal_gravity(latitude, height, name) == pytest.approx(exact, abs=1e-6)


def test_pads_calibrated_elsewhere():
    """grav.ratio: what pads calibrated at 52.3°, 80 m show of a 1,200 kg car (ratio g_B/g_A)."""
    home = (52.3, 80.0)
    sites = [(46.0, 1500.0), (46.0, 2500.0), (38.84, 2862.0), (38.84, 4302.0)]
    shown = [1200 * (shown_over_true(home, site).value - 1) for site in sites]
    assert shown == pytest.approx([-1.2247, -1.6017, -2.5253, -3.0678], abs=1e-3)
    back = corrected(Quantity(1200 + shown[3], 0.2, "kg"), home, sites[3])
    assert back.value == pytest.approx(1200)
    assert 0.2 < back.u < 0.3


def test_the_approximate_formula_agrees_within_its_claim():
    """grav.npl: 9.780327(1+0.0053024 sin²L − 0.0000058 sin²2L) − 3.086e-6 H, claimed to 5e-5 (NPL)."""
    from math import radians, sin

    for latitude, height in ((52.0, 0.0), (10.0, 500.0), (45.0, 3000.0)):
        phi = radians(latitude)
        about = 9.780327 * (1 + 0.0053024 * sin(phi) ** 2 - 0.0000058 * sin(2 * phi) ** 2) - 3.086e-6 * height
        assert normal_gravity(latitude, height) == pytest.approx(about, rel=5e-5)


def test_places_that_are_not_on_earth():
    with pytest.raises(ValueError, match="latitude 95°"):
        normal_gravity(95)
    with pytest.raises(ValueError, match="height 20000 m"):
        normal_gravity(45, 20000)
