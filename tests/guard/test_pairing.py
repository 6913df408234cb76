"""Pairing: codes, tokens, rights, revocation; what is on the disk; what a stranger gets."""

from __future__ import annotations

import io
import json
import re
import stat
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.knock import knock
from support.served_page import Served, until

from logger.cli import main
from logger.pace import Pace
from logger.page.doors import Doors, is_loopback
from logger.pairing import FILE, MOST_DEVICES, OFFER_NS, TRIES, Pairing, PairingRefused

Guarded = Callable[..., Served]


def pair(served: Served, right: Any = "command", name: str = "phone") -> str:
    """Pair by the page's own door; return the cookie to send."""
    assert served.folder is not None
    address = served.await_address()  # starting makes codes void that waited before
    code = Pairing(served.folder).offer(right, name, time.monotonic_ns())
    status, headers, text = knock(address, "POST", "/pair", {"code": code})
    assert (status, json.loads(text)) == (200, {"may": right})
    return headers["set-cookie"].partition(";")[0]


def test_a_stranger_gets_the_form_and_nothing_else(guarded: Guarded) -> None:
    served = guarded(metrics=True)
    address = served.await_address()
    assert knock(address, "GET", "/")[0] == 200
    assert json.loads(knock(address, "GET", "/me")[2]) == {"may": "nothing", "name": ""}
    for method, path in (("GET", "/events"), ("POST", "/do/take"), ("GET", "/metrics")):
        status, _, text = knock(address, method, path, {})
        assert status == 401, path
        assert "restpoint pair" in text
    assert served.commands == []


def test_whoever_tells_the_code_may_watch_and_command_and_the_cookie_is_bound(guarded: Guarded) -> None:
    served = guarded()
    address = served.await_address()
    code = Pairing(served.folder or Path()).offer("command", "Anna's phone", time.monotonic_ns())
    _, headers, _ = knock(address, "POST", "/pair", {"code": code})
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie, "over plain http a browser would not keep it"
    told = cookie.partition(";")[0]
    assert json.loads(knock(address, "GET", "/me", cookie=told)[2]) == {
        "may": "command",
        "name": "Anna's phone",
    }
    assert knock(address, "POST", "/do/take", {}, cookie=told)[0] == 202
    assert knock(address, "GET", "/events", cookie=told)[0] == 200
    assert knock(address, "POST", "/pair", {"code": code})[0] == 403, "a code is good for one device"


def test_who_may_watch_may_not_command(guarded: Guarded) -> None:
    served = guarded()
    cookie = pair(served, "watch")
    address = served.await_address()
    assert knock(address, "GET", "/events", cookie=cookie)[0] == 200
    status, _, text = knock(address, "POST", "/do/take", {}, cookie=cookie)
    assert (status, text) == (403, "this device may watch, not command")
    assert served.commands == []


def test_a_revoked_device_loses_what_it_has_open(guarded: Guarded) -> None:
    served = guarded()
    cookie = pair(served)
    address = served.await_address()
    assert knock(address, "GET", "/events", cookie=cookie)[0] == 200
    import http.client
    from urllib.parse import urlsplit

    where = urlsplit(address)
    connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=5)
    connection.request("GET", "/events", headers={"cookie": cookie})
    answer = connection.getresponse()
    assert answer.readline().startswith(b"data: ")
    pairing = Pairing(served.folder or Path())
    (device,) = pairing.devices
    assert pairing.revoke(device.id) is not None
    begin = time.monotonic()
    while answer.readline():
        assert time.monotonic() - begin < 3, "the stream goes on"
    connection.close()
    assert knock(address, "POST", "/do/take", {}, cookie=cookie)[0] == 401
    assert pairing.revoke(device.id) is None


def test_guessing_ends_with_the_offer_and_is_slow(tmp_path: Path, guarded: Guarded) -> None:
    pairing = Pairing(tmp_path)
    code = pairing.offer("command", "", 0)
    wrong = f"{(int(code) + 1) % 1_000_000:06d}"
    for _ in range(TRIES):
        with pytest.raises(PairingRefused):
            pairing.redeem(wrong, 1, 1)
    with pytest.raises(PairingRefused, match="no code is waiting"):
        pairing.redeem(code, 1, 1)
    served = guarded()
    answers = [knock(served.await_address(), "POST", "/pair", {"code": "000000"})[2] for _ in range(7)]
    assert answers[-1].startswith("too many tries")
    assert sum(answer.startswith("too many tries") for answer in answers) == 2


def test_a_code_ends_by_time_by_a_newer_one_and_at_the_daemons_start(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path)
    code = pairing.offer("command", "", 0)
    for t_mono_ns in (OFFER_NS + 1, -1):  # too late; before the offer: the PC has been restarted
        with pytest.raises(PairingRefused, match="no code is waiting"):
            pairing.redeem(code, t_mono_ns, 0)
    newer = pairing.offer("watch", "", 0)
    if newer != code:
        with pytest.raises(PairingRefused):
            pairing.redeem(code, 1, 0)
    Doors("network", tmp_path).open()
    with pytest.raises(PairingRefused, match="no code is waiting"):
        pairing.redeem(newer, 1, 0)


def test_neither_token_nor_code_is_on_the_disk_and_only_the_owner_reads_it(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path)
    code = pairing.offer("command", "phone", 0)
    file = tmp_path / FILE
    assert f'"{code}"' not in file.read_text()
    token, device = pairing.redeem(code, 1, 2)
    for left in tmp_path.iterdir():
        assert token.encode() not in left.read_bytes()
        assert stat.S_IMODE(left.stat().st_mode) == 0o600
        assert left.stat().st_uid == tmp_path.stat().st_uid
    assert len(token) >= 43, "256 bits"
    assert pairing.find(token) == device
    assert pairing.find(device.token_sha256) is None, "the hash opens nothing"


def test_a_damaged_file_lets_nobody_in_and_says_so(tmp_path: Path) -> None:
    pairing = Pairing(tmp_path)
    token, _ = pairing.redeem(pairing.offer("command", "", 0), 1, 1)
    for damage in (b"{", b"[]", b'{"schema": 2}', b"\xff" * 50):
        (tmp_path / FILE).write_bytes(damage)
        assert pairing.find(token) is None
        assert FILE in pairing.trouble
        with pytest.raises(PairingRefused):
            pairing.offer("command", "", 0)


def test_devices_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.pairing._slow", lambda code, salt: code + salt)
    pairing = Pairing(tmp_path)
    for _ in range(MOST_DEVICES):
        pairing.redeem(pairing.offer("watch", "x" * 500, 0), 1, 1)
    assert {len(device.name) for device in pairing.devices} == {40}
    with pytest.raises(PairingRefused, match="revoke one"):
        pairing.offer("watch", "", 0)


@pytest.mark.parametrize(
    ("mode", "address", "headers", "may"),
    [
        ("network", "127.0.0.1", {}, "command"),
        ("network", "::1", {}, "command"),
        ("network", "::ffff:127.0.0.1", {}, "command"),
        ("network", "127.0.0.1", {"x-forwarded-for": "127.0.0.1"}, "nothing"),
        ("network", "127.0.0.1", {"forwarded": "for=127.0.0.1"}, "nothing"),
        ("network", "192.0.2.7", {}, "nothing"),
        ("network", "::ffff:192.0.2.7", {}, "nothing"),
        ("network", None, {}, "nothing"),
        ("network", "not an address", {}, "nothing"),
        ("always", "127.0.0.1", {}, "nothing"),
        ("off", "192.0.2.7", {}, "command"),
    ],
)
def test_this_computer_is_trusted_unless_configured(
    mode: Any, address: str | None, headers: dict[str, str], may: str, tmp_path: Path
) -> None:
    for folder in (tmp_path, None):
        assert Doors(mode, folder).who(address, headers, "").may == may
        assert Doors(mode, folder).who(address, headers, "x" * 43).may == may


LOOPBACK = [ip_network(text) for text in ("127.0.0.0/8", "::1/128", "::ffff:127.0.0.0/104")]
"""RFC 1122, 3.2.1.3 and RFC 4291, 2.5.3 and 2.5.5.2 (from memory)."""


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=120), st.one_of(st.none(), st.text(max_size=20)))
def test_strange_tokens_and_addresses_open_nothing(token: str, address: str | None) -> None:
    assert Doors("always", Path("/nonexistent")).who(address, {}, token).may == "nothing"
    if is_loopback(address) and address != "localhost":
        assert any(ip_address(address or "") in network for network in LOOPBACK)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.floats(0, 100), max_size=50))
def test_pace_lets_no_more_through_than_its_rate(times: list[float]) -> None:
    pace = Pace(burst=3, every_s=10.0)
    times.sort()
    let = [t for t in times if pace.allows(t)]
    for first, later in zip(let, let[4:], strict=False):
        assert later - first >= 10.0 * 0.999


def test_commands_are_paced(guarded: Guarded) -> None:
    served = guarded()
    cookie = pair(served)
    answers = [knock(served.await_address(), "POST", "/do/take", {}, cookie=cookie)[0] for _ in range(40)]
    assert answers[:20] == [202] * 20
    assert 429 in answers
    assert len(served.commands) == answers.count(202)


def test_from_the_network_strangers_are_kept_out_by_default(tmp_path: Path) -> None:
    served = Served(folder=tmp_path, host="0.0.0.0")
    try:
        address = served.await_address()
        stranger = not is_loopback(address.split("//")[1].rpartition(":")[0])
        status = knock(address, "POST", "/do/take", {})[0]
        assert status == (401 if stranger else 202)
        local = re.sub("//.*:", "//127.0.0.1:", address)
        assert knock(local, "POST", "/do/take", {})[0] == 202
        assert "once paired: restpoint pair" in served.log[0]
    finally:
        served.stop()


def bay(folder: Path, page: str) -> Path:
    file = folder / "bay.toml"
    file.write_text(
        '[bay]\nname = "b"\n[[port]]\nname = "p"\ndevice = "/dev/ttyS9"\nlayout = "line-plain"\n'
        f'[[pad]]\nid = "P1"\nport = "p"\n[page]\n{page}\n'
    )
    return file


def restpoint(*words: str | Path) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(word) for word in words])
    return code, out.getvalue(), err.getvalue()


def test_the_verb_offers_lists_and_revokes(tmp_path: Path) -> None:
    file = bay(tmp_path, 'host = "0.0.0.0"')
    code, out, err = restpoint("pair", "-c", file, "--watch", "--name", "screen")
    assert code == 0, err
    digits = re.search(r"type {2}(\d{3}) (\d{3})", out)
    assert digits
    assert "▄" in out
    assert "read along" in out, "without https it says what that means"
    pairing = Pairing(tmp_path / "data")
    token, device = pairing.redeem(digits[1] + digits[2], time.monotonic_ns(), time.time_ns())
    assert (device.name, device.right) == ("screen", "watch")
    assert "screen, may watch, since" in restpoint("pair", "-c", file, "--list")[1]
    assert restpoint("pair", "-c", file, "--revoke", str(device.id))[0] == 0
    assert pairing.find(token) is None
    assert restpoint("pair", "-c", file, "--revoke", "7")[0] == 1


def test_the_verb_says_when_no_phone_could_come(tmp_path: Path) -> None:
    code, _, err = restpoint("pair", "-c", bay(tmp_path, 'host = "127.0.0.1"'))
    assert code == 1
    assert "this computer only" in err


def test_metrics_are_off_unless_asked_for(guarded: Guarded) -> None:
    assert knock(guarded().await_address(), "GET", "/metrics")[0] == 404
    served = guarded(metrics=True)
    served.health = {
        "ports": {'a "b"': {"state": "opened", "bytes_read": 12345678, "losses": 1, "bytes_dropped": 0}},
        "streams": {"p": {"frames": 7, "rejects": {"check": 2}}},
        "pads": {"P1": {"condition": "silent"}},
        "troubles": {"journal": {"state": "failed"}},
    }
    status, headers, text = knock(served.await_address(), "GET", "/metrics", cookie=pair(served, "watch"))
    assert status == 200
    assert headers["content-type"].startswith("text/plain; version=0.0.4")
    assert 'restpoint_port_bytes_total{port="a \\"b\\""} 12345678\n' in text
    assert 'restpoint_rejects_total{port="p",reason="check"} 2\n' in text
    assert 'restpoint_pad_well{pad="P1"} 0\n' in text
    assert 'restpoint_trouble{part="journal"} 1\n' in text
    line = re.compile(r'(# (HELP|TYPE) \w+ .+|\w+(\{(\w+="([^"\\\n]|\\.)*",?)*\})? -?[\d.e+]+)')
    assert all(line.fullmatch(row) for row in text.splitlines())


def test_a_folder_that_refuses_is_told_in_words(guarded: Guarded) -> None:
    served = guarded()
    address = served.await_address()
    until(lambda: served.page.address)
    assert knock(address, "POST", "/pair", {"code": "123456"})[2].startswith("no code is waiting")
    assert knock(address, "POST", "/pair", {"code": 5})[0] == 400
    assert knock(address, "POST", "/pair", {"code": "1" * 21})[0] == 400
    assert knock(address, "POST", "/pair", {"code": "1"}, origin="http://attacker.example")[0] == 403
    assert knock(address, "POST", "/pair", {"code": "1"}, content_type="text/plain")[0] == 415
