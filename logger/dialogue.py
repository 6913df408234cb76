"""The dialogue of `restpoint learn`: empty, a known load, and empty again, while the port is listened to."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.learn.recording import Known, parse_known

HOLD_S = 6.0
"""How long each load is listened to: sixty messages at the usual ten a second."""

Ask = Callable[[str], str]
Say = Callable[[str], object]


class Listener(Protocol):
    """Who listens meanwhile: see logger.stream_record.Ear."""

    def now_s(self) -> float:
        """Seconds since the beginning."""
        ...

    def listen(self, seconds: float, say: Say) -> None:
        """Go on for some seconds."""
        ...


def guided(ear: Listener, ask: Ask, say: Say, hold_s: float = HOLD_S) -> list[Known]:
    """Lead a person through the loads; returns what stood on the pads and when."""
    say("1. Leave all pads empty and touch nothing.")
    ask("   Press Enter when they are empty: ")
    known = [_hold(ear, say, "0", hold_s)]
    say("2. Put a load you know on one pad: a person just weighed, a jug of water.")
    load = _load(ask, say)
    ask("   Press Enter when it stands still: ")
    known.append(_hold(ear, say, load, hold_s))
    say("3. Take it off again.")
    ask("   Press Enter when the pad is empty: ")
    known.append(_hold(ear, say, "0", hold_s))
    return known


def _load(ask: Ask, say: Say) -> str:
    while True:
        text = ask("   What does it weigh, with its unit (84.2 kg)? ").strip()
        try:
            known = parse_known(f"{text}@0:1")
        except ValueError:
            say("   Write a number and its unit, like 84.2 kg or 185.6 lb.")
            continue
        if known.value > 0:
            return text
        say("   It must be more than nothing.")


def _hold(ear: Listener, say: Say, load: str, hold_s: float) -> Known:
    begin = ear.now_s()
    ear.listen(hold_s, lambda text: say(f"   {text}"))
    return parse_known(f"{load}@{begin + 0.3:.1f}:{ear.now_s():.1f}")


def told_times(ask: Ask, say: Say) -> list[Known]:
    """Ask what stood on the pads in a recording, and when; an empty answer ends it."""
    say("What stood on the pads, and when? Times are seconds of the recording, like 0@0:8 or 84.2kg@12:20.")
    known: list[Known] = []
    while text := ask(f"   load {len(known) + 1} (empty to end): ").strip():
        try:
            known.append(parse_known(text))
        except ValueError as why:
            say(f"   {why}")
    return known
