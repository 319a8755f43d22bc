"""A broker for the demo: an embedded one from a Python package, in a process of its own, for this machine only.

Run as a program it is the child: it serves until its standard input closes, so it cannot outlive the demo.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Final

from bladewatch.errors import UnreachableError

HOST: Final = "127.0.0.1"
PACKAGE: Final = "iotcore"
STARTS_WITHIN_S: Final = 10.0


def available() -> bool:
    """Whether the embedded broker exists on this platform."""
    return find_spec(PACKAGE) is not None


@contextmanager
def embedded() -> Iterator[int]:
    """A broker of MQTT 3.1.1 on a free port; gone at the end. Raises ``UnreachableError`` where it does not start."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
    command = [sys.executable, "-P", "-m", "bladewatch.demo.broker", str(port)]
    child = subprocess.Popen(  # noqa: S603
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        _wait_for(child, port)
        yield port
    finally:
        if child.stdin is not None:
            child.stdin.close()
        child.terminate()
        child.wait()


def _wait_for(child: subprocess.Popen[bytes], port: int) -> None:
    until = time.monotonic() + STARTS_WITHIN_S
    while time.monotonic() < until and child.poll() is None:
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex((HOST, port)) == 0:
                return
        time.sleep(0.02)
    raise UnreachableError(
        f"the embedded broker did not start on {HOST}:{port}; 'bladewatch demo --no-mqtt' does without"
    )


def serve(port: int) -> None:
    """Serve until standard input closes."""
    from iotcore import IotCoreBroker

    def watch() -> None:
        sys.stdin.buffer.read()
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()
    IotCoreBroker(listen=HOST, port=port, max_payload_size=1_000_000).run_forever()


if __name__ == "__main__":
    serve(int(sys.argv[1]))
