"""The bare loop that `make bench` compares with: no check, no journal, no settling, nothing kept on a disk.

It reads lines with pyserial, publishes each with aiomqtt at QoS 0 and appends to a pyarrow table in memory,
100 rows at a time. `readline` asks the kernel for every single byte; with `--lean` it reads what waits and
splits that itself, which nobody's first loop does. Usage: bench_baseline.py [--lean] MQTT_PORT DEVICE…
"""

from __future__ import annotations

import asyncio
import signal
import sys
import time
from collections.abc import Callable

import aiomqtt
import pyarrow as pa
import serial

SCHEMA = pa.schema([("t_ns", pa.int64()), ("pad", pa.string()), ("kg", pa.float64())])


Take = Callable[[serial.Serial, "asyncio.Queue[bytes]"], None]


def take_line(port: serial.Serial, lines: asyncio.Queue[bytes]) -> None:
    """Read one line of a port that has bytes."""
    lines.put_nowait(port.readline())


def take_waiting(port: serial.Serial, lines: asyncio.Queue[bytes]) -> None:
    """Read what waits; the pads of the bench send whole lines at once."""
    for line in port.read(port.in_waiting).splitlines():
        lines.put_nowait(line or b" ")


async def main(take: Take, mqtt_port: int, devices: list[str]) -> None:
    """Read, publish and append until SIGTERM."""
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[bytes] = asyncio.Queue()
    loop.add_signal_handler(signal.SIGTERM, lines.put_nowait, b"")
    ports = [serial.Serial(device, 9600, timeout=1, exclusive=True) for device in devices]
    for port in ports:
        loop.add_reader(port.fileno(), take, port, lines)
    table, rows = SCHEMA.empty_table(), []
    async with aiomqtt.Client("127.0.0.1", mqtt_port) as client:
        while line := await lines.get():
            words = line.split()
            if len(words) != 4:
                continue
            pad, kg = words[0].decode(), float(words[2])
            await client.publish(f"bare/{pad}", kg, qos=0)
            rows.append({"t_ns": time.time_ns(), "pad": pad, "kg": kg})
            if len(rows) == 100:
                table = pa.concat_tables([table, pa.Table.from_pylist(rows, SCHEMA)])
                rows.clear()
    print(f"{table.num_rows + len(rows)} rows")


if __name__ == "__main__":
    lean, words = sys.argv[1] == "--lean", [word for word in sys.argv[1:] if word != "--lean"]
    asyncio.run(main(take_waiting if lean else take_line, int(words[0]), words[1:]))
