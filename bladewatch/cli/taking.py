"""Commands that take in: import, rejects, blade, tidy."""

from __future__ import annotations

import sys
import textwrap
from pathlib import Path
from typing import Any


def _json(value: Any) -> None:
    import msgspec

    print(msgspec.json.encode(value).decode())


def _zone(name: str | None) -> Any:
    if name is None:
        return None
    from bladewatch.config.kinds import Wrong, zone
    from bladewatch.errors import UsageError

    try:
        return zone(name)
    except Wrong as wrong:
        raise UsageError(f"--zone: found {name!r}, {wrong}") from wrong


def import_files(
    config_path: Path | None, files: list[Path], zone: str | None, decimal: str | None, strict: bool, as_json: bool
) -> int:
    """Import; the exit code: 0 if every file was readable, 2 if not, 1 with ``strict`` where something was refused."""
    from dataclasses import asdict

    from bladewatch.service import Service

    if decimal not in (None, ",", "."):
        from bladewatch.errors import UsageError

        raise UsageError(f"--decimal: found {decimal!r}, expected , or .")
    progress = _progress()
    with Service.open(config_path) as service:
        reports = service.import_files(files, _zone(zone), decimal, progress)
    progress("", 0)
    rows = []
    for report in reports:
        row = asdict(report)
        error, missing = row.pop("error"), row.pop("missing")
        rows.append(row if error is None else row | {"error": error})
        if error is not None:
            print(f"bladewatch: {error}", file=sys.stderr)
        elif not as_json:
            counts = f"{report.taken} taken, {report.repeated} repeated, {report.rejected} refused"
            print(f"{report.file}: {report.kind}, {counts}")
            if missing:
                print(f"{report.file}: {missing} of the publisher's running numbers are not in it")
    if as_json:
        _json({"files": rows})
    elif any(report.rejected for report in reports):
        print("What was refused, and why: bladewatch rejects")
    if any(report.error for report in reports):
        return 2
    return 1 if strict and any(report.rejected for report in reports) else 0


def _progress() -> Any:
    """A line of progress on a terminal; nothing where stderr is not one."""
    if not sys.stderr.isatty():
        return lambda _text, _lines: None

    def show(text: str, lines: int) -> None:
        told = f"{text}: {lines} lines" if lines else text
        sys.stderr.write(f"\r\x1b[K{told[:78]}" if told else "\r\x1b[K")
        sys.stderr.flush()

    return show


def preview_files(
    config_path: Path | None, files: list[Path], zone: str | None, decimal: str | None, as_json: bool
) -> int:
    """Say what an import would refuse."""
    told = []
    from bladewatch.errors import UsageError
    from bladewatch.service import Service
    from collectors.logfile import Unreadable, ignored_columns, open_log

    with Service.open(config_path) as service:
        for file in files:
            lines = refused = 0
            try:
                ignored = ignored_columns(open_log(file))
                for row in service.preview(file, _zone(zone), decimal):
                    lines += 1
                    for item in row.rejected:
                        refused += 1
                        told.append({"file": str(file), "line": row.line, "reason": item.reason})
                        if not as_json:
                            print(f"{file}:{row.line}: {item.reason}")
            except Unreadable as error:
                raise UsageError(str(error)) from error
            if as_json:
                continue
            if ignored:
                print(f"{file}: columns that mean nothing here: {', '.join(ignored)}")
            print(f"{file}: {lines} rows, {refused} with something refused; nothing was stored")
    if as_json:
        _json(told)
    return 0


def list_rejects(config_path: Path | None, as_json: bool) -> None:
    """List rejections."""
    from bladewatch.format import time_text
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        rows = [
            {
                "id": row.id,
                "received_at": time_text(row.received_us or None, service.zone),
                "source": row.source,
                "topic": row.topic,
                "reason": row.reason,
                "count": row.count,
            }
            for row in service.store.books.rejections()
        ]
        names = service.store.books.file_names()
    if as_json:
        _json(rows)
        return
    for row in rows:
        file, _, line = str(row["source"]).rpartition(":")
        source = f"{names[file]}, line {line}" if file in names else row["source"]
        print(f"{row['id']:>5}  {row['count']}×  {row['received_at'] or '-'}  {row['topic']}  ({source})")
        print(textwrap.fill(str(row["reason"]), 78, initial_indent=" " * 7, subsequent_indent=" " * 7))
    if rows:
        print(f"{len(rows)} refused. After a cure: bladewatch rejects replay [ID …]; for a file: import it again")
    else:
        print("nothing was refused")


def show_reject(config_path: Path | None, number: int, as_json: bool) -> None:
    """Print the bytes of a rejection as they came."""
    from bladewatch.errors import UsageError
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        rows = service.store.books.rejections([number], with_replayed=True)
    if not rows:
        raise UsageError(f"no rejection has the id {number}; see 'bladewatch rejects'")
    if rows[0].payload is None:
        raise UsageError(f"the bytes of rejection {number} were let go for room; its count stays")
    if as_json:
        _json({"id": number, "topic": rows[0].topic, "payload": rows[0].payload.decode("utf-8", "backslashreplace")})
    else:
        sys.stdout.buffer.write(rows[0].payload + b"\n")


def replay(config_path: Path | None, numbers: list[int] | None, receipt_time: bool, as_json: bool) -> int:
    """Take refused messages again; the exit code is 1 where some are still refused."""
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        taken, left = service.replay(numbers or None, receipt_time)
        if taken:
            for _ in service.bring_up_to_date():
                pass
    if as_json:
        _json({"taken": taken, "left": [{"id": row_id, "reason": reason} for row_id, reason in left]})
    else:
        for row_id, reason in left:
            print(f"{row_id}: still refused: {reason}")
        print(f"{taken} taken, {len(left)} still refused")
    return 1 if left else 0


def record(config_path: Path | None, cells: dict[str, str], as_json: bool) -> None:
    """Write a ledger event and say what the record looks like then."""
    from bladewatch.ledger.events import row_of
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        event = service.record(cells)
        written = row_of(event, service.zone)
        with service.store.snapshot():
            config, now_us = service.config, service.clock()
            book = service.moment(now_us).known().book
        saw = None if event.saw is None else config.saw_of(event.saw, event.at_us)
    if as_json:
        _json([{name: value for name, value in written.items() if value}])
        return
    print(f"written: {event.event} {event.plate or '(no plate)'} at {written['at']} (id {event.id})")
    target = book.rows.get(event.corrects or "")
    if target is not None:
        before = row_of(target, service.zone)
        did = "withdrawn" if event.event == "corrected" else "replaced"
        where = "" if target.saw is None else f" saw {target.saw}"
        what = f"{target.event} {target.plate or '(no plate)'}{where} at {before['at']}"
        print(f"{did}: {what}" if not book.stands(target.id) else f"NOT {did}, it stands as before: {what}")
    doubts = _doubts(event, config, now_us)
    doubts.extend(
        f"{problem.where}: {problem.message}"
        for problem in book.fleet.problems
        if problem.at_us == event.at_us and (problem.plate == event.plate or problem.saw in (event.saw, saw))
    )
    for doubt in doubts:
        print(f"but look: {doubt}")
    if doubts and event.event != "corrected":
        print(f"to take it back: bladewatch blade corrected --corrects {event.id}")


def _doubts(event: Any, config: Any, now_us: int) -> list[str]:
    """What speaks against an event by the configuration alone; it is written all the same."""
    found = []
    saw = None if event.saw is None else config.saw_of(event.saw, event.at_us)
    row = config.saws.ever(saw, event.at_us) if saw is not None else None
    if saw is not None and row is None:
        found.append(f"saw {saw} is not in the configuration, which has {', '.join(config.saws)}")
    if row is not None and event.spindle is not None and event.spindle not in row.spindles:
        found.append(f"saw {saw} has the spindles {', '.join(row.spindles)}, not {event.spindle}")
    if event.blade_type is not None and event.blade_type not in config.blade_types:
        known = ", ".join(config.blade_types)
        found.append(f"blade type {event.blade_type} is not in the configuration, which has {known}")
    if event.at_us > now_us + 86_400_000_000:
        found.append("it lies more than a day ahead: until then it counts for nothing")
    return found


def export_files(config_path: Path | None, folder: str) -> None:
    """Write every fact into a folder."""
    from bladewatch.exporting import export
    from bladewatch.service import Service

    with Service.open(config_path) as service, service.store.snapshot():
        known = service.moment().known()
        for line in export(service.store, known, Path(folder), service.config.site.name):
            print(line, flush=True)


def export_cycles(config_path: Path | None, at: str | None, as_json: bool) -> None:
    """One row a grind cycle."""
    from bladewatch.exporting import cycles_of, write_cycles
    from bladewatch.service import Service

    with Service.open(config_path) as service, service.store.snapshot():
        known = service.moment(None if at is None else service.instant(at)).known()
        if as_json:
            _json([row for plate_id in sorted(known.fleet.plates) for row in cycles_of(known, plate_id)])
        else:
            write_cycles(known, sys.stdout)


def tidy(config_path: Path | None, as_json: bool) -> None:
    """Upkeep now."""
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        done = service.tidy()
    if as_json:
        _json(done)
    else:
        emptied = f"{done['waveforms']} waveforms and {done['rejections']} rejections emptied"
        print(f"{done['hours']} hours packed or let go, {emptied}")
