"""The broker's configuration of deploy/, run: each user does what the list says, over TLS, nobody else."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support import ROOT, absent

from logger.page.certificate import certificate

SECRET = "not a real one"


def program(name: str) -> str:
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin")
    if found is None:
        absent(f"{name} (Debian package mosquitto)")
    return found


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, Path]]:
    """A mosquitto on the files of deploy/, only their paths and port put in place: (port, certificate)."""
    folder = tmp_path_factory.mktemp("broker")
    if shutil.which("openssl") is None:
        absent("openssl (Debian package openssl)")
    made = certificate(folder, ["localhost"])
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    text = (ROOT / "deploy/mosquitto/restpoint.conf").read_text()
    shutil.copy(ROOT / "deploy/mosquitto/restpoint.acl", folder / "restpoint.acl")
    text = text.replace("/etc/mosquitto/certs/restpoint.crt", str(made.file))
    text = text.replace("/etc/mosquitto/certs/restpoint.key", str(made.key))
    text = text.replace("/etc/mosquitto/", f"{folder}/").replace(
        "listener 8883", f"listener {port} 127.0.0.1"
    )
    (folder / "mosquitto.conf").write_text(f"{text}persistence_location {folder}/\nuser root\n")
    passwords = folder / "restpoint.passwords"
    passwords.touch()
    for user in ("bay-one", "bay-two", "watch", "hand"):
        subprocess.run(
            [program("mosquitto_passwd"), "-b", passwords, user, SECRET], check=True, capture_output=True
        )
    assert SECRET not in passwords.read_text()
    process = subprocess.Popen(
        [program("mosquitto"), "-c", folder / "mosquitto.conf"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        assert process.poll() is None, "it refuses its configuration"
        time.sleep(0.05)
    yield port, made.file
    process.terminate()
    process.wait(5)


class Client:
    """A client that waits for answers."""

    def __init__(self, broker: tuple[int, Path], user: str) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.connected: Any = None
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.tls_set_context(ssl.create_default_context(cafile=str(broker[1])))
        self.client.username_pw_set(user, SECRET)
        self.client.on_connect = lambda *a: setattr(self, "connected", a[3])
        self.client.on_message = lambda _c, _u, m: self.got.append((m.topic, m.payload))
        self.client.connect("localhost", broker[0])
        self.client.loop_start()
        self._until(lambda: self.connected is not None)

    def _until(self, true: Any) -> None:
        end = time.monotonic() + 5
        while not true() and time.monotonic() < end:
            time.sleep(0.01)

    def subscribe(self) -> None:
        done: list[int] = []
        self.client.on_subscribe = lambda *a: done.append(1)
        self.client.subscribe("restpoint/#", 1)
        self._until(lambda: done)

    def say(self, topic: str) -> None:
        self.client.publish(topic, self.client._username or b"", qos=1).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_each_user_does_what_the_list_says(broker: tuple[int, Path]) -> None:
    clients = {user: Client(broker, user) for user in ("bay-one", "bay-two", "watch", "hand")}
    for client in clients.values():
        client.subscribe()
    topics = ("restpoint/bay-one/say", "restpoint/bay-one/do/take", "restpoint/bay-two/say", "other/x")
    for client in clients.values():
        for topic in topics:
            client.say(topic)
    time.sleep(0.3)
    heard = {(topic, by.decode()) for topic, by in clients["watch"].got}
    assert heard == {
        ("restpoint/bay-one/say", "bay-one"),
        ("restpoint/bay-one/do/take", "bay-one"),
        ("restpoint/bay-one/do/take", "hand"),
        ("restpoint/bay-two/say", "bay-two"),
    }
    assert {topic for topic, _ in clients["bay-one"].got} == {
        "restpoint/bay-one/say",
        "restpoint/bay-one/do/take",
    }
    assert {topic for topic, _ in clients["bay-two"].got} == {"restpoint/bay-two/say"}
    for client in clients.values():
        client.close()


def connect_code(broker: tuple[int, Path], who: tuple[str, str]) -> int:
    """Knock as MQTT 3.1.1 writes it (3.1) and return the CONNACK's code (3.2.2.3)."""

    def text(value: str) -> bytes:
        return len(value).to_bytes(2, "big") + value.encode()

    user, password = who
    flags = 0xC2 if user else 0x02
    body = text("MQTT") + bytes([4, flags, 0, 10]) + text("x")
    body += text(user) + text(password) if user else b""
    context = ssl.create_default_context(cafile=str(broker[1]))
    with (
        socket.create_connection(("localhost", broker[0]), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as sealed,
    ):
        sealed.sendall(bytes([0x10, len(body)]) + body)
        answer = sealed.recv(4)
    assert answer[:2] == b"\x20\x02"
    return answer[3]


def test_nobody_else_is_let_in(broker: tuple[int, Path]) -> None:
    knocks = (("watch", SECRET), ("", ""), ("watch", "wrong"), ("nobody", SECRET))
    with ThreadPoolExecutor() as pool:  # the broker takes a second over each that it refuses
        accepted, *refused = pool.map(lambda who: connect_code(broker, who), knocks)
    assert accepted == 0
    assert set(refused) <= {4, 5}, "bad user name or password, or not authorised"


def test_without_tls_nothing_is_said(broker: tuple[int, Path]) -> None:
    with socket.create_connection(("127.0.0.1", broker[0]), timeout=5) as plain:
        plain.sendall(b"\x10\x17\x00\x04MQTT\x04\x02\x00\x0a\x00\x0brestpoint-?")
        try:
            answer = plain.recv(100)
        except ConnectionResetError:
            answer = b""
        assert not answer.startswith(b"\x20"), "no CONNACK"
