"""Commands that show: status."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

ASCII = str.maketrans({"²": "2", "µ": "u", "\u00a0": " ", "…": "...", "×": "x"})
"""For a terminal that can show nothing else."""


def status(config_path: Path | None, at: list[str], as_json: bool) -> None:
    """Answer for each moment asked, in the order asked."""
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        moments = [service.instant(text) for text in at] or [service.clock()]
        for place, at_us in enumerate(moments):
            review = service.review(at_us)
            if as_json:
                _print_json(service, review)
            else:
                if place:
                    print()
                _print_text(service, review)


def _print_json(service: Any, review: Any) -> None:
    import msgspec

    from bladewatch.alerts import as_json as alert_json
    from bladewatch.alerts import judge
    from bladewatch.assess.assessment import as_json, time_text

    alerts = judge(review.assessments, review.at_us, service.zone)
    answer = {
        "at": time_text(review.at_us, service.zone),
        "site": service.config.site.name,
        "saws": [as_json(assessment, service.zone) for assessment in review.assessments],
        "alerts": [alert_json(alert, service.zone) for alert in alerts],
    }
    sys.stdout.write(msgspec.json.encode(answer).decode() + "\n")
    sys.stdout.flush()


def _print_text(service: Any, review: Any) -> None:
    from rich.console import Console
    from rich.text import Text

    from bladewatch.alerts import judge
    from bladewatch.screens.status import render

    console = Console(highlight=False, soft_wrap=True)
    plain = (sys.stdout.encoding or "").lower().replace("-", "") not in ("utf8", "utf16")
    alerts = judge(review.assessments, review.at_us, service.zone)
    for line in render(service.config, review.assessments, alerts, review.at_us, console.width, plain):
        console.print(Text(line.text.translate(ASCII) if plain else line.text, line.style))
