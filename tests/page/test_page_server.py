"""The page's server without a browser: who is let in, what is bounded, how it starts and stops."""

from __future__ import annotations

import asyncio
import http.client
import json
import signal
import socket
import subprocess
import sys
import time
from typing import Any
from urllib.parse import urlsplit

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.datastructures import Headers
from support.served_page import Served, until

from logger.model import Command, Condition, PadCondition, Sample, Say, Urgency
from logger.page import Page, PageSettings
from logger.page.guard import BODY_LIMIT, HEADERS, own_names, refuse
from logger.page.live import Live
from logger.page.viewers import Viewer
from logger.page.web import FILES, _Argument, _plain_text, parse


def ask(
    address: str, method: str, path: str, body: bytes = b"", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """Send one request as it stands; underscores in header names are dashes, an empty value leaves it out."""
    where = urlsplit(address)
    connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=5)
    sent = {
        "host": where.netloc,
        "content-type": "application/json",
        "origin": address,
        "content-length": str(len(body)),
    }
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for name, value in sent.items():
        if value:
            connection.putheader(name, value)
    connection.endheaders(body)
    answer = connection.getresponse()
    got = answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
    connection.close()
    return got


class Stream:
    """A raw reader of the event stream."""

    def __init__(self, address: str, nose: str = "up") -> None:
        where = urlsplit(address)
        self.connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=5)
        self.connection.request("GET", f"/events?nose={nose}")
        self.answer = self.connection.getresponse()

    def next(self) -> dict[str, Any]:
        while not (line := self.answer.readline()).startswith(b"data: "):
            assert line, "the stream ended"
        state: dict[str, Any] = json.loads(line[6:])
        return state

    def ended(self) -> bool:
        while line := self.answer.readline():
            assert line == b"\n" or line.startswith(b"data: ")
        return True

    def close(self) -> None:
        self.answer.close()
        self.connection.close()


def test_every_answer_carries_the_binding_headers(door: Served) -> None:
    address = door.await_address()
    for path in (*FILES, "/nothing", "/do/sing"):
        _, headers, _ = ask(address, "GET" if path != "/do/sing" else "POST", path, b"{}")
        assert {name: headers.get(name) for name in HEADERS} == HEADERS, path
        assert "server" not in headers
    policy = HEADERS["content-security-policy"]
    assert "unsafe" not in policy
    assert policy.startswith("default-src 'none'")


def test_static_files_are_complete_and_bring_nothing_from_elsewhere(door: Served) -> None:
    address = door.await_address()
    for path, (_, kind) in FILES.items():
        status, headers, content = ask(address, "GET", path)
        assert (status, headers["content-type"].partition(";")[0]) == (200, kind)
        text = content.decode().replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text
        assert "https://" not in text
    index = ask(address, "GET", "/")[2].decode()
    assert "<style" not in index
    assert " style=" not in index
    assert index.count("<script") == index.count('<script type="module" src="/')


@pytest.mark.parametrize(
    ("method", "path", "headers", "status"),
    [
        ("GET", "/", {}, 200),
        ("GET", "/", {"origin": ""}, 200),
        ("GET", "/", {"host": "localhost:1"}, 403),  # origin is of another host
        ("GET", "/", {"host": "localhost:1", "origin": ""}, 200),
        ("GET", "/", {"host": "attacker.example", "origin": ""}, 421),
        ("GET", "/", {"host": "127.0.0.1.attacker.example", "origin": ""}, 421),
        ("GET", "/", {"host": "", "origin": ""}, 400),
        ("GET", "/", {"host": "[::1]:80", "origin": ""}, 200),
        ("GET", "/", {"host": "[::1].attacker.example", "origin": ""}, 421),
        ("GET", "/", {"host": "127.0.0.1:80.attacker.example", "origin": ""}, 421),
        ("GET", "/", {"host": "127.0.0.1@attacker.example", "origin": ""}, 421),
        ("GET", "/../settings.py", {}, 404),
        ("GET", "/static/page.js", {}, 404),
        ("PUT", "/do/take", {}, 405),
        ("GET", "/do/take", {}, 405),
        ("POST", "/do/take", {}, 202),
        ("POST", "/do/take", {"origin": ""}, 403),
        ("POST", "/do/take", {"origin": "null"}, 403),
        ("POST", "/do/take", {"origin": "http://attacker.example"}, 403),
        ("POST", "/do/take", {"content_type": "text/plain"}, 415),
        ("POST", "/do/take", {"content_type": ""}, 415),
        ("POST", "/do/burn", {}, 404),
    ],
)
def test_who_may_ask_for_what(
    door: Served, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    door.commands.clear()
    assert ask(door.await_address(), method, path, b"{}" if method == "POST" else b"", **headers)[0] == status
    assert len(door.commands) == (status == 202)


def test_a_configured_name_may_be_used_and_our_own(serve: Any) -> None:
    address = serve(names=("Bay-One.lan",)).await_address()
    for host in ("bay-one.lan:8460", socket.gethostname(), f"{socket.gethostname()}.local"):
        assert ask(address, "GET", "/", host=host, origin="")[0] == 200


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=60), st.one_of(st.none(), st.text(max_size=60)), st.sampled_from(("GET", "POST")))
def test_strange_hosts_and_origins_never_raise_nor_pass(host: str, origin: str | None, method: str) -> None:
    raw = [(b"host", host.encode("latin-1", "replace"))]
    raw += [] if origin is None else [(b"origin", origin.encode("latin-1", "replace"))]
    refusal = refuse(method, "http", Headers(raw=raw), own_names())
    if method == "POST" and refusal is None:
        assert origin is not None
        assert origin.lower() == f"http://{host}".lower()


def test_commands_arrive_with_verb_argument_and_sender(door: Served) -> None:
    door.commands.clear()
    address = door.await_address()
    assert ask(address, "POST", "/do/name", json.dumps({"argument": " sound mats out "}).encode())[0] == 202
    assert ask(address, "POST", "/do/begin")[0] == 202
    got = [(c.verb, c.argument, c.origin) for c in door.commands]
    assert got == [("name", "sound mats out", "page 127.0.0.1"), ("begin", "", "page 127.0.0.1")]
    assert all(abs(c.t_mono_ns - time.monotonic_ns()) < 5e9 for c in door.commands)


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"[]",
        b'{"argument": 1}',
        b'{"verb": "take"}',
        b'{"argument": "' + b"x" * 201 + b'"}',
        b'{"argument": "a\\nb"}',
        b"\xff",
    ],
)
def test_strange_bodies_are_refused_in_words(door: Served, body: bytes) -> None:
    door.commands.clear()
    status, _, words = ask(door.await_address(), "POST", "/do/name", body)
    assert status == 400
    assert words
    assert door.commands == []


def test_bodies_are_bounded_whatever_they_claim(door: Served) -> None:
    door.commands.clear()
    address = door.await_address()
    assert ask(address, "POST", "/do/name", b" " * (BODY_LIMIT + 1))[0] == 413
    where = urlsplit(address)
    connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=5)
    headers = {"origin": address, "content-type": "application/json"}
    chunks = (b" " * 1000 for _ in range(5))
    connection.request("POST", "/do/name", chunks, headers, encode_chunked=True)
    assert connection.getresponse().status == 400
    connection.close()
    assert door.commands == []


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=300))
def test_arbitrary_bodies_give_text_or_a_plain_error(body: bytes) -> None:
    try:
        text = _plain_text(parse(body, _Argument).argument)
    except ValueError:
        return  # refused in words; anything else would be a fault of ours
    assert text.isprintable()


def test_late_joiner_gets_the_present_at_once_and_then_only_changes(serve: Any) -> None:
    served = serve()
    address = served.await_address()
    served.put(
        Say(t_mono_ns=0, text="Zero is good.", urgency=Urgency.RESULT),
        PadCondition(
            pad="P3", condition=Condition.SILENT, since_mono_ns=time.monotonic_ns(), reason="no radio"
        ),
    )
    stream = Stream(address)
    first = stream.next()
    assert [said["text"] for said in first["said"]] == ["Zero is good."]
    assert first["pads"] == ["P3 silent for 0 s: no radio"]
    assert first["boot"]
    assert stream.next().keys() <= {"pads"}, "nothing but ages changes, and each message is a sign of life"
    served.put(Say(t_mono_ns=0, text="Drive on.", urgency=Urgency.PROMPT))
    while "said" not in (state := stream.next()):
        pass
    assert [(said["n"], said["text"]) for said in state["said"]] == [(1, "Zero is good."), (2, "Drive on.")]
    stream.close()


def test_samples_are_decimated_to_the_renewal_rate(serve: Any) -> None:
    served = serve(renew_Hz=5.0)
    stream = Stream(served.await_address())
    stream.next()
    begin, messages = time.monotonic(), 0
    while time.monotonic() - begin < 1.0:
        now = time.monotonic_ns()
        served.put(
            *(Sample(pad="P1", t_mono_ns=now, t_wall_ns=0, mass_wire_kg=1.0, mass_kg=1.0) for _ in range(40))
        )
        stream.next()
        messages += 1
    assert messages <= 6
    stream.close()


def test_one_viewer_too_many_is_asked_to_come_later(serve: Any) -> None:
    address = serve(viewers=2).await_address()
    streams = [Stream(address) for _ in range(2)]
    for stream in streams:
        stream.next()
    assert ask(address, "GET", "/events")[0] == 503
    assert ask(address, "GET", "/")[0] == 200
    for stream in streams:
        stream.close()
    for _ in range(100):  # those who have left make room
        if ask(address, "HEAD", "/events")[0] != 503:
            break
        time.sleep(0.05)
    else:
        pytest.fail("viewers that left are still counted")


def test_a_viewer_that_lags_is_let_go_and_holds_nobody() -> None:
    viewer = Viewer("up", behind=3)
    gone = []
    for number in range(4):
        viewer.tell({"said": number})
        gone.append(viewer.gone)
    assert gone == [False, False, False, True]

    async def rest() -> list[bytes]:
        return [message async for message in viewer.stream()]

    assert asyncio.run(rest()) == [], "what was queued is dropped: whoever comes back gets the present state"


def test_stop_ends_open_streams_at_once_and_leaves_signals_alone(serve: Any) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    served = serve()
    stream = Stream(served.await_address())
    stream.next()
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
    assert served.stop() < 1.0
    assert stream.ended()
    stream.close()
    assert served.page.address is None


def test_in_the_main_thread_too_signals_stay_the_daemons() -> None:
    async def live() -> None:
        before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
        page = Page(PageSettings(port=0), lambda _: None, lambda _: None)
        task = asyncio.create_task(page.serve())
        while page.address is None:
            await asyncio.sleep(0.01)
        assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert page.address is None

    asyncio.run(live())


def test_a_taken_port_is_told_once_and_tried_again(serve: Any) -> None:
    other = socket.create_server(("127.0.0.1", 0))
    port = other.getsockname()[1]
    served = serve(port=port, retry_s=0.05)
    time.sleep(0.3)
    assert len(served.log) == 1
    assert f"port {port}" in served.log[0]
    assert "in use" in served.log[0]
    assert served.page.trouble == served.log[0]
    served.put(Say(t_mono_ns=0, text="The daemon goes on."))
    other.close()
    address = served.await_address()
    assert ask(address, "GET", "/")[0] == 200
    assert served.log[1:] == [f"the page is served again at {address}/"]
    assert served.page.trouble is None


def test_open_to_the_network_it_names_an_address_a_phone_can_use_and_says_who_may_command(serve: Any) -> None:
    served = serve(host="0.0.0.0", pairing="off")
    address = served.await_address()
    assert "0.0.0.0" not in address
    assert ask(address, "POST", "/do/take", b"{}")[0] == 202
    assert served.log == [
        f"the page is served at {address}/; everybody on this network can watch and command"
    ]


def test_what_strangers_send_is_no_news_and_never_in_the_log(
    door: Served, capfd: pytest.CaptureFixture[str]
) -> None:
    host, _, port = door.await_address().removeprefix("http://").partition(":")
    for sent in (
        b"no HTTP at all\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n",
    ):
        with socket.create_connection((host, int(port)), timeout=5) as stranger:
            stranger.sendall(sent)
            assert stranger.recv(100).startswith(b"HTTP/1.1 ")
    assert capfd.readouterr().err == ""


def test_commands_that_fail_are_answered_told_once_and_do_not_take_the_page_down(
    capfd: pytest.CaptureFixture[str],
) -> None:
    log: list[str] = []

    def fail(_: Command) -> None:
        raise RuntimeError("the daemon is on fire")

    async def live() -> int:
        page = Page(PageSettings(port=0), fail, log.append)
        task = asyncio.create_task(page.serve())
        while page.address is None:
            await asyncio.sleep(0.01)
        address = page.address.rstrip("/")
        loop = asyncio.get_running_loop()
        for _ in range(3):
            status, _, text = await loop.run_in_executor(None, lambda: ask(address, "POST", "/do/take"))
            assert (status, str(text).count("please report it")) == (500, 1)
        assert page.faults == 3
        status, _, _ = await loop.run_in_executor(None, lambda: ask(address, "GET", "/"))
        page.stop()
        await task
        return status

    assert asyncio.run(live()) == 200
    assert len([line for line in log if "the daemon is on fire" in line]) == 1
    assert capfd.readouterr().err == ""


def test_a_fault_of_ours_is_told_once_and_the_page_comes_back(
    serve: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = serve(retry_s=0.05)
    first = served.await_address()
    stream = Stream(first)
    stream.next()
    with monkeypatch.context() as broken:
        broken.setattr(Live, "snapshot", lambda *_: 1 / 0)
        assert stream.ended()
    stream.close()
    until(lambda: served.page.address not in (None, f"{first}/"))
    assert ask(served.await_address(), "GET", "/")[0] == 200
    assert served.page.failures == 1
    assert [line for line in served.log if "failed" in line] == served.log[1:2]
    assert "ZeroDivisionError" in served.log[1]


def test_the_daemons_start_does_not_wait_for_the_web_server() -> None:
    code = "import sys, logger.page; sys.exit('starlette' in sys.modules or 'uvicorn' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
