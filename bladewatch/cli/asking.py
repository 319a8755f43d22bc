"""Commands about what only a person can settle: questions and their answers."""

from __future__ import annotations

from pathlib import Path


def list_questions(config_path: Path | None, at: list[str], with_settled: bool, as_json: bool) -> None:
    """The questions at each moment asked."""
    from functools import partial

    from bladewatch.assess.question import as_json as question_json
    from bladewatch.cli.moments import answer_each
    from bladewatch.screens.questions import render

    answer_each(
        config_path,
        at,
        as_json,
        lambda shop, us: shop.questions(us),
        lambda question, shop: question_json(question, shop.zone),
        partial(render, with_settled=with_settled),
    )


def answer(
    config_path: Path | None,
    question_id: str,
    word: str,
    plate: str | None,
    at: str | None,
    by: str | None,
    reason: str | None,
    as_json: bool,
) -> None:
    """Settle a question, and say what was written and how to take it back."""
    import msgspec

    from bladewatch.assess.question import as_json as question_json
    from bladewatch.format import near_text
    from bladewatch.ledger.events import filled_row
    from bladewatch.service import Service

    with Service.open(config_path) as service:
        at_us = None if at is None else service.instant(at)
        question, events, against = service.answer(question_id, word, plate, at_us, by, reason)
        written = [filled_row(event, service.zone) for event in events]
        now_us = service.clock()
        if as_json:
            told = {"question": question_json(question, service.zone), "answer": word, "events": written}
            print(msgspec.json.encode(told).decode())
            return
        for text in against:
            print(f"WARNING: {text}")
        print(f"{question.text} {word}")
        for event in events:
            when = near_text(event.at_us, now_us, service.zone)
            what = "withdrawn" if event.event == "corrected" else event.event
            print(f"written: {what} {event.plate or ''} at {when} (row {event.id})")
            if event.event != "corrected":
                print(f"  to take it back: bladewatch blade corrected --corrects {event.id}")
        if question.kind == "probable-change" and word == "yes" and plate is None:
            print(f"Which blade is on is still open: bladewatch blade mounted NUMBER --saw {question.saw}")
        if not events:
            print("nothing was written into the ledger")
