"""How well `restpoint learn` does on invented streams: fully right, undecided, silently wrong, and how fast.

    python tools/bench_learn.py [--odd | --far | --wide | --apart | --strange | --prefixed]
                                [--least S] [--first S] [FIRST [LAST]]

Seeds are 0 to 119 unless said. `--least` prolongs recordings, as `--first` cuts them, to so many seconds.

Every stream is learnt as a user would; then the layout's driver reads the recording and a later stretch of
the same indicator in use (heavier loads, readings below zero). A wrong mass or pad in any frame is "wrong".
"""

from __future__ import annotations

import argparse
import sys
import time
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from make_streams import make
from stream_apart import make_apart
from stream_kit import Reading, Stream
from stream_odd import make_far, make_odd
from stream_prefixed import make_prefixed
from stream_strange import make_strange
from stream_wide import make_wide

from drivers.api import FLAG_MOVING, FLAG_STEADY, Frame
from drivers.layout import load_layout
from drivers.learn.learn import Outcome, learn
from drivers.learn.recording import Recording, parse_known


@dataclass(kw_only=True)
class Score:
    """What became of one stream."""

    verdict: str
    why: str = ""
    seconds: float = 0.0
    steady: bool | None = None
    later_read: float = 0.0
    outcome: Outcome | None = None
    notes: list[str] = field(default_factory=list)


def score(stream: Stream) -> Score:
    """Learn a stream and compare with the truth: right, part, undecided or wrong."""
    begun = time.process_time()
    outcome = learn(Recording(stream.chunks), [parse_known(text) for text in stream.known], name=stream.name)
    seconds = time.process_time() - begun
    if not outcome.proven:
        verdict = "right" if stream.undecidable else "undecided"
        return Score(verdict=verdict, why="; ".join(outcome.missing)[:160], seconds=seconds, outcome=outcome)
    if stream.undecidable:
        return Score(verdict="wrong", why="decided what cannot be", seconds=seconds, outcome=outcome)
    data = b"".join(data for _, data in stream.chunks)
    pads = sorted({reading.pad for readings in stream.truth.values() for reading in readings})
    names: dict[str | None, str] = {}
    read, wrong, steady = compare(outcome.layout, data, stream.truth, names)
    for only in pads if wrong else ():  # a layout of one pad without a name may be any one's
        again: dict[str | None, str] = {None: only}
        read, still, steady = compare(outcome.layout, data, stream.truth, again)
        if not still:
            names, wrong = again, ""
            break
    wrong = wrong or _crossed(names)
    later, later_wrong, _ = compare(outcome.layout, stream.later, stream.later_truth, names)
    found = Score(
        verdict="right", seconds=seconds, steady=steady if stream.says_steady else None, outcome=outcome
    )
    found.later_read = later
    integrity = str(outcome.found["check"])
    if wrong or later_wrong:
        found.verdict, found.why = "wrong", wrong or f"later: {later_wrong}"
    elif read < 0.97:
        found.verdict, found.why = "part", f"reads {read:.0%} of the intact messages"
    elif (integrity == "none") != (stream.check == "none"):
        found.verdict, found.why = "part", f"check {integrity}, truly {stream.check}"
    return found


def _crossed(names: dict[str | None, str]) -> str:
    """Say which pads have each other's names, where both name them alike or by numbers; "" when none.

    `names` are the true ones by the layout's.
    """
    told = {name: true for name, true in names.items() if name is not None}
    if set(told) == set(told.values()):
        return "" if all(name == true for name, true in told.items()) else f"names are crossed: {told}"
    if not all(name.isdigit() for pair in told.items() for name in pair):
        return ""
    order = [int(told[name]) for name in sorted(told, key=int)]
    return "" if order == sorted(order) else f"names are crossed: {told}"


def compare(
    layout: str, data: bytes, truth: dict[int, list[Reading]], names: dict[str | None, str]
) -> tuple[float, str, bool]:
    """Read a stream by a layout: share of readings read, the first that is wrong, and whether claims agree.

    `names` are the layout's pads by the true ones; a pad is right when it is always the same.
    """
    driver = load_layout(layout, "learnt").driver()
    at = read = agree = claimed = now = 0
    left: list[Reading] = []
    ends = sorted(truth)
    for item in driver.feed(data, 0):
        at += len(item.raw)
        if not isinstance(item, Frame):
            continue
        middle = at - len(item.raw) // 2  # it may be a line of a record, or end with a start
        end = ends[min(bisect_left(ends, middle), len(ends) - 1)]
        if item.raw and (end != now or not left):
            now, left = end, [r for r in truth[end] if r.begin < middle <= end]
        if not left:
            continue
        true = next((r for r in left if names.get(item.address) == r.pad), None)
        if true is None:
            free = [r for r in left if r.pad not in names.values()]
            if item.address in names or not free:
                return 0.0, f"pad {item.address!r} is {names.get(item.address)!r} and {left[0].pad!r}", False
            true = next((r for r in free if r.pad == item.address), free[0])
            names[item.address] = true.pad
        left.remove(true)
        if item.mass_kg is None or abs(item.mass_kg - true.mass_kg) > 1e-6 + 1e-6 * abs(true.mass_kg):
            return 0.0, f"reads {item.mass_kg} kg, truly {true.mass_kg:.6g} kg", False
        read += 1
        claim = item.flags & (FLAG_STEADY | FLAG_MOVING)
        claimed += bool(claim)
        agree += claim == (FLAG_STEADY if true.steady else FLAG_MOVING)
    total = sum(map(len, truth.values()))
    return read / max(total, 1), "", claimed > 0 and agree > 0.98 * claimed and claimed > 0.9 * read


def shortened(stream: Stream, first_s: float) -> Stream | None:
    """The first seconds of a stream; None when no two known loads stood in them for two seconds."""
    knowns = [known for text in stream.known if (known := parse_known(text)).from_s < first_s - 2]
    if len({known.mass_kg for known in knowns}) < 2:
        return None
    chunks = [(t_s, data) for t_s, data in stream.chunks if t_s < first_s]
    size = sum(len(data) for _, data in chunks)
    text = [
        f"{known.text.partition('@')[0]}@{known.from_s:g}:{min(known.to_s, first_s - 0.2):g}"
        for known in knowns
    ]
    truth = {end: readings for end, readings in stream.truth.items() if end <= size}
    return replace(stream, known=text, chunks=chunks, truth=truth)


def main(
    first: int, last: int, invent: Callable[[int, float], Stream], least_s: float, first_s: float
) -> int:
    """Score seeds and print a line each, then the figures."""
    scores: list[tuple[Stream, Score]] = []
    for seed in range(first, last + 1):
        stream = shortened(invent(seed, least_s), first_s)
        if stream is None:
            continue
        got = score(stream)
        scores.append((stream, got))
        print(
            f"{seed:5d} {got.verdict:9s} {got.seconds:5.2f} s  {stream.shape:18s} {got.why or ''}", flush=True
        )
    _figures(scores)
    return int(any(got.verdict == "wrong" for _, got in scores))


def _figures(scores: list[tuple[Stream, Score]]) -> None:
    counted = Counter(got.verdict for _, got in scores)
    total = len(scores)
    claims = [got.steady for _, got in scores if got.steady is not None]
    later = [got.later_read for stream, got in scores if got.verdict == "right" and not stream.undecidable]
    cpu_s = [got.seconds for _, got in scores]
    print(
        f"\n{total} streams: fully right {counted['right'] / total:.1%}, in part {counted['part']}, ", end=""
    )
    print(f"undecided {counted['undecided']}, silently wrong {counted['wrong']}")
    print(f"steady claims right {sum(claims)} of {len(claims)}; ", end="")
    print(f"of later use {sum(later) / max(len(later), 1):.1%} read, the rest refused")
    print(f"CPU time a stream: mean {sum(cpu_s) / total:.2f} s, most {max(cpu_s):.2f} s")


FAMILIES = {
    "own": make,
    "odd": make_odd,
    "far": make_far,
    "wide": make_wide,
    "apart": make_apart,
    "strange": make_strange,
    "prefixed": make_prefixed,
}


if __name__ == "__main__":
    asked = argparse.ArgumentParser()
    asked.add_argument("seeds", nargs="*", type=int, default=[0, 119])
    asked.add_argument("--least", type=float, default=0, help="record for so many seconds at least")
    asked.add_argument("--first", type=float, default=1e9, help="keep the first seconds only")
    for family in FAMILIES:
        asked.add_argument(f"--{family}", dest="family", action="store_const", const=family, default="own")
    given = asked.parse_args()
    sys.exit(main(given.seeds[0], given.seeds[-1], FAMILIES[given.family], given.least, given.first))
