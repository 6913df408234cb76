"""Journal segments: what is torn, zeroed or flipped is seen, what is whole is read, nothing is made up."""

from __future__ import annotations

import random
import zlib
from itertools import pairwise

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.journal_segment import END, Batch, Damage, Row, Tick, encode, entry_of, head, row_of, scan
from logger.model import Chunk, ClockStep, Command, Gap, GapCause, PortEvent

ROWS = [Row("chunk", f"p{i % 3}", 10**12 + i, 10**18 - i, bytes(range(i, i + 7))) for i in range(24)]
BATCHES = [ROWS[:3], ROWS[3:4], ROWS[4:15], ROWS[15:]]


def segment() -> tuple[bytes, list[int]]:
    """A whole segment and where its batches begin, the end mark last."""
    data, begins, seq = head(), [], 0
    for rows in BATCHES:
        begins.append(len(data))
        data += encode(rows, seq, "run7")
        seq += len(rows)
    return data + END, [*begins, len(data)]


DATA, BEGINS = segment()


def read(data: bytes) -> tuple[list[Row], list[Damage]]:
    items = list(scan(data))
    rows = [row for item in items if isinstance(item, Batch) for row in item.rows]
    return rows, [item for item in items if isinstance(item, Damage)]


def test_whole_segment_reads_back() -> None:
    assert read(DATA) == (ROWS, [])
    assert read(DATA[: -len(END)]) == (ROWS, [])


def test_any_arrow_reader_opens_it() -> None:
    with pa.ipc.open_stream(DATA) as reader:
        first = reader.read_next_batch_with_custom_metadata()
        assert dict(first.custom_metadata)[b"n"] == b"3"
        assert reader.schema.field("t_mono_ns").metadata == {b"unit": b"ns"}
        rest = reader.read_all()
    assert rest.num_rows + first.batch.num_rows == len(ROWS)
    assert rest.column("data").to_pylist() == [row.data for row in ROWS[3:]]


def test_every_prefix_gives_exactly_its_whole_batches() -> None:
    for cut in range(len(head()), len(DATA)):
        rows, damages = read(DATA[:cut])
        whole = sum(end <= cut for end in BEGINS[1:])
        assert rows == [row for batch in BATCHES[:whole] for row in batch], cut
        assert bool(damages) == (cut not in BEGINS), cut


def test_every_zero_filled_tail_gives_exactly_its_whole_batches() -> None:
    for cut in range(0, len(DATA), 3):
        rows, damages = read(DATA[:cut] + bytes(len(DATA) - cut))
        sure = sum(end <= cut for end in BEGINS[1:])
        # a batch's last bytes may have been zeros all along
        assert rows in [[r for b in BATCHES[:n] for r in b] for n in (sure, sure + 1)], cut
        assert damages or cut >= len(DATA) - 4, cut  # the end mark itself ends in zeros


def test_a_flipped_bit_is_seen_and_costs_one_batch() -> None:
    """Every byte once, a seeded bit of it; wrong rows are never given, and the other batches are."""
    rng = random.Random(4)
    for at in range(len(DATA)):
        flipped = bytearray(DATA)
        flipped[at] ^= 1 << rng.randrange(8)
        rows, damages = read(bytes(flipped))
        lost = [n for n, (a, b) in enumerate(pairwise(BEGINS)) if a <= at < b]
        others = [row for n, batch in enumerate(BATCHES) if n not in lost for row in batch]
        assert rows in (others, ROWS), at  # all rows: the bit was padding, or means nothing
        assert rows == ROWS or damages, at


@settings(deadline=None, max_examples=100)
@given(st.data())
def test_random_damage_never_gives_a_row_that_was_not_put(data: st.DataObject) -> None:
    damaged = bytearray(DATA)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        patch = data.draw(st.binary(max_size=40))
        damaged[at : at + data.draw(st.integers(0, 200))] = patch
    rows, _ = read(bytes(damaged))
    left = iter(ROWS)
    assert all(row in left for row in rows)  # some of the rows, in their order


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=400), st.booleans())
def test_arbitrary_bytes_never_raise(data: bytes, headed: bool) -> None:
    rows, damages = read((head() if headed else b"") + data)
    assert rows == []
    assert headed or damages


def test_a_batch_of_another_run_or_out_of_order_is_refused() -> None:
    first, foreign = encode(ROWS[:2], 0, "run7"), encode(ROWS[2:4], 2, "run8")
    again = encode(ROWS[2:4], 1, "run7")
    for wrong in (foreign, again):
        rows, damages = read(head() + first + wrong + END)
        assert rows == ROWS[:2]
        assert [d.reason for d in damages] == ["a batch out of its place"]


def test_a_journal_inside_a_chunk_is_not_taken_for_the_journal() -> None:
    inner = Row("chunk", "p", 1, 1, b"\0" * 5 + encode(ROWS[:2], 5, "other"))
    broken = bytearray(head() + encode([inner], 0, "run7") + encode(ROWS[:1], 1, "run7") + END)
    broken[len(head()) + 9] ^= 255
    rows, damages = read(bytes(broken))
    assert all(row not in ROWS[1:2] for row in rows)
    assert damages


@pytest.mark.parametrize(
    "entry",
    [
        Chunk(port="a", t_mono_ns=1, t_wall_ns=2, data=b"\xff\0"),
        PortEvent(port="a", t_mono_ns=1, t_wall_ns=2, event="lost", detail="gone"),
        Command(t_mono_ns=1, verb="take", origin="ü"),
        ClockStep(t_mono_ns=1, wall_before_ns=2, wall_after_ns=3),
        Gap(pad="*", t_from_mono_ns=1, t_to_mono_ns=2, cause=GapCause.JOURNAL, count=4),
        Tick(t_mono_ns=1),
    ],
)
def test_every_kind_of_entry_comes_back(entry: Chunk) -> None:
    assert entry_of(row_of(entry, 9)) == entry


def test_crc_is_the_common_one() -> None:
    """CRC-32/ISO-HDLC of "123456789" is CBF43926 (CRC RevEng catalogue, check values)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
