"""A known mass on each pad: gains told where the mass is heavy enough, refused where it is not."""

from __future__ import annotations

import pytest

from logger.cli import main
from logger.guide.mass_check import mass_check


def test_a_heavy_mass_tells_a_gain_and_a_light_one_is_refused() -> None:
    heavy = ["P1=250.5,250.6,250.5", "P2=250.0,250.0,250.1"]
    told = "\n".join(mass_check("250 ± 0.05 kg", heavy, "kg"))
    assert "P1 reads 0.2" in told
    assert "it is off and may be corrected" in told
    assert "within what the check can tell" in told
    light = "\n".join(mass_check("20 ± 0.02 kg", ["P1=20.1,20.0", "P2=20.0,20.0"], "kg"))
    assert "too light to calibrate with" in light
    assert "No gain is changed on P1, P2" in light


def test_one_reading_corrects_nothing_and_pounds_are_noticed() -> None:
    once = "\n".join(mass_check("250 ± 0.05 kg", ["P1=250.5", "P2=250.5,250.5"], "kg"))
    assert "by one reading: put it on again" in once
    assert "P2 reads 0.20 ± 0.03 % against 250 kg: it is off and may be corrected" in once
    assert "No gain is changed on P1: this check" in once
    pounds = "\n".join(mass_check("40 kg", ["P1=88.2,88.1kg"], "kg"))
    assert "P1 reads 2.2 times 40 kg: were values in lb entered as kg?" in pounds
    assert "No gain is changed on P1" in pounds


def test_a_person_nobody_weighed_tells_what_pads_differ() -> None:
    told = "\n".join(mass_check("person", ["P1=157.2 lb", "P2=156.0,156.2lb", "P1=157.4lb"], "kg"))
    assert "Each pad against their mean" in told
    assert "their common gain is not" in told
    with pytest.raises(ValueError, match="two pads at least"):
        mass_check("person", ["P1=70"], "kg")


def test_the_command_and_what_it_refuses(capsys) -> None:
    assert main(["weigh", "--check", "40 ± 0.02 kg", "--reading", "P1=40.1,40.0kg"]) == 0
    assert "P1 reads" in capsys.readouterr().out
    for words, arguments in (
        ("has no unit", ["--check", "40", "--reading", "P1=40"]),
        ("should be a pad and its readings", ["--check", "40 kg", "--reading", "P1"]),
        ("each pad needs a reading", ["--check", "40 kg"]),
        ("is not one of kg", ["--check", "40 kg", "--reading", "P1=3stone"]),
    ):
        assert main(["weigh", *arguments]) == 2
        assert words in capsys.readouterr().err
