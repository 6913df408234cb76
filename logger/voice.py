"""The shop PC's own mouth: sentences to espeak-ng from a thread with a bounded queue; nothing waits for it.

Warnings are said before results and results before prompts. A newer prompt takes the place of one still
waiting, because it tells what to do now. No espeak-ng, or no sound: told once, and again when it works.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass

from logger.model import Say, Urgency

_ORDER = {Urgency.WARNING: 0, Urgency.RESULT: 1, Urgency.PROMPT: 2}


@dataclass(frozen=True, kw_only=True)
class VoiceSettings:
    """Settings of the loudspeaker voice, `[voice]` in the configuration."""

    enabled: bool = True
    """The voice helps where no phone is at hand, and is silent by itself without espeak-ng."""
    command: tuple[str, ...] = ("espeak-ng", "-v", "en-gb", "-s", "150", "--stdin")
    """Program that says what it reads on its standard input; 150 words a minute carry across a room."""
    queue_length: int = 8
    """More than this many sentences behind, the voice tells history: the least urgent ones are dropped."""
    timeout_s: float = 30.0
    """A sentence lasts ten seconds at most; a sound system that holds longer is hung and is let go."""


class Voice:
    """Says sentences one after the other in its own thread; `say` never blocks and never raises."""

    def __init__(self, settings: VoiceSettings, tell: Callable[[str], None]) -> None:
        """Take the settings and `tell`, called from its thread with a line for the log, once per change."""
        self._settings = settings
        self._tell = tell
        self._waiting: list[Say] = []
        self._change = threading.Condition()
        self._stopped = False
        self._process: subprocess.Popen[bytes] | None = None
        self._trouble: str | None = None
        self.dropped = 0
        """Sentences that were never said because others were more urgent or newer."""
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)

    @property
    def trouble(self) -> str | None:
        """What keeps the voice silent, None when it speaks or has not tried yet."""
        return self._trouble

    def start(self) -> None:
        """Start the thread; without a speaking program tell so once and swallow what is given."""
        program = self._settings.command[0]
        if not self._settings.enabled:
            self._stopped = True
        elif shutil.which(program) is None:
            self._stopped = True
            self._set_trouble(
                f"no voice on this computer: {program} is not installed (Debian: apt install espeak-ng); "
                "the phone page speaks by itself"
            )
        else:
            self._thread.start()

    def say(self, sentence: Say) -> None:
        """Queue a sentence by its urgency; returns at once."""
        with self._change:
            if self._stopped:
                return
            if sentence.urgency is Urgency.PROMPT:
                kept = [waiting for waiting in self._waiting if waiting.urgency is not Urgency.PROMPT]
                self.dropped += len(self._waiting) - len(kept)
                self._waiting = kept
            self._waiting.append(sentence)
            self._waiting.sort(key=lambda waiting: _ORDER[waiting.urgency])
            if len(self._waiting) > self._settings.queue_length:
                self._waiting.pop()
                self.dropped += 1
            self._change.notify()

    def stop(self) -> None:
        """Fall silent, in the middle of a word if need be, and end the thread."""
        with self._change:
            self._stopped = True
            self._waiting.clear()
            if self._process is not None:
                self._process.kill()
            self._change.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    def _run(self) -> None:
        while (sentence := self._next()) is not None:
            self._set_trouble(self._speak(sentence.text))

    def _next(self) -> Say | None:
        with self._change:
            self._change.wait_for(lambda: self._stopped or bool(self._waiting))
            return None if self._stopped else self._waiting.pop(0)

    def _speak(self, text: str) -> str | None:
        """Say one sentence; return what went wrong, None when nothing did."""
        try:
            process = subprocess.Popen(
                self._settings.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
            )
        except OSError as error:
            return f"the voice cannot start {self._settings.command[0]}: {error.strerror}"
        with self._change:
            self._process = process
            if self._stopped:
                process.kill()
        try:
            _, errors = process.communicate(text.encode(), timeout=self._settings.timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            return (
                f"the voice hung for {self._settings.timeout_s:g} s and was let go; look at the sound system"
            )
        finally:
            with self._change:
                self._process = None
        if self._stopped:
            return None
        return _complaint(process.returncode, errors.decode(errors="replace"))

    def _set_trouble(self, trouble: str | None) -> None:
        if trouble == self._trouble:
            return
        if trouble is None:
            self._tell("the voice works again")
        else:
            self._tell(trouble)
        self._trouble = trouble


def _complaint(returncode: int, errors: str) -> str | None:
    """What went wrong, if anything; espeak-ng without a sound card exits 0 with an "error:" line."""
    last = "".join(errors.strip().splitlines()[-1:])
    if returncode == 0 and not last.startswith("error:"):
        return None
    return (
        f"the voice cannot be heard (exit {returncode}): {last or 'no reason given'}; check the sound output"
    )
