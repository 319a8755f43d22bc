"""The one check command: ``python tests/check.py``. Style, types, layers, lock files, then the tests.

Everything is run, whatever fails; the exit code is 1 if anything did.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent
COMPILE = ("uv", "pip", "compile", "--universal", "--generate-hashes", "--quiet", "--no-header", "pyproject.toml")
LOCKS = {
    "requirements.lock": ("--output-file", "requirements.lock"),
    "requirements-dev.lock": ("--group", "dev", "--output-file", "requirements-dev.lock"),
}


def run(*command: str) -> bool:
    """Run a command of this environment; True if it passed."""
    print(f"+ {' '.join(command)}", flush=True)
    program = BIN / command[0]
    return subprocess.run([str(program), *command[1:]], cwd=ROOT, check=False).returncode == 0


def locks_fresh() -> bool:
    """Whether the lock files are what pyproject.toml asks for; stale ones are brought up to date."""
    fresh = True
    for name, options in LOCKS.items():
        before = (ROOT / name).read_bytes() if (ROOT / name).exists() else b""
        if not run(*COMPILE, "--python-version", "3.11", *options):
            return False
        if (ROOT / name).read_bytes() != before:
            print(f"{name} was stale; it has been brought up to date: commit it")
            fresh = False
    return fresh


def main() -> int:
    """Run all checks."""
    passed = [
        locks_fresh(),
        run("ruff", "check", "."),
        run("ruff", "format", "--check", "."),
        run("mypy"),
        run("lint-imports"),
    ]
    if "--without-tests" not in sys.argv:
        passed.append(run("python", "-m", "pytest", "-q", "-n", "auto", "--dist", "loadfile"))
    print(f"{passed.count(True)} passed, {passed.count(False)} failed")
    return 0 if all(passed) else 1


if __name__ == "__main__":
    sys.exit(main())
