"""The one command, `restpoint`: a table of verbs, each a module of its own, imported when asked for."""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module

from logger.version import VERSION

VERBS: dict[str, str] = {
    "demo": "show the main job with simulated pads, everything embedded",
    "run": "run the daemon of a bay",
    "pair": "let a phone in, list who was let in, revoke",
    "ports": "list serial ports, layouts and plug-ins, with the lines to paste",
    "learn": "find out how an indicator's bytes become readings, and write its layout",
    "record": "keep a port's bytes with their times, and what was done",
    "try": "show what a layout makes of a recording or port",
    "calibrate": "find what a pad's converter counts mean, from known masses",
    "replay": "replay a journal, dataset or CSV through the pipeline that runs live",
    "judge": "judge pads by their settle curves",
    "weigh": "solve past weighings from a file",
    "ledger": "what was weighed, what came off, what people wrote down",
    "plan": "forecast the car after changes: what is left to find, ballast, turns, shims",
    "report": "write the report of a weigh-in",
    "export": "export a bay's data, or make its dataset again from the journal",
    "doctor": "say what ails a bay, since when and what to do; repair what can be",
}
"""Verb → one line of help; the verb's module has `arguments(parser)` and `run(args)`."""

READER_GONE = 141
"""How a shell tells that a program ended because its reader had gone: 128 + SIGPIPE. Not that all is well."""


def main(argv: list[str] | None = None) -> int:
    """Run `restpoint` with these arguments (default: the process's) and return its exit code."""
    words = sys.argv[1:] if argv is None else argv
    parser = argparse.ArgumentParser(
        prog="restpoint",
        description="What each wheel carries, and how sure that is. Not for trade.",
    )
    parser.add_argument("--version", action="version", version=f"restpoint {VERSION}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for verb, line in VERBS.items():
        sub = verbs.add_parser(verb, help=line, description=line)
        if words[:1] == [verb]:
            import_module(f"logger.cli.{verb}").arguments(sub)
    args = parser.parse_args(words)
    try:
        code = int(import_module(f"logger.cli.{args.verb}").run(args))
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read, such as `head`, has seen enough
        mute()
        return READER_GONE
    return code


def mute() -> None:
    """Let whatever is still written to standard output go nowhere: nobody reads it any more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
