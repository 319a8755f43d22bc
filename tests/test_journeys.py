"""Days that a shop lives through, end to end: its log and ledger imported, then looked at as its user does."""

from __future__ import annotations

import re
from pathlib import Path
from statistics import median

import pytest

from bladewatch.alerts import judge
from bladewatch.demo.papers import Papers, write
from bladewatch.demo.setting import Setting
from bladewatch.demo.troubles import Episode
from bladewatch.screens import status, watch
from bladewatch.screens.words import in_order
from bladewatch.service import Service

HOUR_US = 3_600_000_000


def imported(setting: Setting, folder: Path, edit: tuple[str, str] = ("", "")) -> tuple[Papers, Service]:
    """A shop, read as any shop is."""
    papers = write(setting, folder)
    text = papers.config.read_text("utf-8")
    papers.config.write_text(text.replace(*edit) if edit[0] else text, "utf-8")
    service = Service.open(papers.config, lambda: setting.ends_us)
    service.import_files([papers.log, papers.ledger, papers.last_day])
    return papers, service


def test_monday_quarter_past_six_the_saw_whose_mist_failed_stands_first_and_no_cold_spindle_is_flagged(
    tmp_path: Path,
) -> None:
    """Eight saws, their spindles cold and drawing up to 90 % more; on S6 the mist died two minutes into the shift."""
    cold = Setting(seed=3, saws=8, kinds=1, days=29, troubles={"cold": "strong"})
    opens_us = cold.last_opens_us
    assert (cold.last_day, cold.works(cold.last_day - 1)) == (28, False)  # a Monday
    failure = Episode("mist", "S6", opens_us + 120_000_000, opens_us + 9 * HOUR_US, 1.5)
    _, service = imported(
        Setting(seed=3, saws=8, kinds=1, days=29, troubles={"cold": "strong"}, episodes=(failure,)), tmp_path
    )
    with service:
        for minutes in (15, 75, 195):
            at_us = opens_us + minutes * 60_000_000
            review = service.review(at_us)
            alerts = judge(review.assessments, at_us, service.zone)
            assert in_order(review.assessments)[0].saw == "S6"
            assert (alerts[0].saw, alerts[0].level, alerts[0].cause) == ("S6", "act", "mist")
            assert [alert.cause for alert in alerts if alert.level == "act"] == ["mist"]
            for a in review.assessments:
                idle = next(c for c in a.conditions if c.name == "idle")
                assert idle.level == "normal", (minutes, a.saw, idle)
            for lines in (
                status.render(service.config, review.assessments, alerts, at_us, 80),
                watch.render(service.config, review.assessments, alerts, at_us, 80, 24),
            ):
                first = next(line.text for line in lines if re.match(r"S\d ", line.text))
                assert first.startswith("S6")
                assert "mist: failed, check it now" in first


def energies(service: Service, after_us: int, until_us: int) -> dict[str, float]:
    """Median energy of a cut of S1, by part."""
    found: dict[str, list[float]] = {}
    for stroke in service.store.signals.strokes(("S1", "1"), after_us, until_us, 2**62):
        if stroke.part is not None and stroke.energy_kj is not None:
            found.setdefault(stroke.part, []).append(stroke.energy_kj)
    return {part: median(values) for part, values in found.items()}


def test_an_override_to_seventy_percent_is_no_dull_blade(tmp_path: Path) -> None:
    """S1 is turned down for four hours: every cut takes clearly more energy, and nobody is called for it."""
    plain = Setting(seed=10, saws=2, kinds=1, days=38, form="straight")
    opens_us = plain.last_opens_us
    slow = Episode("override", "S1", opens_us + HOUR_US, opens_us + 5 * HOUR_US, 0.7)
    _, service = imported(Setting(seed=10, saws=2, kinds=1, days=38, form="straight", episodes=(slow,)), tmp_path)
    with service:
        before = service.review(slow.from_us).assessments[0]
        during = service.review(slow.to_us).assessments[0]
        assert before.mounted_us is not None
        sharp = energies(service, before.mounted_us, slow.from_us)
        slowed = energies(service, slow.from_us, slow.to_us)
        both = sharp.keys() & slowed.keys()
        assert both
        assert all(slowed[part] > 1.1 * sharp[part] for part in both), (sharp, slowed)
        assert before.edge_index is not None
        assert during.edge_index is not None
        band = during.edge_index.high - during.edge_index.low
        assert abs(during.edge_index.estimate - before.edge_index.estimate) < max(0.1, band)
        assert (before.wear_verdict, during.wear_verdict) == ("good", "good")
        assert [alert for alert in judge([during], slow.to_us, service.zone) if alert.cause == "wear"] == []
        assert before.used_share is not None
        assert during.used_share is not None
        assert during.used_share.estimate - before.used_share.estimate < 0.08


def when_ended(papers: Papers, count: int) -> int:
    """A moment at which so many cycles had ended and come back from the bench, and no more."""
    import csv

    from collectors.instants import parse_text

    with papers.ledger.open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["event"] == "returned"]
    moments = sorted(parse_text(row["at"]) for row in rows)
    return moments[count - 1] + 60_000_000


@pytest.mark.parametrize("rule", [True, False])
def test_a_new_site_with_two_cycles_is_told_that_it_is_too_little_and_what_would_fix_it(
    tmp_path: Path, rule: bool
) -> None:
    """By the site's rule, labelled so, else "cannot tell"; never micrometres; more cycles change it."""
    setting = Setting(seed=8, saws=3, kinds=1, days=60, form="straight")
    edit = ("", "") if rule else ("site_limit_area_m2 = 5\n", "")
    papers, service = imported(setting, tmp_path, edit)
    with service:
        at_us = when_ended(papers, 2)
        ended = len(service.ended_cycles(at_us))
        review = service.review(at_us)
        for a in review.assessments:
            assert (a.wear_um, a.cycles_behind) == (None, 0 if rule else ended)
            assert a.basis == ("site-rule" if rule else None)
            assert rule or a.wear_verdict == "cannot-tell"
            told = " ".join(a.reasons)
            assert re.search(
                r"2 of \d+ ended cycles of blade type T420x96 have a bench reading|2 ended cycles", told
            ), told
            assert "a forecast needs 3" in told
            assert ("site's rule of 5 m²" in told) == rule
        text = "\n".join(line.text for line in status.render(service.config, review.assessments, (), at_us, 80))
        assert ("blade: good by the site's rule" in text) == rule
        assert ("blade: cannot tell" in text) or rule
        assert "wear " not in text.replace("bench reading of wear", "").replace("of\n      wear", "")
        surer = service.reckon("S1", "1", at_us).surer
        assert any("a forecast needs 3" in line for line in surer)
        later = service.review(when_ended(papers, 4))
        assert {a.basis for a in later.assessments} == {"prior"}
        assert all(a.wear_um is not None for a in later.assessments)
