"""`restpoint … | head`: whose reader has gone ends in silence, and does not say that all is well."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from support.running import config

from logger.cli import READER_GONE


def unread(*words: object) -> tuple[int, str]:
    """Exit code and complaints of a command whose output nobody takes."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "logger.cli", *map(str, words)],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=60,
        )
    finally:
        os.close(writing)
    return done.returncode, done.stderr


def test_the_doctors_verdict_stands_though_nobody_reads_it(tmp_path: Path) -> None:
    file = config(tmp_path, {"P1": "/dev/not-there"})
    file.write_text(file.read_text().replace('spot = "S1"\n', ""))
    assert unread("doctor", "-c", file) == (1, "")


def test_other_verbs_end_as_a_broken_pipe_ends_programs(tmp_path: Path) -> None:
    assert unread("ports") == (READER_GONE, "")
    text = tmp_path / "x.csv"
    text.write_text("t_s,pad,value,unit\n" + "".join(f"{n / 10},P1,5.0,kg\n" for n in range(300)))
    assert unread("replay", text, "--json") == (READER_GONE, "")
