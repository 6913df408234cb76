"""The dialogue of `restpoint learn` on a port, word for word as README shows it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support import ROOT, absent

from drivers.api import SerialSettings
from drivers.learn import lines
from logger import learning, line_search, stream_record
from logger.learning import Mouth, learn_port

BEGIN, END = "<!-- learn dialogue -->", "<!-- /learn dialogue -->"
ANSWERS = {"empty:": "", "(84.2 kg)?": "84.2 kg", "still:": ""}
"""What the person answers, by the end of the question."""


class Bench:
    """An invented indicator on a table: its clock runs while it is listened to and while a person acts."""

    def __init__(self, device: str, line: SerialSettings) -> None:
        self.chunks: list[tuple[float, bytes]] = []
        self._t_s, self._load, self._target = 0.0, 0.0, 0.0

    def opened(self) -> str:
        return ""

    def stop(self) -> None:
        """Nothing to close."""

    def now_s(self) -> float:
        return self._t_s

    def act(self, target: float) -> None:
        """Somebody changes the load, which takes three seconds."""
        self._target = target
        self._run(3.0)

    def listen(self, seconds: float, say: Callable[[str], object]) -> None:
        for _ in range(int(seconds)):
            self._run(1.0)
        say(f"{self._t_s:.0f} s, {sum(len(data) for _, data in self.chunks)} bytes")

    def _run(self, seconds: float) -> None:
        for _ in range(round(10 * seconds)):
            gone = max(min(self._target - self._load, 84.2 / 12), -84.2 / 12)
            self._load += gone
            count = round(10 * self._load) + (len(self.chunks) % 3 == 0) - (len(self.chunks) % 5 == 0)
            text = f"{'M' if abs(gone) > 0.1 else 'S'} {count / 10:+08.1f} kg\r\n"
            self.chunks.append((self._t_s, text.encode()))
            self._t_s = round(self._t_s + 0.1, 3)


def dialogue(monkeypatch: pytest.MonkeyPatch, folder: Path) -> tuple[str, int]:
    """Hold the dialogue with prepared answers; returns what the terminal shows, and the exit code."""
    shown: list[str] = ["$ restpoint learn /dev/ttyUSB0 --out mine.toml"]
    benches: list[Bench] = []

    def ear(device: str, line: SerialSettings) -> Bench:
        benches.append(Bench(device, line))
        return benches[-1]

    def find_line(device: str, say: Callable[[str], object]) -> tuple[SerialSettings, float]:
        settings = SerialSettings(baud=9600)
        heard = b"S  0000.0 kg\r\n" * 8
        found = lines.score(heard)
        say(f"{lines.told(settings)}: {len(heard)} bytes, 0 damaged, score {found:.2f}")
        return settings, found

    def ask(prompt: str) -> str:
        answer = next(text for end, text in ANSWERS.items() if prompt.rstrip().endswith(end))
        shown.append(prompt + answer)
        if benches and "still" in prompt:
            benches[-1].act(84.2)
        elif benches and "pad is empty" in prompt:
            benches[-1].act(0.0)
        return answer

    monkeypatch.setattr(line_search, "find_line", find_line)
    monkeypatch.setattr(stream_record, "Ear", ear)
    mouth = Mouth(ask=ask, say=shown.append, result=shown.append)
    code = learn_port("/dev/ttyUSB0", [], folder / "mine.toml", as_json=False, mouth=mouth)
    return "\n".join(line.rstrip() for line in "\n".join(map(str, shown)).splitlines()), code


def test_the_dialogue_gives_a_proven_layout(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text, code = dialogue(monkeypatch, tmp_path)
    assert code == learning.EXIT_PROVEN
    layout = (tmp_path / "mine.toml").read_text()
    assert "baud = 9600" in layout
    assert 'unit = "kg"' in layout
    assert '"S" = "steady"' in layout
    assert str(tmp_path) not in layout
    assert "held back" in text
    assert {path.name for path in tmp_path.iterdir()} == {
        *("mine.toml", "mine.bin", "mine.times.csv", "mine.about.toml"),
    }


def test_readme_shows_the_dialogue_as_it_prints(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    if BEGIN not in readme:
        absent("the learn dialogue is not in README.md yet")
    block = readme.partition(BEGIN)[2].partition(END)[0].strip().removeprefix("```").removesuffix("```")
    text, _ = dialogue(monkeypatch, tmp_path)
    shown = [line.strip() for line in block.strip("\n").removeprefix("text").strip("\n").splitlines()]
    assert shown == [line.strip() for line in text.splitlines()]


def test_a_passport_knows_the_loads_of_a_kept_recording(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the dialogue kept can be learnt again without a word."""
    dialogue(monkeypatch, tmp_path)
    mouth = Mouth(ask=lambda _: pytest.fail("nobody should be asked"), say=lambda _: None)
    code = learning.learn_recording(
        tmp_path / "mine.bin", [], tmp_path / "again.toml", as_json=True, mouth=mouth
    )
    assert code == learning.EXIT_PROVEN
    assert '"unit": "kg"' in capsys.readouterr().out
    again, first = (tmp_path / "again.toml").read_text(), (tmp_path / "mine.toml").read_text()
    assert again == first
