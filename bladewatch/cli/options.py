"""Options that many commands share."""

from __future__ import annotations

from typing import Annotated

import typer

Cell = Annotated[str | None, typer.Option()]
AtTimes = Annotated[
    list[str] | None,
    typer.Option("--at", help="As it was known at this time; may be repeated. Without offset: site time."),
]
JsonFlag = Annotated[bool, typer.Option("--json", help="Answer in JSON on stdout, nothing else there.")]
