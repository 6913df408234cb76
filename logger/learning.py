"""Learning a layout from a recording or a port: reads, asks, shows progress, writes what was proven."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.api import SerialSettings
from drivers.learn import lines
from drivers.learn.learn import Outcome, learn
from drivers.learn.recording import Known, Recording, parse_known
from logger.dialogue import Ask, Listener, Say, guided, told_times
from logger.stream_file import StreamFileError, read_stream

EXIT_PROVEN, EXIT_UNDECIDED = 0, 3


class Refused(Exception):
    """The input cannot be used; the text says why and what to do."""


@dataclass(frozen=True, kw_only=True)
class Mouth:
    """How a person is asked and told; `result` takes what is printed at the end."""

    ask: Ask
    say: Say
    result: Callable[[str], object] = print


def terminal(*, as_json: bool) -> Mouth:
    """Ask on the terminal; with JSON only the result goes to the standard output."""
    out = sys.stderr if as_json else sys.stdout

    def ask(prompt: str) -> str:
        print(prompt, end="", file=out, flush=True)
        answer = sys.stdin.readline()
        if not answer:
            raise Refused("\nthe dialogue ended before all was known; with --known it needs nobody to answer")
        return answer.rstrip("\n")

    return Mouth(ask=ask, say=lambda text: print(text, file=out, flush=True))


def learn_recording(
    path: Path, known: list[str], out: Path | None, *, as_json: bool, mouth: Mouth, port: str = ""
) -> int:
    """Learn from a recording (or a journal's `port`) and write the layout; returns the exit code.

    Without `known` the loads are those of the passport beside the recording, or are asked for.
    """
    try:
        chunks = read_stream(path, port)
        passport = _passport(path)
        noted = passport.get("known", [])
        texts = known or [str(text) for text in (noted if isinstance(noted, list) else [])]
        knowns = [parse_known(text) for text in texts]
    except (StreamFileError, ValueError) as why:
        raise Refused(str(why)) from None
    if chunks and chunks[0][0] is None:
        beside = path.with_suffix(".times.csv").name
        raise Refused(
            f"{path}: {beside} is not beside it; without times known loads cannot be found in it. "
            "`restpoint record` writes both"
        )
    if not knowns and not as_json:
        knowns = told_times(mouth.ask, mouth.say)
    recording = Recording((t_s, data) for t_s, data in chunks if t_s is not None)
    line = _line(passport)
    target, poll = out or path.with_suffix(".toml"), _poll(passport)
    return finish(
        recording, knowns, target, name=path.name, line=line, as_json=as_json, mouth=mouth, poll=poll
    )


def _poll(passport: dict[str, object]) -> str:
    """[poll] of a layout whose recording was asked for; "" when it came by itself."""
    asked = passport.get("asked")
    if not isinstance(asked, list):
        return ""
    every_s = max(float(str(passport.get("every_s", 0.1))), 0.001)
    return f"\n[poll]\nrequests = {json.dumps(asked)}\nperiod_s = {every_s:g}\n"


def _passport(path: Path) -> dict[str, object]:
    beside = path.with_suffix(".about.toml")
    if not beside.is_file():
        return {}
    try:
        return tomllib.loads(beside.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
        raise Refused(f"{beside}: is not TOML: {why}") from None


def _line(passport: dict[str, object]) -> SerialSettings | None:
    serial = passport.get("serial")
    if not isinstance(serial, dict):
        return None
    known = SerialSettings.__struct_fields__
    return SerialSettings(**{name: serial[name] for name in known if name in serial})


def learn_port(device: str, known: list[str], out: Path | None, *, as_json: bool, mouth: Mouth) -> int:
    """Find the line settings, listen while a person goes through the loads, keep the recording, learn."""
    from logger.line_search import find_line  # noqa: PLC0415 - a recording needs no port
    from logger.stream_record import Ear  # noqa: PLC0415 - as above
    from logger.transports import PortLost, PortRefused  # noqa: PLC0415 - as above

    mouth.say(f"Listening to {device} for its line settings:")
    try:
        line, score = find_line(device, lambda text: mouth.say(f"   {text}"))
    except (PortRefused, PortLost) as why:
        raise Refused(str(why)) from None
    if ":" not in device and score == 0:
        raise Refused(
            f"{device}: nothing came at any speed; does the indicator send by itself, is its cable in?"
        )
    mouth.say(f"   taken: {lines.told(line)}")
    ear = Ear(device, line)
    try:
        if why_not := ear.opened():
            raise Refused(why_not)
        knowns = _given(ear, known, mouth) if known else guided(ear, mouth.ask, mouth.say)
    finally:
        ear.stop()
    return keep_and_learn(ear.chunks, knowns, out, line=line, as_json=as_json, mouth=mouth)


def _given(ear: Listener, known: list[str], mouth: Mouth) -> list[Known]:
    try:
        knowns = [parse_known(text) for text in known]
    except ValueError as why:
        raise Refused(str(why)) from None
    ear.listen(max(k.to_s for k in knowns) + 0.5 - ear.now_s(), lambda text: mouth.say(f"   {text}"))
    return knowns


def keep_and_learn(
    chunks: list[tuple[float, bytes]],
    knowns: list[Known],
    out: Path | None,
    *,
    line: SerialSettings,
    as_json: bool,
    mouth: Mouth,
) -> int:
    """Keep what was heard beside the layout, then learn from it."""
    from logger.stream_record import save  # noqa: PLC0415 - a recording needs no port

    target = out or Path("learnt.toml")
    path = save(
        chunks,
        target.with_suffix(".bin"),
        did="learnt from: empty, a known load, empty",
        known=[known.text for known in knowns],
        line=line,
    )
    mouth.say(f"The recording is kept: {path.name}, {path.stem}.times.csv, {path.stem}.about.toml")
    name = path.name
    return finish(Recording(chunks), knowns, target, name=name, line=line, as_json=as_json, mouth=mouth)


def finish(
    recording: Recording,
    knowns: list[Known],
    out: Path,
    *,
    name: str,
    line: SerialSettings | None,
    as_json: bool,
    mouth: Mouth,
    poll: str = "",
) -> int:
    """Learn, write the layout when it is proven, and say what was found or what is missing."""

    def say(text: str) -> None:
        if not as_json:
            mouth.say(f"   {text}")

    say("learning …")
    outcome = learn(recording, knowns, name=name, say=say, line=line)
    outcome.layout += poll
    if outcome.proven and poll.count('", "') and outcome.found["pads"] == [""]:
        outcome.proven = False
        outcome.missing.append(
            "several were asked, but no answer says whom it is from: record one by itself, with one --ask, "
            "and add the other requests and their addresses to its layout ([poll])"
        )
    if outcome.proven:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(outcome.layout, encoding="utf-8")
    mouth.result(json.dumps(_object(outcome, out), ensure_ascii=False) if as_json else _text(outcome, out))
    return EXIT_PROVEN if outcome.proven else EXIT_UNDECIDED


def _object(outcome: Outcome, out: Path) -> dict[str, object]:
    return {
        "kind": "learnt" if outcome.proven else "undecided",
        "proven": outcome.proven,
        "layout": str(out) if outcome.proven else None,
        **outcome.found,
        "missing": outcome.missing,
        "notes": outcome.notes,
    }


def _text(outcome: Outcome, out: Path) -> str:
    if not outcome.proven:
        missing = [f"   {item}" for item in outcome.missing]
        return "\n".join(
            ["No layout was written: a wrong one is worse than none. What is missing:", *missing]
        )
    found = outcome.found
    shown = [("messages", "frame"), ("value", "value"), ("unit", "unit"), ("check", "check")]
    rows = [f"   {word:<9} {found[key]}" for word, key in shown]
    pads = ", ".join(str(pad) for pad in found["pads"] if pad)  # type: ignore[attr-defined]  # a list
    rows += [f"   {'pads':<9} {pads}"] if pads else []
    rows.append(
        f"   {'proof':<9} {found['held_back_frames']} of {found['held_back_of']} frames held back, "
        f"{found['frames']} of {found['of']} in all"
    )
    rows += [f"   {'note':<9} {note}" for note in outcome.notes]
    return "\n".join(
        ["Learnt:", *rows, f"Written to {out.name}. See it at work: restpoint try {out.name} RECORDING|PORT"]
    )
