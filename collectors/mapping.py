"""A shop's own topics, fields and units, declared in ``[[map]]`` and not programmed.

A rule matches a topic and rewrites each object of the payload into one of our own, which then takes the same
way as every other: same checks, same rejections.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Final

from collectors.facts import Fact, Rejected
from collectors.fields import Misfit, Site
from collectors.instants import parse_text, text_of
from collectors.payloads import Message, decode, decode_object, objects_of, rejection
from collectors.sequence import Sequences
from collectors.signals import to_stored_unit, unit_of

CLOCKS: Final = ("rfc3339", "epoch_s", "epoch_ms", "receipt")


@dataclass(frozen=True, slots=True)
class Rule:
    """One ``[[map]]``.

    ``topic`` may hold ``{saw}`` once and ``+`` for any one level. ``fields`` maps our field to a JMESPath
    expression in the shop's object. ``units`` maps our field to the unit the shop sends it in. ``constants``
    are taken as they stand. ``signed_bits`` reads a counter that the controller sends as a signed number.
    """

    topic: str
    kind: str
    saw: str | None = None
    fields: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, str | float | bool] = field(default_factory=dict)
    clock: str = "rfc3339"
    zone: tzinfo | None = None
    signed_bits: int | None = None

    @property
    def subscription(self) -> str:
        """The filter that brings this rule's messages.

        >>> Rule(topic="hall/{saw}/spindle", kind="power").subscription
        'hall/+/spindle'
        """
        return self.topic.replace("{saw}", "+")

    def saw_in(self, topic: str) -> str | None:
        """The saw that ``topic`` names under this rule, or None where the rule does not fit.

        >>> Rule(topic="hall/{saw}/+", kind="power").saw_in("hall/S1/load")
        'S1'
        """
        parts = (re.escape(part) for part in self.topic.split("/"))
        pattern = "/".join(parts).replace(r"\{saw\}", "(?P<saw>[^/]+)").replace(r"\+", "[^/]+")
        match = re.fullmatch(pattern, topic)
        if match is None:
            return None
        return self.saw or match.groupdict().get("saw")


class Translator:
    """Decodes messages of our own topics and of the shop's."""

    def __init__(self, site: Site, rules: Sequence[Rule] = ()) -> None:
        self.site = site
        self.rules = tuple(rules)
        self.numbers = Sequences()

    @property
    def subscriptions(self) -> list[str]:
        """Filters of the shop's own topics."""
        return list(dict.fromkeys(rule.subscription for rule in self.rules))

    def decode(self, message: Message) -> tuple[list[Fact], list[Rejected]]:
        """The facts of a message and what was not taken of it."""
        try:
            for rule in self.rules:
                saw = rule.saw_in(message.topic)
                if saw is not None:
                    return _decode_mapped(rule, saw, message, self.site)
            return decode(message, self.site, self.numbers)
        except Exception as error:  # whatever bytes may do, they end as a rejection and not as the collector's end
            return [], [rejection(message, f"undecodable: {type(error).__name__}: {str(error)[:200]}")]


def _decode_mapped(rule: Rule, named: str, message: Message, site: Site) -> tuple[list[Fact], list[Rejected]]:
    try:
        items, _ = objects_of(message, named, site)
    except Misfit as misfit:
        return [], [rejection(message, str(misfit))]
    facts: list[Fact] = []
    reasons: list[str] = []
    for item in items:
        try:
            ours = _rewrite(rule, item, message.received_us)
        except Misfit as misfit:
            reasons.append(str(misfit))
            continue
        taken, refused = decode_object(ours, rule.kind, named, message, site)
        facts.extend(taken)
        reasons.extend(refused)
    return facts, [rejection(message, "; ".join(reasons))] if reasons else []


def _rewrite(rule: Rule, item: Any, received_us: int | None) -> dict[str, Any]:
    import jmespath

    ours: dict[str, Any] = dict(rule.constants)
    for name, expression in rule.fields.items():
        value = jmespath.search(expression, item)
        if value is not None:
            ours[name] = value
    for name, unit in rule.units.items():
        if name in ours:
            ours[name] = _converted(name, ours[name], unit)
    if "ts" in ours or rule.clock == "receipt":
        ours["ts"] = _instant(rule, ours.get("ts"), received_us)
    counter = ours.get("stroke")
    if (
        rule.signed_bits is not None
        and isinstance(counter, int | float)
        and -(2 ** (rule.signed_bits - 1)) <= counter < 0
    ):
        ours["stroke"] = counter + 2**rule.signed_bits
    return ours


def _converted(name: str, value: Any, unit: str) -> Any:
    """A number, or each number of the fast form, in our unit; what is no number stays, for the checkers to refuse."""
    if isinstance(value, list):
        return [_converted(name, item, unit) for item in value]
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return value
    try:
        return to_stored_unit(name, float(value), unit)
    except ValueError as error:
        raise Misfit(f"bad-unit: {name}: {error}") from error


def _instant(rule: Rule, value: Any, received_us: int | None) -> Any:
    if rule.clock == "receipt":
        if received_us is None:
            raise Misfit("bad-time: the rule takes the time of receipt, and this file does not tell it")
        return text_of(received_us)
    if rule.clock == "epoch_s" and isinstance(value, int | float) and math.isfinite(value):
        return round(value * 1000)
    if rule.clock == "rfc3339" and isinstance(value, str) and rule.zone is not None:
        try:
            return text_of(parse_text(value, rule.zone))
        except ValueError as error:
            raise Misfit(f"bad-time: ts: {error}") from error
    return value


def check_rule(rule: Rule) -> list[str]:
    """What is wrong with a rule; empty where nothing is."""
    import jmespath
    from jmespath.exceptions import JMESPathError

    problems = []
    levels = rule.topic.split("/")
    odd = [
        level for level in levels if level not in ("{saw}", "+") and any(mark in level for mark in ("{", "}", "+", "#"))
    ]
    if levels.count("{saw}") > 1 or odd:
        problems.append(f"topic: found {rule.topic!r}, expected levels that are plain, + or {{saw}} (once)")
    if "{saw}" not in rule.topic and rule.saw is None:
        problems.append(f"topic: {rule.topic!r} names no {{saw}}, so the rule needs the key saw")
    for name, expression in rule.fields.items():
        try:
            jmespath.compile(expression)
        except JMESPathError as error:
            problems.append(f"fields.{name}: {expression!r} is no JMESPath expression: {error}")
    for name, unit in rule.units.items():
        try:
            to_stored_unit(name, 1.0, unit)
        except ValueError as error:
            problems.append(f"units.{name}: {error}")
        if unit_of(name) is None:
            problems.append(f"units.{name}: {unit!r} is given for a field without a unit of its own")
    return problems
