"""What a shared server does by itself: hours of readings for good, before the readings go.

A server takes a task whose script cannot run, and says so only when it runs; and it takes two of one name. So the task
is looked for by its name, its script is brought up to date, and it is run once and its result waited for.
"""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Any, Final

from bladewatch.errors import UnreachableError, UsageError

if TYPE_CHECKING:
    from influxdb_client.client.influxdb_client import InfluxDBClient

BACK_H: Final = 6
"""So many hours are worked out anew each hour: readings that come later than that are in no hour's figures."""
FIGURES: Final = ("mean", "min", "max", "count")
WAIT_S: Final = 60.0
_PLAIN: Final = re.compile(r"[\w .-]+")


def script_of(name: str, source: str, target: str) -> str:
    """The task in Flux: mean, least, greatest and count of each whole hour of each series. Raises ``UsageError``."""
    for bucket in (source, target):
        if _PLAIN.fullmatch(bucket) is None:
            raise UsageError(f"bucket {bucket!r}: expected letters, figures, spaces, points and dashes alone")
    lines = [
        'import "date"',
        f'option task = {{name: "{name}", every: 1h, offset: 10m}}',
        "stop = date.truncate(t: now(), unit: 1h)",
        f"start = date.sub(d: {BACK_H}h, from: stop)",
        f'readings = from(bucket: "{source}") |> range(start: start, stop: stop)',
        '    |> filter(fn: (r) => r._measurement == "reading" and r._field == "value")',
    ]
    for figure in FIGURES:
        lines += [
            f'readings |> aggregateWindow(every: 1h, fn: {figure}, createEmpty: false, timeSrc: "_start")',
            f'    |> set(key: "_measurement", value: "reading_hour") |> set(key: "_field", value: "{figure}")',
            f'    |> to(bucket: "{target}") |> yield(name: "{figure}")',
        ]
    return "\n".join(lines)


def prepare_task(client: InfluxDBClient, organisation: str, source: str, target: str) -> str:
    """Make the task where it is missing, bring it up to date, run it once; returns what there is now.

    Raises ``UsageError`` with what the server said where it does not run.
    """
    from influxdb_client.domain.task_create_request import TaskCreateRequest

    tasks: Any = client.tasks_api()
    name = f"bladewatch {target} hours"
    script = script_of(name, source, target)
    found = [task for task in tasks.find_tasks(name=name) if task.name == name]
    for extra in found[1:]:
        tasks.delete_task(extra.id)
    if not found:
        task, made = tasks.create_task(TaskCreateRequest(flux=script, org=organisation, status="active")), "made"  # type: ignore[no-untyped-call]
    elif found[0].flux.strip() != script:
        found[0].flux, found[0].status = script, "active"
        task, made = tasks.update_task(found[0]), "brought up to date"
    else:
        task, made = found[0], "there"
    _run_once(tasks, task.id, name)
    return f"task {name}: {made}, ran"


def _run_once(tasks: Any, task_id: str, name: str) -> None:
    """Run a task and wait for its end."""
    run = tasks.run_manually(task_id)
    deadline = time.monotonic() + WAIT_S
    while time.monotonic() < deadline:
        status = tasks.get_run(task_id, run.id).status
        if status == "success":
            return
        if status in ("failed", "canceled"):
            logs = [str(log.message) for log in tasks.get_run_logs(task_id, run.id)]
            said = " ".join(text for text in logs if not text.startswith("Started task"))
            raise UsageError(f"task {name}: {status}: {said[:300]}")
        time.sleep(0.2)
    raise UnreachableError(f"task {name}: has not ended after {WAIT_S:.0f} s")
