"""What can go wrong for the person at the keyboard, each class with its exit code.

::

    BladewatchError      4  our own fault
    ├── UsageError       2  the call or the configuration is wrong: the text lists every mistake
    └── UnreachableError 3  a service or file that is needed cannot be had now

Bad data is never an exception: it is a ``Rejected`` or a ``Problem``, kept and shown.
"""

from __future__ import annotations

from typing import Final

UNTRUSTED: Final = "its certificate is not trusted here; SSL_CERT_FILE may name the file of the site's own authority"


class BladewatchError(Exception):
    """Root of what is shown without a traceback."""

    exit_code = 4


class UsageError(BladewatchError):
    """The call or the configuration is wrong."""

    exit_code = 2


class UnreachableError(BladewatchError):
    """A store, broker or file that is needed cannot be reached."""

    exit_code = 3
