"""Learning a layout from a recording or a port: reads, asks, shows progress, writes what was proven."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from drivers.learn.learn import Outcome, learn
from drivers.learn.recording import Known, Recording, parse_known
from logger.stream_file import StreamFileError, read_stream

EXIT_PROVEN, EXIT_UNDECIDED = 0, 3


class Refused(Exception):
    """The input cannot be used; the text says why and what to do."""


def learn_recording(path: Path, known: list[str], out: Path | None, *, as_json: bool) -> int:
    """Learn from a recording and write the layout; returns the exit code."""
    try:
        chunks = read_stream(path)
        knowns = [parse_known(text) for text in known]
    except (StreamFileError, ValueError) as why:
        raise Refused(str(why)) from None
    recording = Recording((t_s, data) for t_s, data in chunks if t_s is not None)
    if chunks and chunks[0][0] is None:
        raise Refused(
            f"{path}: {path.with_suffix('.times.csv').name} is not beside it; without times known loads cannot "
            "be found in it. `restpoint record` writes both"
        )
    return finish(recording, knowns, out or path.with_suffix(".toml"), name=path.name, as_json=as_json)


def finish(recording: Recording, knowns: list[Known], out: Path, *, name: str, as_json: bool) -> int:
    """Learn, write the layout when it is proven, and say what was found or what is missing."""
    outcome = learn(recording, knowns, name=name, say=_nothing if as_json else _say)
    if outcome.proven:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(outcome.layout, encoding="utf-8")
    print(json.dumps(_object(outcome, out), ensure_ascii=False) if as_json else _text(outcome, out))
    return EXIT_PROVEN if outcome.proven else EXIT_UNDECIDED


def _say(text: str) -> None:
    print(f"  {text}", file=sys.stderr, flush=True)


def _nothing(_: str) -> None:
    pass


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
        return "\n".join(["No layout was written. What is missing:", *(f"  {item}" for item in outcome.missing)])
    found = outcome.found
    lines = [f"{found['frame']}; value {found['value']} in {found['unit']}; check {found['check']}"]
    lines += [f"proven on {found['frames']} of {found['of']} messages; written to {out}"]
    return "\n".join([*lines, *(f"note: {note}" for note in outcome.notes)])
