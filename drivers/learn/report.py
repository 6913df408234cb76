"""The layout as it is written: with its byte picture, the evidence, and what was not excluded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from drivers.layout import load_layout
from drivers.learn.doubts import half_range
from drivers.learn.prove import Proof
from drivers.learn.recording import Known
from drivers.learn.roles import Role
from drivers.learn.solve import Solution
from drivers.picture import draw, picture, spans
from drivers.wire import to_text

WIDTH = 100


def commented(
    text: str, solution: Solution, proof: Proof, final: Proof, notes: Sequence[str], knowns: Sequence[Known]
) -> str:
    """Put the comments before the layout."""
    lines = [
        "Learnt by `restpoint learn`; known loads: " + ", ".join(known.text for known in knowns) + ".",
        "",
    ]
    message = solution.shape.rows[len(solution.shape.rows) // 2].message
    lines += _picture(text, message)
    lines += ["", "Evidence:"]
    lines += [f"  {line}" for line in evidence(solution, proof, final)]
    lines += ["", "Not excluded:"] if notes else []
    lines += [f"  {note}" for note in notes]
    return "".join(f"# {line}".rstrip() + "\n" for raw in lines for line in _folded(raw)) + "\n" + text


def _picture(text: str, message: bytes) -> list[str]:
    layout = load_layout(text, "learnt")
    if layout.framing.unwrap is None:
        return picture(layout, message).splitlines()
    return [
        "what a message carries, without its escapes:",
        *draw(message, spans(layout, message)).splitlines(),
    ]


def _folded(line: str) -> Iterator[str]:
    """Fold long sentences; pictures are narrower."""
    indent = " " * (len(line) - len(line.lstrip()))
    while len(line) > WIDTH and " " in line[len(indent) + 1 : WIDTH]:
        cut = line.rindex(" ", 0, WIDTH)
        yield line[:cut]
        line = indent + "  " + line[cut + 1 :]
    yield line


def evidence(solution: Solution, proof: Proof, final: Proof) -> list[str]:
    """One sentence for each thing found."""
    value, shape = solution.value, solution.shape
    out = [
        f"frame: {shape.cut.told()}; explains {final.frames:,} of {final.expected:,} frames of this kind, "
        f"{solution.covered:.1%} of all bytes",
        f"held back: {proof.told()}",
    ]
    if shape.check is not None:
        out.append(
            f"check: {shape.check.name} passes {shape.check.passing:,} of {shape.check.of:,} messages "
            f"as sent and refuses {final.altered_refused:,} of {final.altered:,} altered ones"
        )
    else:
        out.append("check: none was found; limits are all that refuses a damaged number")
    found = value.answer
    out.append(
        f"value: {value.reading.told()}, {value.verdict.unit}: answers {found.slope:.6g} for each kg, "
        f"{found.agreeing:,} of {found.inside:,} frames at known loads agree; step {found.step:.6g}"
    )
    out += [f"{_name(role)}: {role.evidence}" for role in solution.roles if role.evidence]
    if not any(role.kind == "steady" for role in solution.roles):
        out.append("steady: no field was seen to claim it")
    if half_range(solution) is None and min(v for _, n in value.groups.values() for v in n) >= 0:
        out.append("sign: no negative reading was seen")
    held = [role for role in solution.roles if role.kind in ("constant", "code") and role.map]
    if held:
        seen = ", ".join(to_text(cell) for role in held for cell in role.map)
        out.append(f"held to what was seen, anything else is refused: {seen}")
    return out


def _name(role: Role) -> str:
    where = f"byte {role.source[0]}" if isinstance(role.source, tuple) else f"cell {role.source + 1}"
    return f"{'status' if role.kind in ('code', 'steady') else role.kind} ({where})"
