"""The report of a fault of our own, for whoever mends it."""

from __future__ import annotations

import platform
import sys
import tempfile
import traceback
from pathlib import Path

from bladewatch import __version__


def report() -> Path:
    """Write the traceback of the exception being handled to a file; secrets are not in it."""
    head = f"bladewatch {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
    command = " ".join(sys.argv[1:])
    text = f"{head}command: {command}\n\n{traceback.format_exc()}"
    with tempfile.NamedTemporaryFile(
        "w", prefix="bladewatch-fault-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
    ) as file:
        file.write(text)
    return Path(file.name)
