"""Parts of learning: known loads, units by ratio, checks, line settings, what is held to what was seen."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from support import ROOT

from drivers import checks
from drivers.api import Frame, Reject
from drivers.layout import load_layout
from drivers.learn import effort, lines
from drivers.learn.answer import answer
from drivers.learn.cuts import Cut, Piece, misplaced
from drivers.learn.find_check import Found, find_check
from drivers.learn.learn import learn
from drivers.learn.recording import Known, Recording, parse_known
from drivers.learn.solve import resynchronised
from drivers.learn.verdict import Verdict, shown, whole


def test_a_known_load_reads_as_written() -> None:
    known = parse_known("84.2kg@12:20")
    assert (known.value, known.unit, known.from_s, known.to_s) == (Fraction("84.2"), "kg", 12.0, 20.0)
    assert known.half_digit_kg == pytest.approx(0.05)
    assert parse_known(" 0 @ 0 : 8 ").unit == "kg"
    assert parse_known("185.6lb@1:2").mass_kg == pytest.approx(84.187, abs=0.001)


@pytest.mark.parametrize("text", ["84.2kg", "84,2kg@1:2", "84.2stone@1:2", "5kg@8:8", "kg@1:2", ""])
def test_a_known_load_that_is_none_says_why(text: str) -> None:
    with pytest.raises(ValueError, match=r"known load|unit|ends before"):
        parse_known(text)


def _knowns() -> list[Known]:
    return [parse_known("0@0:8"), parse_known("84.2kg@12:20")]


def _answering(per_kg: float, step: float = 0.0):  # type: ignore[no-untyped-def]  # a test's own
    times = [n / 10 for n in range(200)]
    values = [per_kg * (84.2 if t > 10 else 0.0) for t in times]
    values = [round(v / step) * step for v in values] if step else values
    found = answer({"": (times, values)}, _knowns(), step or None)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("per_kg", "unit"),
    [(1.0, "kg"), (2.2046226, "lb"), (1000.0, "g"), (0.001, "t"), (9.80665, "N"), (35.27396, "oz")],
)
def test_a_shown_number_tells_its_unit_by_the_ratio(per_kg: float, unit: str) -> None:
    """Ratios: international pound (exact) and standard gravity (3rd CGPM 1901)."""
    verdict = shown(_answering(per_kg), "")
    assert isinstance(verdict, Verdict)
    assert verdict.unit == unit


@pytest.mark.parametrize(
    ("per_kg", "unit", "decimals", "scale"),
    [
        (100, "kg", 2, ""),
        (1000, "kg", 3, ""),
        (22.046226, "lb", 1, ""),
        (20, "kg", None, "0.05"),
        (50, "kg", None, "0.02"),
        (11.023113, "lb", None, "0.2"),
    ],
)
def test_an_integer_tells_unit_decimals_or_scale(
    per_kg: float, unit: str, decimals: int | None, scale: str
) -> None:
    verdict = whole(_answering(per_kg, 1.0), _knowns(), "", digits=False)
    assert isinstance(verdict, Verdict)
    assert (verdict.unit, verdict.decimals, verdict.scale) == (unit, decimals, scale)


def test_newtons_and_kilograms_are_not_guessed_apart() -> None:
    """Without a point and a word, newtons may be kilograms with a load known 2 % wrong."""
    verdict = whole(_answering(98.0665, 1.0), _knowns(), "", digits=True)
    assert isinstance(verdict, str)
    assert "newtons" in verdict


def _messages() -> list[bytes]:
    return [b"\xa5" + n.to_bytes(3, "big") + bytes([n * 7 & 0xFF]) for n in range(5000, 5400, 5)]


@pytest.mark.parametrize("kind", ["xor", "sum", "sum-twos", "sum-ones"])
def test_sums_are_found_with_their_span(kind: str) -> None:
    compute = checks.summing(kind)
    sent = [m + bytes([compute(m[1:]) & 0xFF]) for m in _messages()]
    found = find_check(sent, Cut(kind="fixed", start=b"\xa5", size=6))
    assert found is not None
    assert (found.kind, found.at, found.first, found.passing) == (kind, -1, 1, len(sent))


@pytest.mark.parametrize("name", ["CRC8-MAXIM-DOW", "CRC16-MODBUS", "CRC16-XMODEM", "CRC32-ISO-HDLC"])
@pytest.mark.parametrize("order", ["big", "little"])
def test_crcs_are_found_by_name_among_noise(name: str, order: str) -> None:
    compute, bits = checks.crc(name)
    sent = [m + compute(m).to_bytes(bits // 8, order) for m in _messages()]  # type: ignore[arg-type]  # one of two
    sent[::9] = [m[:2] + b"\x55" + m[3:] for m in sent[::9]]
    found = find_check(sent, Cut(kind="fixed", start=b"\xa5", size=len(sent[0])))
    assert found is not None
    assert found.crc == name
    assert found.passing == len(sent) - len(sent[::9])


def test_equal_numbers_are_no_check() -> None:
    """Two equal numbers in a line cancel in an XOR, which is no check."""
    sent = [f"{n / 10:8.1f} {n / 10:8.1f}\r\n".encode() for n in range(0, 900, 7)]
    assert find_check(sent, Cut(kind="line", end=b"\r\n")) is None


def test_a_byte_that_changes_by_damage_only_is_no_check() -> None:
    """It agrees with a sum over bytes that never change either, and would prove nothing about the number."""
    rng = random.Random(3)
    sent = [b"\xa5\x5a\x01\x00\x02\x99" + n.to_bytes(2, "big") for n in range(3000, 5800, 7)]
    sent = [m[:5] + rng.randbytes(1) + m[6:] if rng.random() < 0.15 else m for m in sent]
    assert find_check(sent, Cut(kind="fixed", start=b"\xa5\x5a", size=8)) is None


def test_messages_begin_where_most_chunks_do() -> None:
    """A XOR holds wherever messages of one size are cut, and the recording begins in the middle of one."""
    bodies = [n.to_bytes(2, "big") for n in range(1040, 1080) for _ in range(3)]
    sent = [b"\xaa\x55" + body + bytes([checks.xor(body)]) for body in bodies]
    recording = Recording([(n / 10, part) for n, part in enumerate([sent[0][2:], *sent])])
    pieces = [Piece(begin=at, stop=at + 5, message=recording.data[at : at + 5]) for at in recording.starts]
    check = Found(kind="xor", at=-1, size=1, first=0, stop=-1, init=0xFF)
    assert check.check().passes(sent[0][2:] + b"\xaa\x55")
    found = resynchronised(recording.data, pieces, check)
    assert [piece.message for piece in found] == sent


# ---------------------------------------------------------------- line settings


def _wire_bits(data: bytes) -> list[int]:
    """The bits of a line at 8N1, with a little idle between messages."""
    bits: list[int] = [1] * 30
    for byte in data:
        bits += [0, *(byte >> n & 1 for n in range(8)), 1]
        if byte == 0x0A:
            bits += [1] * 40
    return bits


def _received(bits: list[int], ratio: float) -> tuple[bytes, int]:
    """What a receiver at `ratio` of the sender's speed makes of the bits, and its framing errors."""
    out, errors, at = bytearray(), 0, 0.0
    sampled = lambda t: bits[int(t)]  # noqa: E731 - reads as the formula does
    while at + 12 / ratio < len(bits):
        if sampled(at):
            at += 0.25
            continue
        begin = at + 0.5 / ratio
        byte = sum(sampled(begin + (n + 1) / ratio) << n for n in range(8))
        stop = sampled(begin + 9 / ratio)
        errors += not stop
        out.append(byte)
        at = begin + 9 / ratio
    return bytes(out), errors


def test_the_right_speed_scores_best() -> None:
    """A simulated receiver at other speeds sees damaged characters and no text."""
    data = b"".join(f"ST,{n / 10:8.2f} kg\r\n".encode() for n in range(60))
    bits = _wire_bits(data)
    scores = {}
    for ratio in (0.25, 0.5, 1.0, 2.0, 4.0, 6.0):
        heard, errors = _received(bits, ratio)
        scores[ratio] = lines.score(heard, errors)
    assert scores[1.0] > lines.SURE
    assert max(score for ratio, score in scores.items() if ratio != 1.0) < lines.SURE


def test_binary_that_repeats_scores_above_noise() -> None:
    import random

    rng = random.Random(1)
    frames = b"".join(
        b"\xaa\x55\x01" + (4000 + n % 9).to_bytes(2, "big") + bytes([n & 0xFF]) for n in range(60)
    )
    assert lines.score(frames) > 0.5 > lines.score(rng.randbytes(400))


@pytest.mark.parametrize(("parity", "odd"), [("E", 0), ("O", 1)])
def test_parity_bits_among_eight_are_seen(parity: str, odd: int) -> None:
    plain = b"".join(f"US {n / 10:7.1f} lb\r\n".encode() for n in range(30))
    sent = bytes(b | 0x80 if b.bit_count() % 2 != odd else b for b in plain)
    assert lines.hidden_parity(sent) == parity
    assert lines.hidden_parity(plain) == ""
    outcome = learn(Recording([(0.0, sent), (30.0, sent)]), _knowns(), name="x")
    assert f"--parity {parity}" in outcome.missing[0]


def test_marks_of_damaged_characters_are_taken_out() -> None:
    """The kernel's PARMRK (termios(3)): FF 00 x is a damaged x, FF FF a plain FF."""
    assert lines.unmarked(b"a\xff\x00bc\xff\xffd\xff") == (b"abc\xffd\xff", 1)


# ---------------------------------------------------------------- held to what was seen


def _learnt(make_line) -> str:  # type: ignore[no-untyped-def]  # a test's own
    chunks = []
    for n in range(200):
        noise = random.Random(n).randrange(9)
        load = min(max(n - 88, 0) * 35, 840) + noise  # put on slowly, never quite still
        chunks.append((n / 10, make_line(n, load, 88 < n < 112)))
    outcome = learn(Recording(chunks), _knowns(), name="test")
    assert outcome.proven, outcome.missing
    return outcome.layout


def test_bytes_that_never_change_are_no_part_of_raw_counts() -> None:
    """90 33 before a number that fits no unit would make it counts with ten thousand tonnes of dead load."""
    chunks = []
    for n in range(240):
        load = round(min(max(n - 88, 0) * 4.0, 84.2) * 237.3) + random.Random(n).randrange(9)
        body = b"\x90\x33" + load.to_bytes(2, "big")
        chunks.append((n / 10, b"\xaa\x55" + body + bytes([checks.xor(body)])))
    outcome = learn(Recording(chunks), _knowns(), name="test")
    assert not outcome.proven
    assert any("A third known load would decide" in text for text in outcome.missing), outcome.missing


def test_a_code_never_seen_is_refused_not_read() -> None:
    layout = _learnt(lambda n, load, moving: f"{'M' if moving else 'S'}G {load / 10:7.1f} kg\r\n".encode())
    driver = load_layout(layout, "learnt").driver()
    seen, unseen = b"\r\nSG    12.3 kg\r\n", b"SN    12.3 kg\r\n"
    frames = [item for item in driver.feed(seen, 0) if isinstance(item, Frame)]
    assert [frame.mass_kg for frame in frames] == [12.3]
    assert all(isinstance(item, Reject) for item in driver.feed(unseen, 0))


def test_numbers_whose_sign_was_never_seen_are_refused() -> None:
    """Two bytes never above 7FFF: FFFF may be -0.1 kg or 6553.5 kg and is refused."""

    def line(n: int, load: int, moving: bool) -> bytes:
        body = bytes([moving]) + load.to_bytes(2, "big")
        return b"\xaa\x55" + body + bytes([checks.xor(body)])

    driver = load_layout(_learnt(line), "learnt").driver()
    plain, odd = line(0, 0x7FFF, False), line(0, 0xFFFF, False)
    items = driver.feed(plain * 3 + odd + plain * 3, 0)
    masses = {item.mass_kg for item in items if isinstance(item, Frame)}
    assert masses == {3276.7}
    assert any(isinstance(item, Reject) for item in items)


def test_a_layout_names_its_evidence() -> None:
    layout = _learnt(lambda n, load, moving: f"{'M' if moving else 'S'}{load:+07d}{n % 10}\r".encode())
    for words in (
        "held back:",
        "of 200 frames",
        "says moving in",
        "value: text",
        "seq",
    ):
        assert words in layout


def test_a_line_longer_than_the_size_does_not_throw_lines_out_of_step() -> None:
    """Found by learning: an end that stood across an overlong cut kept sized lines out of step for ever."""
    layout = load_layout(
        'about = "x"\nlimits_kg = [-9, 99]\n[frame]\nkind = "line"\nsize = 13\n[fields]\nunit = "kg"\n'
        "value = { at = 3, size = 6 }\n",
        "x",
    )
    lines_ = b"+S 000012 kg\r\n"[:11] + b"\r\n"
    items = layout.driver().feed(b"\r\nbatt low? no\r\n" + lines_ * 5, 0)
    assert sum(isinstance(item, Frame) for item in items) >= 4


def test_no_path_of_this_machine_is_written() -> None:
    assert str(ROOT) not in _learnt(lambda n, load, moving: f"{load / 10:.1f} kg\r\n".encode())


def _sized_10() -> list[tuple[float, bytes]]:
    """A load of 84.2 kg from 10 s on, in messages of 10 bytes."""
    out = []
    for n in range(200):
        count = round(842 * min(max(n / 10 - 10, 0.0), 1.0)) + n % 2
        body = count.to_bytes(4, "big") + bytes([n % 256, 0x0C, 0x51])
        out.append((n / 10, b"\xa5\x5a" + body + bytes([sum(body) & 0xFF])))
    return out


def test_a_cut_is_wrong_where_chunks_begin_elsewhere() -> None:
    whole = _sized_10()
    split = [
        (t_s, part) for t_s, data in whole for part in ((data[:4], data[4:]) if data[5] % 8 == 3 else (data,))
    ]
    recording = Recording(split)
    right = Cut(kind="fixed", start=b"\xa5\x5a", size=10)
    shifted = Cut(kind="fixed", start=b"\x0c\x51", size=10)
    assert not misplaced(right.pieces(recording.data), recording.starts)
    assert misplaced(shifted.pieces(recording.data), recording.starts)
    evenly = range(3, len(recording.data), 10)  # as a recorder may ask for bytes
    assert not misplaced(right.pieces(recording.data), evenly)
    buffered = [n + n // 7 % 3 for n in range(0, len(recording.data), 7)]  # as a converter may send them
    assert not misplaced(right.pieces(recording.data), buffered)


def test_work_is_bounded_and_what_was_not_tried_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    recording, knowns = Recording(_sized_10()), [parse_known("0@0:8"), parse_known("84.2kg@12:20")]
    assert learn(recording, knowns, name="x").proven
    monkeypatch.setattr(effort.Effort.__init__, "__defaults__", (2000, 2000))
    outcome = learn(recording, knowns, name="x")
    assert not outcome.proven
    assert "not tried to the end" in outcome.missing[0]
    assert "messages of 10 bytes" in outcome.missing[0]
    monkeypatch.setattr(effort.Effort.__init__, "__defaults__", (effort.TRYING, 2000))
    outcome = learn(recording, knowns, name="x")
    assert not outcome.proven
    assert any("not proven, for it would take too long" in why for why in outcome.missing)


def test_what_took_all_the_work_is_not_gone_on_with(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each further way to cut would cost its search for a check again: the loop ends."""
    monkeypatch.setattr(effort.Effort.__init__, "__defaults__", (150_000, 1_000_000))
    rng = random.Random(3)
    chunks = [(n / 10, bytes([0x55, *rng.randbytes(12)])) for n in range(200)]
    said: list[str] = []
    outcome = learn(Recording(chunks), _knowns(), name="noise", say=said.append)
    assert not outcome.proven
    assert sum("too long" in text for text in said) == 1
    assert "too long" in said[-1]
