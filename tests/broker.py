"""A real broker for the tests."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from dataclasses import dataclass

import pytest


def needs(program: str) -> str:
    """The path of a program; the test is skipped where it is missing, and fails under CI."""
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail(f"{program} is missing, and under CI nothing may be skipped")
        pytest.skip(f"{program} is not installed")
    return path


@dataclass(frozen=True)
class Mosquitto:
    """A real broker on a free port."""

    port: int
    publisher: str

    def publish(self, topic: str, lines: str, version: str = "mqttv311") -> None:
        """Publish each line as a message with the broker's own client, QoS 1."""
        command = [self.publisher, "-h", "127.0.0.1", "-p", str(self.port), "-V", version, "-q", "1", "-t", topic, "-l"]
        subprocess.run(command, input=lines.encode("utf-8", "surrogateescape"), check=True, timeout=120)

    def pour(self, topic: str, lines: list[str], chunk: int = 100, pause_s: float = 0.03) -> None:
        """Publish lines over a while, as saws do; one connection, QoS 1."""
        command = [self.publisher, "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", topic, "-l"]
        with subprocess.Popen(command, stdin=subprocess.PIPE, text=True) as process:
            assert process.stdin is not None
            for place in range(0, len(lines), chunk):
                process.stdin.write("\n".join(lines[place : place + chunk]) + "\n")
                process.stdin.flush()
                time.sleep(pause_s)
            process.stdin.close()
            assert process.wait(120) == 0

    def publish_bytes(self, topic: str, payload: bytes) -> None:
        """Publish one message of any bytes."""
        command = [self.publisher, "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", topic, "-s"]
        subprocess.run(command, input=payload, check=True, timeout=120)
