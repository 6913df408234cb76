"""A layout with faults names them all at once, each with line, key and remedy; nothing is guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.api import Frame
from drivers.layout import load_layout
from drivers.registry import SHIPPED
from drivers.schema import LayoutError

GOOD = (SHIPPED / "stx-etx-xor.toml").read_text(encoding="utf-8")


def faults(text: str) -> list[str]:
    with pytest.raises(LayoutError) as caught:
        load_layout(text if "\n" in text else text + "\n", name="mine")
    return caught.value.faults


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("baud = 19200", "bauds = 19200", "serial.bauds is unknown; did you mean 'baud'?"),
        ("baud = 19200", 'baud = "fast"', "serial.baud must be a whole number, not the text 'fast'"),
        ("baud = 19200", "baud = 3", "serial.baud = 3 must be 50 to 4000000"),
        ("baud = 19200", "stopbits = 3", "serial.stopbits must be 1, 1.5 or 2"),
        ('kind = "marked"', 'kind = "marks"', "frame.kind = 'marks' is unknown; did you mean 'marked'?"),
        ('start = "<STX>"', "", "frame.start is needed and must not be empty"),
        ('end = "<ETX>"', 'end = "<EXT>"', "<EXT> is neither a control character's name nor two hexadecimal"),
        ('kind = "xor"', 'kind = "crc"\ncrc = "CRC16-MODBUSS"', "did you mean 'CRC16-MODBUS'?"),
        ('coding = "hex"', 'coding = "hex"\nat = -1', "check.at = -1 leaves no room"),
        ("size = 9 }", "size = 90 }", "fields.value.size = 90 must be 1 to 64"),
        (
            "value = { at = 5, size = 9 }",
            "value = { at = 30, size = 9 }",
            "do not stand in a message of 33 bytes",
        ),
        ("value = { at = 5, size = 9 }", "", "fields.value is needed"),
        ("value = { at = 5, size = 9 }", "valve = { at = 5, size = 9 }", "did you mean 'value'?"),
        ("value = { at = 5, size = 9 }", "value = { at = 5, size = 9, scale = 0 }", "scale must not be 0"),
        ("size = 33\n", "", "frame.size is needed when fields stand by position"),
        ("unit = { at = 15, size = 2 }", "", "unit is needed"),
        (
            "unit = { at = 15, size = 2 }",
            'unit = "kgs"',
            "fields.unit = 'kgs' is unknown; did you mean 'kg'?",
        ),
        ('S = "steady"', 'S = "stable"', "fields.status.map.S: 'stable' is unknown"),
        ("wraps = 10000", "warps = 10000", "fields.seq.warps is unknown; did you mean 'wraps'?"),
        ('about = "STX', 'limits_kg = [5, 1]\nabout = "STX', "two numbers, the lower first"),
        ('about = "STX', 'limits_counts = [1, 5]\nabout = "STX', "limits_counts does not go with the unit"),
        ("[check]", "[checks]", "without a [check] plausible limits are needed"),
        ("[check]", "[checks]", "checks is unknown; did you mean 'check'?"),
        ("[serial]", "[poll]\nrequests = []\n[serial]", "poll.requests is needed"),
        ("[serial]", '[poll]\nrequests = ["a", "a"]\n[serial]', "the same request stands there twice"),
        ("[serial]", "pads = 3\n[serial]", "pads must be a list of tables"),
    ],
)
def test_fault(old: str, new: str, said: str) -> None:
    found = faults(changed(old, new))
    assert any(said in fault for fault in found), found


def test_all_at_once_with_lines() -> None:
    text = changed("baud = 19200", 'parity = "e"').replace('kind = "xor"', 'kind = "xxor"')
    found = faults(text.replace("seq = {", "sec = {"))
    numbers = [int(fault.split(":")[0].removeprefix("line ")) for fault in found]
    assert numbers == sorted(numbers)
    lines = text.splitlines()
    at = 1 + next(n for n, line in enumerate(lines) if line.startswith("parity"))
    assert f"line {at}: serial.parity = 'e' is unknown; known are N, E, O, M, S" in found
    assert len(found) == 3


def test_file_named_in_the_message(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("limits_kg = [0, 1]\n[frame]\nkind = 1\n", encoding="utf-8")
    with pytest.raises(LayoutError, match=r"mine\.toml: line 3: frame\.kind must be a text"):
        load_layout(path)
    path.write_text("[frame\n", encoding="utf-8")
    with pytest.raises(LayoutError, match=r"mine\.toml: is not TOML"):
        load_layout(path)
    path.write_bytes(b"about = '\xff'\n")
    with pytest.raises(LayoutError, match="UTF-8"):
        load_layout(path)


LINE = '[frame]\nkind = "line"\n'
BODY = f"{LINE}[body]\nkind = "
FIELDS = '[fields]\nunit = "kg"\nvalue = { at = 0 }\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f'[frame]\nkind = "fixed"\nsize = 4\n{FIELDS}', "frame.start: without a start"),
        (f'[frame]\nkind = "length"\nlength = {{ plus = 1 }}\n{FIELDS}', "frame.start: without a start"),
        (f'[frame]\nkind = "length"\nstart = "a"\n{FIELDS}', "frame.length is needed"),
        (BODY + '"pattern"\npattern = "("\n', "body.pattern: "),
        (BODY + '"columns"\n', "body.count is needed"),
        (BODY + '"keyed"\n[fields]\nvalue = {}\n', "fields.value.key is needed"),
        (
            BODY + '"pattern"\npattern = "(?P<valu>x)"\n[fields]\nvalue = {}\n',
            "the pattern has no group 'value'; did you mean 'valu'?",
        ),
        ("[modbus]\nunits = [0]\n", "units is needed: a list of different unit identifiers"),
        (
            "[modbus]\nunits = [1]\ncount = 2\nfirst = 7\n[fields]\nvalue = { register = 9 }\n",
            "register 9 is not among",
        ),
        (f"[modbus]\nunits = [1]\n{LINE}", "frame does not go with [modbus]"),
        (
            f'pads = [{{ address = "1", value = {{ at = 0 }} }}, {{ unit = "kg" }}]\n{LINE}size = 4\n',
            "each needs an address of its own",
        ),
        ('[fields]\nunit = "counts"\nvalue = { scale = 2 }\n', "counts have neither scale nor offset"),
        ("about = 1979-05-27\n", "about must be a text"),
        ("frame = 3\n", "frame must be a table"),
    ],
)
def test_other_shapes(text: str, said: str) -> None:
    found = faults(text)
    assert any(said in fault for fault in found), found


def test_overload_without_number_and_unknown_status() -> None:
    layout = (SHIPPED / "fixed-width.toml").read_text(encoding="utf-8")
    driver = load_layout(layout).driver()
    over, unknown = driver.feed(b"A2O  ???????? kg\rA2X  +0000001 kg\r", 0)
    assert isinstance(over, Frame)
    assert over.mass_kg is None
    assert not isinstance(unknown, Frame)


def test_shipped_layouts_are_short_and_commented() -> None:
    for path in SHIPPED.glob("*.toml"):
        lines = path.read_text(encoding="utf-8").splitlines()
        said = [line for line in lines if line.strip() and not line.startswith("#")]
        assert len(said) <= 25, path.name
        assert lines[0].startswith("# "), path.name
        assert load_layout(path).about, path.name


def test_the_sequence_number_says_where_it_wraps() -> None:
    assert load_layout(SHIPPED / "stx-etx-xor.toml").driver().seq_wraps == 10000
    assert load_layout(SHIPPED / "line-plain.toml").driver().seq_wraps is None
