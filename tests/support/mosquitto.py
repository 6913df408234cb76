"""A real mosquitto for tests, and somebody who listens to it."""

from __future__ import annotations

import contextlib
import shutil
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Mosquitto:
    """A real broker that a test may hang, kill and start again."""

    folder: Path
    more: str = "allow_anonymous true"
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nset_tcp_nodelay true\nlog_type none\n{self.more}\n"
        )
        assert MOSQUITTO is not None
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=subprocess.DEVNULL)
        for _ in range(200):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.01)
        pytest.fail("mosquitto did not start")

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        if number in (signal.SIGKILL, signal.SIGTERM):
            self.process.wait()

    def kill(self) -> None:
        self.signal(signal.SIGKILL)


class Ear:
    """Notes (monotonic time, topic, payload) of everything below `restpoint/` with QoS 1, in order.

    What is live (QoS 0) is counted in `live`.
    """

    def __init__(self, port: int, broker: Mosquitto | None = None) -> None:
        self.port, self.broker = port, broker
        self.heard: list[tuple[float, str, bytes]] = []
        self.live = 0
        self._subscribed = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.on_subscribe = self._begin
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("restpoint/#", 1)
        self._client.loop_start()

    def __enter__(self) -> Ear:
        end = time.monotonic() + 10
        while not self._subscribed:
            assert time.monotonic() < end, "no answer from the broker"
            time.sleep(0.01)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _begin(self, *_: Any) -> None:
        self._subscribed = True

    def _hear(self, _client: Any, _user: Any, message: Any) -> None:
        if message.qos == 1:
            self.heard.append((time.monotonic(), message.topic, bytes(message.payload)))
        else:
            self.live += 1
