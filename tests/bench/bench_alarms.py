"""How often a blade is called for a change that is not worn: overrides, galling, hard lots and cold starts, 120 days.

    python tests/bench/bench_alarms.py [--first 401] [--seeds 2] [--forms straight,curved] [--all-troubles]

Each shop's history is tried with the present rules, hour by hour. A call for a change (or to act for the blade) while
the plate that is truly on the saw has used less than 80 % of its limit is a false one; calls where the record names
another plate than the true one are counted apart.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from bladewatch.demo.papers import write
from bladewatch.demo.setting import Setting
from bladewatch.demo.troubles import TROUBLES
from bladewatch.service import Service
from bladewatch.trying import try_alerts

LOOKS_LIKE_WEAR = ("override", "unlogged", "galling", "cleaning", "lot", "cold")
WORN = 0.8


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=401)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--forms", default="straight")
    parser.add_argument("--all-troubles", action="store_true")
    chosen = parser.parse_args()
    names = TROUBLES if chosen.all_troubles else LOOKS_LIKE_WEAR
    for form in chosen.forms.split(","):
        for seed in range(chosen.first, chosen.first + chosen.seeds):
            shop(Setting(seed=seed, days=chosen.days, form=form, troubles=dict.fromkeys(names, "medium")))


def shop(setting: Setting) -> None:
    """Try one shop, and say how its calls for a change turned out."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        papers = write(setting, Path(folder) / "hall")
        with Service.open(papers.config, lambda: setting.ends_us) as service:
            service.import_files([papers.log, papers.ledger, papers.last_day])
            found = try_alerts(service, setting.at(0), setting.ends_us)
    truth = papers.truth
    calls, early, other = 0, [], 0
    for raised in found:
        alert = raised.alert
        if alert.cause != "wear" or alert.level != "change":
            continue
        calls += 1
        on = [m for m in truth.mounts if m.saw == alert.saw and m.from_us <= alert.raised_us]
        mount = max(on, key=lambda m: m.from_us, default=None)
        if mount is None or mount.plate != alert.plate:
            other += 1
            continue
        cycle = truth.cycles[mount.cycle]
        share = cycle.at(alert.raised_us).wear_um / cycle.limit_um
        if share < WORN:
            early.append(f"{alert.saw} {share:.2f} ({'rule' if 'site' in alert.text else 'model'})")
    print(
        f"seed {setting.seed} {setting.form}: {calls} calls for a change, {setting.saws} saws, {setting.days} days, "
        f"{len(early)} below {WORN:.0%} of the limit: {', '.join(early) or 'none'}; {other} of another plate than the "
        f"true one; {time.perf_counter() - started:.0f} s",
        flush=True,
    )


if __name__ == "__main__":
    main()
