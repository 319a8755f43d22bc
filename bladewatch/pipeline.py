"""The program on one page: ``ingest`` takes a batch in, ``enter`` ledger events, ``issue`` keeps what was said.

broker or file -> ``collectors`` -> ``Batch`` -> ``ingest`` (store, then acknowledge) -> ``assess`` -> ``alerts`` ->
screens. There is no second path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import tzinfo

from bladewatch import __version__
from bladewatch.alerts import Alert
from bladewatch.assess.assessment import Assessment, as_json
from bladewatch.contact import hour_of
from bladewatch.ledger.events import Event
from bladewatch.ledger.rows import TOPIC, refused_text
from bladewatch.stores.protocols import Conflict, Issued, Outcome, Store
from collectors.facts import Batch, Fact, Rejected, Sample, Stroke, content_of
from collectors.instants import text_of
from collectors.signals import CATALOGUE, POWER_SIGNALS
from collectors.topics import topic_of


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a batch."""

    taken: int
    repeated: int
    rejected: int
    touched: dict[tuple[str, str], int]


def ingest(batch: Batch, store: Store, site: str) -> Taken:
    """Store a batch in one transaction: facts, roll-ups, rejections, and the checkpoints that it outdates gone.

    When this returns, the batch is on disk, and its messages may be acknowledged.
    """
    with store.transaction():
        outcome = Outcome()
        outcome.add(store.signals.append_strokes(batch.strokes))
        outcome.add(store.signals.append_samples(batch.samples))
        outcome.add(store.signals.append_waveforms(batch.waveforms))
        outcome.add(store.books.append_notes(batch.blades))
        outcome.add(store.books.append_checks(batch.checks))
        for spot, ts_us in outcome.touched.items():
            store.books.drop_checkpoints(spot, ts_us)
        conflicts = [_conflict(conflict, site, batch.origin) for conflict in outcome.conflicts]
        store.books.reject([*batch.rejected, *conflicts])
    rejected = len(batch.rejected) + len(conflicts)
    return Taken(outcome.taken, outcome.repeated, rejected, outcome.touched)


def enter(events: list[Event], store: Store, origin: dict[str, str] | None = None) -> Taken:
    """Write ledger events in one transaction, and drop the checkpoints that they outdate."""
    with store.transaction():
        taken, repeated, conflicts = store.books.append_events(events)
        for plate in {event.plate for event in events if event.plate is not None}:
            first = min(event.at_us for event in events if event.plate == plate)
            store.books.drop_checkpoints(None, first, plate)
        store.books.reject(_event_conflict(kept, gone, origin or {}) for kept, gone in conflicts)
    return Taken(taken, repeated, len(conflicts), {})


def issue(
    at_us: int, assessments: Sequence[Assessment], alerts: Sequence[Alert], store: Store, zone: tzinfo
) -> list[Alert]:
    """Keep what was said at a moment; returns the alerts that had not been raised before.

    A forecast is kept once an hour for each spindle, and whenever its verdict changed: what was said can then be
    scored later, not what would be said with hindsight.
    """
    with store.transaction():
        for a in assessments:
            spot = (a.saw, a.spindle)
            last = next(iter(store.books.forecasts(spot, at_us, at_us, 1)), None)
            if last is not None and hour_of(last.at_us) == hour_of(at_us) and last.verdict == a.verdict:
                continue
            content = as_json(a, zone) | {"version": __version__}
            store.books.issue_forecast(Issued(a.saw, a.spindle, at_us, at_us, _json(content).decode()))
        return [alert for alert in alerts if store.books.raise_alert(asdict(alert) | {"known_us": at_us})]


def _conflict(conflict: Conflict, site: str, origin: dict[int, str]) -> Rejected:
    """The fact that went, as the message that would tell it."""
    fact = conflict.gone
    topic, body = message_of(fact, site)
    which = "the one known earlier came later and took its place" if conflict.had_stood else "another is known earlier"
    reason = f"conflict: the same fact was told with other content; {which}"
    source = origin.get(id(fact), "store" if conflict.had_stood else "broker")
    return Rejected(source, topic, _json(body), reason, fact.known_us)


def message_of(fact: Fact, site: str) -> tuple[str, dict[str, object]]:
    """Topic and payload of the message that would tell a fact."""
    content = content_of(fact)
    body: dict[str, object] = {"ts": text_of(fact.ts_us), "spindle": fact.spindle}
    if isinstance(fact, Sample):
        kind = "vibration" if fact.point else "power" if fact.signal in POWER_SIGNALS else "state"
        words = CATALOGUE[fact.signal].words
        value: object = words[int(fact.value)] if words else fact.value
        body[fact.signal] = fact.value == 1.0 if words == ("false", "true") else value
        if fact.point:
            body["point"] = fact.point
    elif isinstance(fact, Stroke):
        kind = "cut"
        area = content.pop("area_cmm2", None)
        content.pop("clock_from_receipt", None)
        body |= {"stroke": fact.stroke, **content} | ({} if area is None else {"area_mm2": area / 100})
    else:
        kind, extra = {
            "BladeNote": ("blade", ("event", "plate")),
            "Check": ("check", ("what", "side")),
            "Waveform": ("vibration", ("point",)),
        }[type(fact).__name__]
        body |= {name: getattr(fact, name) for name in extra} | content
    return topic_of(site, fact.saw, kind), body


def _event_conflict(kept: Event, gone: Event, origin: dict[str, str]) -> Rejected:
    reason = f"conflict: id {kept.id} stands for another event, known since {text_of(kept.known_us)}"
    return Rejected(origin.get(gone.id, "store"), TOPIC, refused_text(gone), reason, gone.known_us)


def _json(value: object) -> bytes:
    import msgspec

    return msgspec.json.encode(value)
