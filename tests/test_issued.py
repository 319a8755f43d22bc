"""What was said is kept as it was said: forecasts once an hour and at every change of verdict, alerts once."""

from __future__ import annotations

import json

from shops import Shop, minute, stroke

from bladewatch import __version__
from bladewatch.alerts import judge
from bladewatch.assess.assessment import as_json
from bladewatch.pipeline import issue
from bladewatch.stores.protocols import Issued


def say(shop: Shop, at: float) -> list[str]:
    """What a collector does when it looks; the alerts that are new."""
    service = shop.service
    review = service.review(minute(at))
    alerts = judge(review.assessments, review.at_us, service.zone)
    return [alert.cause for alert in issue(review.at_us, review.assessments, alerts, service.store, service.zone)]


def issued(shop: Shop, until: float = 10**6, known: float = 10**6) -> list[Issued]:
    """What stands for S1, oldest first."""
    return shop.service.store.books.forecasts(("S1", "1"), minute(until), minute(known), 1000)[::-1]


def mounted(shop: Shop) -> None:
    shop.event(0, "opened", "A", blade_type="T")
    shop.event(1, "mounted", "A", saw="S1")
    shop.take(*(stroke(i, i + 1, part="P1") for i in range(1, 240)))


def test_once_an_hour_and_at_every_change_of_verdict(shop: Shop) -> None:
    """Three looks a minute for four hours: an entry an hour; a plate told as cracked adds one at once."""
    mounted(shop)
    for look in range(4 * 60 * 3):
        at = 2 + look / 3
        if at == 100:
            shop.event(100, "dismounted", "A", saw="S1", reason="cracked")
            shop.event(100, "mounted", "A", saw="S1")
        say(shop, at)
    found = issued(shop)
    hours = [row.at_us // 3_600_000_000 for row in found]
    assert hours[0] + 4 == hours[-1]
    assert len(found) == 6
    assert [row.verdict for row in found] == ["cannot-tell", "cannot-tell", "act", "act", "act", "act"]
    assert found[2].at_us == minute(100)


def test_it_stands_word_for_word_with_the_version(shop: Shop) -> None:
    """The assessment's own JSON, and which bladewatch said it."""
    mounted(shop)
    say(shop, 30)
    (row,) = issued(shop)
    assessment = shop.service.review(minute(30)).assessments[0]
    assert json.loads(row.assessment) == as_json(assessment, shop.service.zone) | {"version": __version__}
    assert (row.at_us, row.known_us) == (minute(30), minute(30))


def test_a_restart_neither_doubles_nor_forgets(shop: Shop) -> None:
    """The store is asked, not a memory: a second collector in the same hour adds nothing."""
    mounted(shop)
    say(shop, 30)
    shop.service.store.books.issue_forecast(Issued("S1", "1", minute(30), minute(31), "{}"))
    assert say(shop, 31) == []
    (row,) = issued(shop)
    assert row.assessment != "{}"


def test_what_was_not_said_yet_is_not_listed(shop: Shop) -> None:
    """Up to an instant, and by what was known at one."""
    mounted(shop)
    for at in (30, 90, 150):
        say(shop, at)
    assert len(issued(shop, until=100)) == 2
    assert len(issued(shop, known=100)) == 2
    assert shop.service.store.books.forecasts(("S2", "1"), minute(100), minute(100), 1)[0].at_us == minute(90)


def test_an_answer_does_not_hear_what_was_said_before(shop: Shop) -> None:
    """Forecasts and alerts are facts, never inputs to judging."""
    mounted(shop)
    before = shop.service.review(minute(200))
    for at in range(10, 199, 20):
        say(shop, at)
    assert shop.service.review(minute(200)) == before
