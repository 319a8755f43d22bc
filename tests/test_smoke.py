"""The program starts."""

import subprocess
import sys


def test_help_names_the_commands() -> None:
    """``bladewatch --help`` lists the commands."""
    done = subprocess.run([sys.executable, "-m", "bladewatch", "--help"], capture_output=True, text=True, check=True)
    for name in ("collect", "import", "status", "rejects", "blade", "store", "init"):
        assert name in done.stdout
