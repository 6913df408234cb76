"""A car's file: every key in every unit, and what is wrong with it told by line."""

from __future__ import annotations

import numpy as np
import pytest

from logger.car_file import read_car
from logger.typed_toml import ConfigError

CAR = 'name = "Wagtail"\nwheelbase_m = 2.430\ntrack_front_m = 1.405\ntrack_rear_m = 1.395\n'


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("wheelbase_mm = 2.43", "0.00243 m; a wheelbase or track lies between"),
        ("wheelbase_m = 2.4\nwheelbase_in = 95", "given twice"),
        ("wheelbsae_m = 2.4", "did you mean 'wheelbase_m'"),
        ("wheelbase_m = true", "should be a number, not True"),
        ("track_rear_m = -1.4", "cannot be negative"),
        ("[springs]\nwheel_front_N_per_mm = 20", "both needed"),
        ("[springs]\nwheel_front_N_per_mm = 0\nwheel_rear_N_per_mm = 20", "above zero"),
        ("floor = 3", "should be a table"),
        ('[floor]\nheights_mm = { S1 = "low" }', "should be a height"),
        ("[pads]\ngain = 0.1", "did you mean 'gain_u'"),
        ("[pads]\ngain_u = 0.05", "more than 0.02 cannot be: it is a share of 1, 0.01 is 1 %"),
        ("cg_height_in = 520", "more than 118.11 cannot be: check the unit in the key's ending"),
        ("[floor]\nheights_m = { S1 = 0, S2 = 1.5 }", "differ by more than 0.5 m in height"),
        ("[floor]\nheight_u_m = 1", "more than 0.5 cannot be"),
        ("name = 3", "should be text in quotes"),
        ("wheelbase_m = ", "is not TOML"),
    ],
)
def test_cars_that_cannot_be_read(tmp_path, line, sentence):
    file = tmp_path / "car.toml"
    file.write_text(line + "\n")
    with pytest.raises(ConfigError, match=sentence):
        read_car(file)


def test_springs_need_the_tracks(tmp_path):
    file = tmp_path / "car.toml"
    file.write_text("[springs]\nwheel_front_N_per_mm = 20\nwheel_rear_N_per_mm = 20\n")
    with pytest.raises(ConfigError, match="only with wheelbase and both tracks"):
        read_car(file)


def test_spring_rates_in_every_unit(tmp_path):
    """unit.5 (lbf/in = 175.12683524647636 N/m, NIST SP 811 B.8) through a car's file."""
    stiff = []
    for i, (unit, rate) in enumerate(
        (("N_per_m", 24_000.0), ("N_per_mm", 24.0), ("lbf_per_in", 24_000 / 175.12683524647636))
    ):
        file = tmp_path / f"{i}.toml"
        file.write_text(CAR + f"[springs]\nwheel_front_{unit} = {rate!r}\nwheel_rear_{unit} = {rate!r}\n")
        stiff.append(read_car(file).known.stiffness_Nm_per_rad)
    assert stiff == pytest.approx([stiff[0]] * 3, rel=1e-12)
    file.write_text(CAR + f"warp_stiffness_lbf_ft_per_deg = {stiff[0] / 77.68264622747556!r}\n")
    assert read_car(file).known.stiffness_Nm_per_rad == pytest.approx(stiff[0], rel=1e-8)


def test_everything_a_cars_file_can_say(tmp_path):
    file = tmp_path / "car.toml"
    file.write_text(
        CAR
        + "cg_height_in = 20\ncg_height_u_mm = 15\n"
        + "warp_stiffness_Nm_per_deg = 300\nwarp_stiffness_u_Nm_per_rad = 900\n"
        + "[allowances]\nslope_u_mm_per_m = 2\ntwist_u_in = 0.05\n"
    )
    car = read_car(file)
    assert car.known.cg_height_m == pytest.approx(0.508)
    assert car.known.cg_height_u_m == pytest.approx(0.015)
    assert car.known.stiffness_Nm_per_rad == pytest.approx(300 * 180 / np.pi)
    assert car.known.gain_u is None
    file.write_text("[pads]\ngain_u = 0\n")
    assert read_car(file).known.gain_u == 0
    assert car.allowances.slope == pytest.approx(0.002)
    assert car.allowances.twist_m == pytest.approx(0.00127)
