"""Wear per area beside alloy 6063, as stated where the shop's own cycles do not tell yet.

Ranges in the trade are wide; these are common practice, no source. The shop sets its own with ``wear_ratio``.
"""

from __future__ import annotations

import re
from typing import Final

GROUPS: Final = {
    "pure-aluminium": 0.9,
    "soft-aluminium": 1.0,
    "structural-aluminium": 1.25,
    "free-cutting-aluminium": 0.8,
    "strong-aluminium": 1.6,
    "cast-aluminium": 5.0,
    "leaded-brass": 0.9,
    "lead-free-brass": 3.0,
    "copper": 2.2,
    "bronze": 5.0,
}

_BY_NAME: Final = (
    (r"(1|3)\d{3}", "pure-aluminium"),
    (r"(6060|6063|6005A?|6463)", "soft-aluminium"),
    (r"(6061|6082|5\d{3}|6\d{3})", "structural-aluminium"),
    (r"(2011|6262)", "free-cutting-aluminium"),
    (r"(2|7)\d{3}", "strong-aluminium"),
    (r"(4\d{3}|A?3\d\d\.0|A3\d\d)", "cast-aluminium"),
    (r"(CW6[01]\dN|C36000|C38500)", "leaded-brass"),
    (r"(CW724R|CW511L|CW510L)", "lead-free-brass"),
    (r"(Cu-?ETP|C110(00)?|CW00\dA|copper)", "copper"),
    (r"(C932(00)?|CW4\d\dK|CW30\dG|bronze)", "bronze"),
)


def stated_ratio(alloy: str, group: str | None = None) -> float:
    """The stated ratio of an alloy by its group, else by its designation; 1 where neither is known.

    >>> stated_ratio("6082"), stated_ratio("Cu-ETP"), stated_ratio("house metal", "bronze"), stated_ratio("unknown")
    (1.25, 2.2, 5.0, 1.0)
    """
    if group is not None and group in GROUPS:
        return GROUPS[group]
    plain = alloy.replace("EN AW-", "").strip()
    for pattern, name in _BY_NAME:
        if re.fullmatch(rf"{pattern}(-T\d+|-O|-H\d+)?", plain, re.IGNORECASE):
            return GROUPS[name]
    return 1.0
