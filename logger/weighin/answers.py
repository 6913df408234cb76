"""What the weigh-in answers with: a prompt, a warning, what it waits for."""

from __future__ import annotations

from logger.model import Say, Urgency, Waiting


def prompt(t_mono_ns: int, text: str) -> Say:
    return Say(t_mono_ns=t_mono_ns, text=text, urgency=Urgency.PROMPT)


def warn(t_mono_ns: int, text: str) -> Say:
    return Say(t_mono_ns=t_mono_ns, text=text, urgency=Urgency.WARNING)


def wait(t_mono_ns: int, stage: str, text: str, cautions: tuple[int, ...]) -> Waiting:
    return Waiting(t_mono_ns=t_mono_ns, stage=stage, text=text, cautions=cautions)
