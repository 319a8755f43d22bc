"""The topic of a message: ``bladewatch/1/{site}/{saw}/{kind}``."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final, NamedTuple

KINDS: Final = ("power", "cut", "vibration", "state", "check", "blade")
ROOT: Final = "bladewatch/1"
SUBSCRIPTION: Final = "bladewatch/#"
"""Everything under our root, so that a slip in site or kind is seen and kept, not lost."""

_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")


class Topic(NamedTuple):
    """A topic taken apart."""

    site: str
    saw: str
    kind: str


@lru_cache(maxsize=4096)
def parse(topic: str) -> Topic | str:
    """The parts of ``topic``, or the reason why it has none.

    >>> parse("bladewatch/1/hall/S1/cut")
    Topic(site='hall', saw='S1', kind='cut')
    >>> parse("bladewatch/1/hall/S1/cuts")
    "unknown-topic: kind 'cuts' is not one of power, cut, vibration, state, check, blade"
    """
    parts = topic.split("/")
    if len(parts) != 5 or parts[0] != "bladewatch" or parts[1] != "1":
        return f"unknown-topic: {topic[:200]!r} is not {ROOT}/SITE/SAW/KIND"
    site, saw, kind = parts[2:]
    for what, name in (("site", site), ("saw", saw)):
        if _NAME.fullmatch(name) is None:
            return f"unknown-topic: {what} {name[:80]!r} is not 1 to 64 letters, digits, _ or -"
    if kind not in KINDS:
        return f"unknown-topic: kind {kind[:80]!r} is not one of {', '.join(KINDS)}"
    return Topic(site, saw, kind)


def topic_of(site: str, saw: str, kind: str) -> str:
    """The topic for a kind of message.

    >>> topic_of("hall", "S1", "cut")
    'bladewatch/1/hall/S1/cut'
    """
    return f"{ROOT}/{site}/{saw}/{kind}"
