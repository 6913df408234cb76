"""The loudspeaker's voice: order, bounds, and silence that is told once, with a stand-in that writes down."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

from support import absent
from support.served_page import until

from logger.model import Say, Urgency
from logger.voice import Voice, VoiceSettings


def sentence(text: str, urgency: Urgency = Urgency.PROMPT) -> Say:
    return Say(t_mono_ns=0, text=text, urgency=urgency)


class Shop:
    """A voice whose speaking program is a shell script."""

    def __init__(self, folder: Path, script: str, **more: float) -> None:
        self.heard_file = folder / "heard"
        self.heard_file.touch()
        program = folder / "speak"
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(0o755)
        self.log: list[str] = []
        settings = VoiceSettings(command=(str(program), str(self.heard_file)), **more)  # type: ignore[arg-type]
        self.voice = Voice(settings, self.log.append)

    def heard(self) -> list[str]:
        return self.heard_file.read_text().splitlines()


WRITE = 'cat >> "$1"; echo >> "$1"'
GATED = 'while [ ! -e "$1.go" ]; do sleep 0.01; done; ' + WRITE


def test_warnings_before_results_before_the_newest_prompt(tmp_path: Path) -> None:
    shop = Shop(tmp_path, GATED)
    shop.voice.start()
    try:
        shop.voice.say(sentence("first"))
        until(lambda: not shop.voice._waiting)  # being said, so nothing replaces it
        for text, urgency in (
            ("old prompt", Urgency.PROMPT),
            ("result 1", Urgency.RESULT),
            ("new prompt", Urgency.PROMPT),
            ("warning", Urgency.WARNING),
            ("result 2", Urgency.RESULT),
        ):
            shop.voice.say(sentence(text, urgency))
        Path(f"{shop.heard_file}.go").touch()
        until(lambda: len(shop.heard()) == 5)
    finally:
        shop.voice.stop()
    assert shop.heard() == ["first", "warning", "result 1", "result 2", "new prompt"]
    assert shop.voice.dropped == 1
    assert shop.log == []


def test_saying_never_waits_and_the_queue_is_bounded(tmp_path: Path) -> None:
    shop = Shop(tmp_path, "exec sleep 60", queue_length=4)
    shop.voice.start()
    begin = time.monotonic()
    for number in range(1000):
        shop.voice.say(sentence(str(number), Urgency.RESULT))
    assert time.monotonic() - begin < 0.5
    assert shop.voice.dropped >= 1000 - 4 - 1
    shop.voice.stop()
    assert time.monotonic() - begin < 2.5, "stopping must not wait for the end of the sentence"


def test_no_speaking_program_is_told_once_and_swallowed() -> None:
    log: list[str] = []
    voice = Voice(VoiceSettings(command=("no-such-speaker", "--stdin")), log.append)
    voice.start()
    for _ in range(3):
        voice.say(sentence("anybody?"))
    voice.stop()
    assert len(log) == 1
    assert "no-such-speaker is not installed" in log[0]
    assert voice.trouble == log[0]


def test_a_silenced_voice_does_nothing(tmp_path: Path) -> None:
    log: list[str] = []
    voice = Voice(VoiceSettings(enabled=False), log.append)
    voice.start()
    voice.say(sentence("anybody?"))
    voice.stop()
    assert log == []


def test_trouble_is_told_once_and_again_when_it_ends(tmp_path: Path) -> None:
    script = f'if [ -e "$1.broken" ]; then cat > /dev/null; echo "error: no card" >&2; exit 0; fi; {WRITE}'
    shop = Shop(tmp_path, script)
    broken = Path(f"{shop.heard_file}.broken")
    broken.touch()
    shop.voice.start()
    try:
        for number in range(2):
            shop.voice.say(sentence(f"lost {number}", Urgency.RESULT))
        until(lambda: shop.voice.trouble is not None and not shop.voice._waiting)
        time.sleep(0.05)
        broken.unlink()
        shop.voice.say(sentence("back", Urgency.RESULT))
        until(lambda: "back" in shop.heard())
        until(lambda: shop.voice.trouble is None)
    finally:
        shop.voice.stop()
    assert len(shop.log) == 2
    assert "error: no card" in shop.log[0]
    assert shop.log[1] == "the voice works again"


def test_a_hung_speaker_is_let_go(tmp_path: Path) -> None:
    shop = Shop(tmp_path, "exec sleep 60", timeout_s=0.1)
    shop.voice.start()
    try:
        shop.voice.say(sentence("…", Urgency.RESULT))
        until(lambda: shop.voice.trouble is not None)
    finally:
        shop.voice.stop()
    assert "hung for 0.1 s" in str(shop.voice.trouble)


def test_the_real_program_speaks_into_a_file(tmp_path: Path) -> None:
    if shutil.which("espeak-ng") is None:
        absent("espeak-ng")
    sound = tmp_path / "said.wav"
    log: list[str] = []
    voice = Voice(VoiceSettings(command=(*VoiceSettings().command, "-w", str(sound))), log.append)
    voice.start()
    voice.say(sentence("Resting. Total nine hundred and sixty-eight point four kilograms.", Urgency.RESULT))
    until(lambda: sound.exists() and sound.stat().st_size > 50_000)
    voice.stop()
    assert sound.read_bytes()[:4] == b"RIFF"
    assert log == []
