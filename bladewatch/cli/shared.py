"""Commands of the shared store: init, forward, copy."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path

from bladewatch.config.decode import load
from bladewatch.errors import UnreachableError, UsageError
from bladewatch.format import some_text
from bladewatch.service import Service, find_config
from bladewatch.stores.influx import Influx, address_of


def prepare(config: Path | None) -> None:
    """Make the shared store ready."""
    told = load(find_config(config))
    if told.store.forward_url is None:
        raise UsageError("[store] forward_url: not set; there is no shared store to make ready")
    server = Influx(address_of(told.store.forward_url))
    try:
        for line in server.prepare(told.retention.keep_raw_days):
            print(line)
    finally:
        server.close()


def forward(config: Path | None, as_json: bool) -> None:
    """Send what waits, with progress, and see that it is there."""
    with Service.open(config) as service:
        forwarder = service.forwarder()
        if forwarder is None:
            raise UsageError("[store] forward_url: not set; nothing waits to be forwarded")
        try:
            waiting = forwarder.backlog.points
            while forwarder.send():
                if not as_json and sys.stdout.isatty():
                    print(f"\r{forwarder.moved.sent} of {waiting} points", end="", flush=True)
            moved = forwarder.drain()
        finally:
            forwarder.close()
    if as_json:
        print(json.dumps(asdict(moved)))
        return
    print(f"{some_text(moved.released, 'point')} in the shared store")
    if moved.refused:
        print(f"{some_text(moved.refused, 'point')} it did not take: see 'bladewatch rejects'")
    if moved.expired:
        print(f"{some_text(moved.expired, 'point')} older than it keeps: not sent")


def copy(config: Path | None, source: str, target: str) -> None:
    """Copy a shop's books or signals, and hold both stores against each other."""
    from bladewatch.copying import copied

    told = load(find_config(config))
    differ = 0
    for part in copied(told, source, target):
        days = f"; DIFFERS on {', '.join(part.differ)}" if part.differ else "; the same day by day"
        print(f"{part.name}: {part.copied} copied, {part.rows} there{days}", flush=True)
        differ += len(part.differ)
    if differ:
        text = f"{target}: {some_text(differ, 'day')} with other rows than {source}; run it again, or look there"
        raise UnreachableError(text)
