"""A journal replayed in blocks says what it says entry by entry, to the last bit, whatever befell it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger import replay_blocks
from logger.bay import Bay
from logger.journal_folder import find_runs
from logger.journal_rows import whole_segment
from logger.journal_segment import Asked, Batch, Damage, Entry, Row, Tick, encode, head, row_of, scan
from logger.model import CarRest, Chunk, ClockStep, Command, Gap, GapCause, PortEvent, Record, Rest, Sample
from logger.replay import make_bay, play
from logger.replay_blocks import told_in_blocks

S = 1_000_000_000
WALL_NS = 1_760_000_000 * S
PORTS = {"a": ("P1", "P2"), "b": ("P3", "P4")}
CONFIG = '[bay]\nname = "barn"\n' + "".join(
    f'[[port]]\nname = "{port}"\ndevice = "/dev/null"\nlayout = "line-plain"\n'
    + "".join(f'[[pad]]\nid = "{p}"\nport = "{port}"\naddress = "{p}"\ncapacity_kg = 500\n' for p in pads)
    for port, pads in PORTS.items()
)


def line(pad: str, load_kg: float, dice: random.Random) -> bytes:
    """A line as it may come."""
    value = round(load_kg + dice.gauss(0.0, 0.03), 2)
    whole = f"{pad} still {value:11.2f} kg\r\n".encode()
    fate = dice.random()
    if fate < 0.002:
        return whole.replace(b"kg", b"k?")
    if fate < 0.004:
        return f"{pad} over     ------- kg\r\n".encode()
    if fate < 0.006:
        return b"P9" + whole[2:] + b"\xff\x00"
    return f"{pad} still {value / 0.45359237:11.2f} lb\r\n".encode() if fate < 0.008 else whole


def others(t_ns: int) -> list[Entry]:
    """What may stand between chunks."""
    wall_ns = WALL_NS + t_ns
    return [
        Tick(t_mono_ns=t_ns, slept_ns=3 * S),
        PortEvent(port="a", t_mono_ns=t_ns, t_wall_ns=wall_ns, event="lost"),
        PortEvent(port="b", t_mono_ns=t_ns, t_wall_ns=wall_ns, event="idle"),
        Command(t_mono_ns=t_ns, verb="take"),
        Gap(pad="*", t_from_mono_ns=t_ns - 5, t_to_mono_ns=t_ns, cause=GapCause.JOURNAL, count=2),
        Asked(port="b", t_mono_ns=t_ns, t_wall_ns=wall_ns, data=b"?"),
        Chunk(port="gone", t_mono_ns=t_ns, t_wall_ns=wall_ns, data=b"P1 still"),
    ]


def stream(seed: int, cuts: bool) -> Iterator[Entry]:
    """Two lines of two pads at 20 Hz that stand, are loaded, changed and unloaded."""
    dice = random.Random(seed)
    pending, step_ns = dict.fromkeys(PORTS, b""), 0
    for k in range(1200):
        t_ns = 100 * S + k * S // 20
        step_ns += dice.choice([3600 * S, -S]) if dice.random() < 0.002 else 0
        for port, pads in PORTS.items():
            if port == "b" and 700 < k < 780:
                continue
            load = (0.4, 210.0, 225.0, 0.4)[k // 300] * (1.0 if port == "a" else 0.8)
            pending[port] += b"".join(line(pad, load, dice) for pad in pads)
            data = pending[port][: len(pending[port]) - (dice.randrange(12) if cuts else 0)]
            pending[port] = pending[port][len(data) :]
            t_ns += dice.randrange(1_000_000)
            yield Chunk(port=port, t_mono_ns=t_ns, t_wall_ns=WALL_NS + t_ns + step_ns, data=data)
        if k % 10 == 9:
            yield Tick(t_mono_ns=t_ns)
        if dice.random() < 0.006:
            yield dice.choice(others(t_ns))


def journal(folder: Path, entries: list[Entry], seed: int, flip: bool) -> None:
    """Write them down in two segments; one batch of the second is lost, one of the first may be damaged."""
    dice = random.Random(seed)
    (folder / "config.toml").write_text(CONFIG)
    half, at = len(entries) // 2, 0
    for number, part in enumerate((entries[:half], entries[half:]), 1):
        data = head()
        begin = 0
        while begin < len(part):
            rows = [row_of(one, WALL_NS) for one in part[begin : begin + dice.randint(1, 60)]]
            batch = bytearray(encode(rows, at, "boot"))
            if flip and at == 0:
                batch[len(batch) // 2] ^= 1
            at, begin = at + len(rows), begin + len(rows)
            data += bytes(batch)
        at += 5
        (folder / f"segment-{number:06d}.arrows").write_bytes(data)
        assert (whole_segment(data) is None) == (flip and number == 1)


def told(bay: Bay, records: Iterator[Record]) -> tuple[list[str], object]:
    found = [record for record in records if not isinstance(record, Sample)]
    kinds = {type(record) for record in found}
    assert kinds >= {Rest, CarRest, Gap, ClockStep}
    return list(map(repr, found)), (bay.counts, bay.excluded)


@pytest.mark.parametrize(("seed", "cuts", "flip"), [(1, False, False), (2, True, False), (3, True, True)])
def test_in_blocks_of_any_size_to_the_last_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int, cuts: bool, flip: bool
) -> None:
    folder = tmp_path / "run-000001-boot"
    folder.mkdir()
    journal(folder, list(stream(seed, cuts)), seed, flip)
    (run,) = find_runs(folder)
    single, said = make_bay(folder / "config.toml"), []
    expected = told(single, play(run, single, said))
    for most in (1, 13, 500, replay_blocks.MOST):
        monkeypatch.setattr(replay_blocks, "MOST", most)
        monkeypatch.setattr(replay_blocks, "LEAST", min(most, 64))
        bay, notes = make_bay(folder / "config.toml"), []
        fed = []
        monkeypatch.setattr(bay, "feed", lambda one, feed=bay.feed, fed=fed: (fed.append(one), feed(one))[1])
        assert told(bay, told_in_blocks(run, bay, notes)) == expected
        assert notes == said
        if not flip:
            assert 0 < len(fed) < 400 or most < 500, "most chunks go as columns"


def test_no_bytes_make_a_segment_raise() -> None:
    whole = head() + encode([row_of(Tick(t_mono_ns=k), k) for k in range(5)], 0, "boot")
    assert whole_segment(b"") is None
    assert whole_segment(head()) is None
    rows = whole_segment(whole)
    assert rows is not None
    assert len(rows) == 5
    for stop in range(len(head()) + 1, len(whole)):
        assert whole_segment(whole[:stop]) is None


def test_a_damaged_segment_is_whole_only_where_each_batch_is() -> None:
    dice = random.Random(4)
    whole = head()
    for k in range(0, 30, 3):  # some of one shape
        chunks = [Chunk(port="a", t_mono_ns=n, t_wall_ns=n, data=b"x" * n) for n in range(k, k + 3)]
        whole += encode([row_of(chunk, 0) for chunk in chunks], 97 + k, "boot")
    assert whole_segment(whole) is not None
    taken = 0
    for at in range(len(head()), len(whole)):
        data = bytearray(whole)
        data[at] ^= 1 << dice.randrange(8)
        found = whole_segment(bytes(data))
        if found is not None:
            items = list(scan(bytes(data)))
            assert not [item for item in items if isinstance(item, Damage)], at
            rows = [row for item in items if isinstance(item, Batch) for row in item.rows]
            assert list(found.rows(0, 30)) == rows, at
            taken += 1
    assert taken > 100, "bits between values say nothing"


@pytest.mark.parametrize("name", ["Süd", "", "a name of many letters", "\N{SNOWMAN}"])
def test_names_of_ports_are_any_text(name: str) -> None:
    rows = [Row("chunk", name, 5, 6, b"x"), Row("tick", "", 7, 8, b""), Row("chunk", "other", 9, 10, b"yz")]
    found = whole_segment(head() + encode(rows, 0, "boot"))
    assert found is not None
    assert list(found.rows(0, 3)) == rows
    assert found.port.numbers(["other", name]).tolist() == [1, 1 if name == "" else -1, 0]
    assert found.kind.numbers(["tick", "chunk"]).tolist() == [1, 0, 1]


class Bytes(str):
    """A name that is sent as any bytes."""

    def encode(self, *_: str) -> bytes:
        return self.removeprefix("b:").encode("latin-1")


@pytest.mark.parametrize("ports", [("b:S\xff", "ad"), ("b:S\xc3", "b:\xbcd")], ids=["damaged", "torn"])
def test_what_is_no_text_is_no_whole_segment(ports: tuple[str, str]) -> None:
    data = head() + encode([Row("chunk", Bytes(port), 5, 6, b"x") for port in ports], 0, "boot")
    assert whole_segment(data) is None
    assert any(isinstance(item, Damage) for item in scan(data))
