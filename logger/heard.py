"""What comes in on the bus: commands from people and buttons, and our own messages read back. Pure."""

from __future__ import annotations

from typing import get_args

import msgspec

from logger.model import Command, Verb

VERBS: tuple[Verb, ...] = get_args(Verb)
NEEDED = {
    "name": "the name",
    "aim": "a figure (total, front, left, cross, x or y)",
    "heights": "four heights with their unit, S1 to S4",
}
"""Verbs that mean nothing without their text, and what it is."""
COMMAND_MOST_BYTES = 500
"""A command's payload is a name or a sentence at most."""


class Mark(msgspec.Struct, frozen=True):
    """What a payload of ours says of itself; all empty for one that is not ours."""

    kind: str = ""
    boot: str = ""
    seq: int = 0
    state: str = ""

    def is_from(self, boot: str, seq: int) -> bool:
        return (self.boot, self.seq) == (boot, seq)


def read_mark(payload: bytes) -> Mark:
    try:
        return msgspec.json.decode(payload, type=Mark)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return Mark()


def read_command(topic: str, payload: bytes, t_mono_ns: int) -> Command:
    """Read a message on `restpoint/<bay>/do/<verb>`: plain text is the argument, or a JSON object has it.

    Raises ValueError with a sentence for the person who sent it.
    """
    verb = topic.rpartition("/")[2]
    if verb not in VERBS:
        raise ValueError(f"{verb[:40]!r} is no verb; these are: {', '.join(VERBS)}")
    if len(payload) > COMMAND_MOST_BYTES:
        raise ValueError(f"{len(payload)} bytes are too many; {COMMAND_MOST_BYTES} at most")
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        raise ValueError("the text is not UTF-8") from None
    argument, origin = _json_command(payload) if text.startswith("{") else (text, "bus")
    if verb in NEEDED and not argument:
        raise ValueError(f"{verb} needs {NEEDED[verb]} as its text")
    if not argument.isprintable():
        raise ValueError("the text holds characters that cannot be shown")
    return Command(t_mono_ns=t_mono_ns, verb=verb, argument=argument, origin=origin)


class _JsonCommand(msgspec.Struct, forbid_unknown_fields=True):
    argument: str = ""
    origin: str = "bus"


def _json_command(payload: bytes) -> tuple[str, str]:
    try:
        said = msgspec.json.decode(payload, type=_JsonCommand)
    except (msgspec.MsgspecError, UnicodeDecodeError) as why:
        raise ValueError(f"JSON with argument and origin is wanted: {why}") from None
    return said.argument.strip(), said.origin.strip()
