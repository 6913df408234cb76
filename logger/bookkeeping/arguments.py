"""The arguments of `restpoint ledger`, action by action."""

from __future__ import annotations

import argparse
from argparse import ArgumentParser
from pathlib import Path

ACTIONS: dict[str, str] = {
    "list": "list the weigh-ins",
    "show": "show a weigh-in (default: the last): its plan, figures and doubts",
    "changes": "what came off and went on, what the car is now, what is left to find",
    "people": "who was weighed in the car, or typed in",
    "name": "name a change, fact or car; without a name a change takes the one proposed",
    "add": "write down a part, person, thing aboard, fluid, photo, note, condition or a car's file",
    "correct": "give a fact or capture other values",
    "discard": "let something count no more; it stays in the ledger",
    "merge": "let two be one: changes, typed parts, cars",
    "undo": "take back what was done last, or deed N",
    "history": "list what people did, or a fact's revisions",
    "search": "find words in everything",
    "export": "write cars, states, changes, captures and facts as CSV, JSON or Parquet",
    "import": "read past weigh-ins from a CSV, or another ledger",
    "page": "write one HTML page: plan, stair, changes, how the centre of mass wandered",
}


def declare(parser: ArgumentParser) -> None:
    """Add every action; the ledger comes first each time."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    subs = {name: actions.add_parser(name, help=line, description=line) for name, line in ACTIONS.items()}
    for sub in subs.values():
        sub.add_argument("folder", type=Path, metavar="LEDGER", help="a bay's data folder, or a ledger file")
        sub.add_argument("--unit", choices=("kg", "lb"), help="unit shown (default: the bay's)")
    subs["show"].add_argument("which", nargs="?", metavar="wN", help="which one (default: the last)")
    subs["show"].add_argument("--weigh-in", metavar="wN", help=argparse.SUPPRESS)
    for name in ("changes", "page"):
        subs[name].add_argument("--car", help="which car (default: the one weighed last)")
        subs[name].add_argument(
            "--target", metavar="MASS", help='mass to reach with nobody aboard ("930 kg")'
        )
    subs["people"].add_argument("--car", help="which car (default: the one weighed last)")
    subs["page"].add_argument("--out", type=Path, help="file (default: ledger.html beside the ledger)")
    subs["name"].add_argument("ref", metavar="REF", help="w3.1, e12 or car:NAME")
    subs["name"].add_argument("to", nargs="?", metavar="NAME", help="default: the name proposed")
    _declare_add(subs["add"])
    _declare_correct(subs["correct"])
    subs["discard"].add_argument("ref", metavar="REF", help="w3, w3.1, w3.c2 or e12")
    subs["merge"].add_argument("ref", metavar="REF", help="what stays: w3.1, e12 or car:NAME")
    subs["merge"].add_argument("other", metavar="OTHER", help="what turned out to be the same")
    subs["undo"].add_argument("deed", nargs="?", type=int, help="number in `history` (default: the last)")
    subs["history"].add_argument("ref", nargs="?", metavar="REF", help="a fact (e12): its revisions")
    subs["search"].add_argument("words", nargs="*", help="all must stand in it; none: every fact")
    subs["export"].add_argument("--to", choices=("csv", "json", "parquet"), required=True)
    subs["export"].add_argument("--out", type=Path, help="folder (default: ledger-export beside the ledger)")
    _declare_import(subs["import"])


def _declare_add(parser: ArgumentParser) -> None:
    kinds = parser.add_subparsers(dest="what", metavar="KIND", required=True)
    part = kinds.add_parser("part", help="a change that was not weighed with the car (marked estimated)")
    part.add_argument("name")
    way = part.add_mutually_exclusive_group(required=True)
    way.add_argument("--off", action="store_true", help="it came off")
    way.add_argument("--on", action="store_true", help="it went on")
    part.add_argument("--car", help="which car (default: the one weighed last)")
    part.add_argument("--basis", default="estimated", help='how its mass is known ("kitchen scale")')
    part.add_argument("--when", metavar="YYYY-MM-DD", help="day of the change (default: now)")
    person = kinds.add_parser("person", help="somebody who may sit in the car, as dressed for it")
    person.add_argument("name")
    aboard = kinds.add_parser(
        "aboard", help="a thing in the car during a weigh-in that does not belong to it"
    )
    aboard.add_argument("name")
    fluid = kinds.add_parser("fluid", help="a fluid's level during a weigh-in against its standard level")
    fluid.add_argument("name")
    fluid.add_argument("--volume", required=True, help='"30 ± 1 L"')
    fluid.add_argument("--standard", required=True, help='level the car is stated with ("22 L")')
    fluid.add_argument("--density", help='"0.84 kg/L" (default: petrol)')
    photo = kinds.add_parser("photo", help="a photo by reference; the file stays where it is")
    photo.add_argument("where", help="path or address")
    photo.add_argument("--caption", default="")
    note = kinds.add_parser("note", help="a remark")
    note.add_argument("text")
    condition = kinds.add_parser("condition", help="a condition of a weigh-in, such as temperature_C=4")
    condition.add_argument("pairs", nargs="+", metavar="KEY=VALUE", help="an empty value takes it back")
    car = kinds.add_parser("car", help="a car's file: its weigh-ins are solved with it from now on")
    car.add_argument("file", type=Path)
    car.add_argument("--car", help="which car (default: the name in the file)")
    for sub in (part, person, aboard):
        sub.add_argument("--mass", required=True, help='"17.4 ± 0.3 kg", "38 lb"')
    for sub in (part, person, aboard, fluid):
        _place(sub)
    for sub in (aboard, fluid, condition):
        sub.add_argument("--weigh-in", required=True, metavar="wN")
    for sub in (photo, note):
        sub.add_argument("--of", default="", metavar="REF", help="what it is about: w3, w3.1, e12, car:NAME")


def _declare_correct(parser: ArgumentParser) -> None:
    parser.add_argument("ref", metavar="REF", help="e12 (a fact) or w3.c2 (a capture)")
    parser.add_argument("--mass", help='"17.4 ± 0.3 kg"; keeps on or off')
    _place(parser)
    parser.add_argument("--basis")
    parser.add_argument("--text")
    parser.add_argument("--facing", choices=("out", "back"), help="of a capture")
    parser.add_argument("--build", help="of a capture")
    parser.add_argument("--aboard", nargs="*", metavar="NAME", help="of a capture; none: nobody")


def _declare_import(parser: ArgumentParser) -> None:
    parser.add_argument("file", type=Path, help="CSV as for `restpoint weigh`, or a ledger.db")
    parser.add_argument("--car", type=Path, metavar="CAR.toml", help="the car of a CSV")
    parser.add_argument("--when", metavar="YYYY-MM-DD", help="day of a CSV's weighings (default: the file's)")
    parser.add_argument(
        "--as-it-is", action="store_true", help="take it in even if its total looks like another unit"
    )


def _place(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--x", help='ahead of the rear axle, "0.42 ± 0.05 m" (behind: --x="-0.42 m")')
    parser.add_argument("--y", help='left of the centre line, "12 in" (right: --y="-12 in")')
