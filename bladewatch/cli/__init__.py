"""The command line: parse, one call, render, exit code. Heavy libraries are imported by the call, not here."""

from __future__ import annotations

import errno
import io
import os
import sys
from typing import Final, NoReturn

from bladewatch.errors import BladewatchError, UnreachableError

FULL: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def main() -> None:
    """Run a command; errors of ours are told in a line, without a traceback."""
    _mend_streams()
    try:
        from bladewatch.cli.app import app

        app(prog_name="bladewatch")
    except BladewatchError as error:
        print(f"bladewatch: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except KeyboardInterrupt:
        sys.exit(130)
    except OSError as error:
        if error.errno not in FULL:
            _fault()
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"bladewatch: cannot be written: {error.strerror}; make room, or write elsewhere", file=sys.stderr)
        sys.exit(UnreachableError.exit_code)
    except Exception:
        _fault()


def _fault() -> NoReturn:
    from bladewatch.cli.fault import report

    print(f"bladewatch: a fault of our own; a report is in {report()}", file=sys.stderr)
    sys.exit(BladewatchError.exit_code)


def _mend_streams() -> None:
    """A closed stream swallows what is written; a character that a terminal lacks is replaced, never a fault."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
