"""A month beside the tooling account of finance: matched by document; and journal lines for finance to take.

The account is a CSV with the columns ``document`` and ``amount`` (charges above nought) and any others. Numbers are
read by the site's decimal sign. Documents of one number are summed on either side.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Final, NamedTuple

from bladewatch.config.tables import Config
from bladewatch.errors import UsageError
from bladewatch.money import ZERO, places_of, rounded, shared
from bladewatch.spending.documents import KINDS, Line
from bladewatch.spending.month import Month

NEEDED: Final = ("document", "amount")
PAYABLE: Final = "payable"
EXPECTED: Final = "expected"
"""The account that stands against work that was done and is not invoiced."""


class Beside(NamedTuple):
    """A document on both sides; ``ours`` or ``theirs`` is None where that side lacks it.

    ``month`` is the month in which we have it, where that is another one.
    """

    document: str
    ours: Decimal | None
    theirs: Decimal | None
    month: str | None = None


class Match(NamedTuple):
    """A month beside an account: what agrees, what differs, what either side lacks, our lines without a document."""

    agree: tuple[Beside, ...]
    differ: tuple[Beside, ...]
    only_ours: tuple[Beside, ...]
    only_theirs: tuple[Beside, ...]
    nameless: tuple[Line, ...]
    ours: Decimal
    theirs: Decimal


def read_account(config: Config, path: Path) -> dict[str, Decimal]:
    """The sums of an account's documents. Raises ``UsageError`` that lists every mistake."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: is not UTF-8 text: {error}. Save it as CSV in UTF-8") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error}") from error
    first = text.partition("\n")[0]
    sums: dict[str, Decimal] = {}
    mistakes = []
    try:
        reader = csv.DictReader(text.splitlines(), delimiter=max(",;\t", key=first.count), strict=True)
        reader.fieldnames = [name.strip().lower() for name in reader.fieldnames or ()]
        missing = [name for name in NEEDED if name not in reader.fieldnames]
        if missing:
            found = ", ".join(reader.fieldnames) or "nothing"
            raise UsageError(f"{path}: line 1: found the columns {found}; expected {' and '.join(NEEDED)} among them")
        for number, row in enumerate(reader, 2):
            document, told = (row.get("document") or "").strip(), (row.get("amount") or "").strip()
            amount = _amount(config, told)
            if not document and not told:
                continue
            if not document:
                mistakes.append(f"line {number}: document: missing; take lines of totals out")
            elif amount is None:
                example = "48,50" if config.site.decimal == "comma" else "48.50"
                mistakes.append(f"line {number}: amount: found {told[:40]!r}, expected one like {example}")
            else:
                sums[document] = sums.get(document, ZERO) + amount
    except csv.Error as error:
        raise UsageError(f"{path}: is no CSV: {error}") from error
    if mistakes:
        raise UsageError("\n  ".join([f"{path}: {len(mistakes)} mistakes", *mistakes[:20]]))
    return sums


def _amount(config: Config, text: str) -> Decimal | None:
    """An amount by the site's decimal sign; one in brackets, or with its sign behind, is below nought."""
    plain = text.replace("\u00a0", " ").replace("−", "-")
    below = re.fullmatch(r"\((.+)\)|(.+)-", plain)
    if below is not None:
        plain = f"-{below[1] or below[2]}"
    point, other = (",", "[. ']") if config.site.decimal == "comma" else (r"\.", "[, ']")
    if re.fullmatch(rf"[-+]?(\d{{1,15}}|\d{{1,3}}({other}\d{{3}}){{1,4}})({point}\d+)?", plain) is None:
        return None
    plain = re.sub(other, "", plain).replace(",", ".")
    return rounded(Decimal(plain), places_of(config.site.currency))


def match(month: Month, elsewhere: Mapping[str, str], account: Mapping[str, Decimal]) -> Match:
    """Hold a month's documents against an account; ``elsewhere`` names the months of all other documents."""
    ours: dict[str, Decimal] = {}
    for line in month.lines:
        if line.document is not None:
            ours[line.document] = ours.get(line.document, ZERO) + line.amount
    found = [
        Beside(name, ours.get(name), account.get(name), None if name in ours else elsewhere.get(name))
        for name in sorted({*ours, *account})
    ]
    both = [one for one in found if one.ours is not None and one.theirs is not None]
    return Match(
        tuple(one for one in both if one.ours == one.theirs),
        tuple(one for one in both if one.ours != one.theirs),
        tuple(one for one in found if one.theirs is None),
        tuple(one for one in found if one.ours is None),
        tuple(line for line in month.lines if line.document is None),
        month.total,
        sum(account.values(), ZERO),
    )


class Entry(NamedTuple):
    """A line of a journal: what is charged to an account and a cost centre, or what stands against it."""

    account: str
    cost_centre: str
    debit: Decimal
    credit: Decimal
    text: str


class Posted(NamedTuple):
    """What the journals up to a closed month hold, beside what is known now, by kind.

    ``restated`` is by how much the spend of all months up to it has changed since it was closed, ``standing`` the work
    that was not invoiced then.
    """

    restated: Mapping[str, Decimal]
    standing: Mapping[str, Decimal]


def journal(config: Config, month: Month, posted: Posted | None = None) -> list[Entry]:
    """The month's lines for finance: each kind of spend by cost centre, against payables; accruals and their reversal.

    The cost centres of the saws carry what their cuts took of the spend. With what was ``posted`` when the month before
    was closed, what has become known of earlier months since comes with it: all journals together are what is known.
    Raises ``UsageError`` on accounts that are not configured.
    """
    standing: dict[str, Decimal] = {}
    for one in month.accrued.standing:
        standing[one.kind] = standing.get(one.kind, ZERO) + (one.amount or ZERO)
    if posted is None:
        net = dict(month.accrued.net)
    else:
        net = {
            kind: standing.get(kind, ZERO) - posted.standing.get(kind, ZERO) for kind in {*standing, *posted.standing}
        }
    net = {kind: amount for kind, amount in sorted(net.items()) if amount}
    restated = {} if posted is None else {kind: amount for kind, amount in posted.restated.items() if amount}
    needed = [kind for kind in KINDS if month.spend[kind] or kind in net or kind in restated]
    needed += [PAYABLE, *([EXPECTED] if net else [])]
    accounts = config.budget.accounts
    missing = [name for name in needed if name not in accounts]
    if missing:
        raise UsageError(f"[budget] accounts: {', '.join(missing)} missing; a journal needs an account for each")
    places = places_of(month.currency)
    centres = _centres(config, month)
    found: list[Entry] = []
    for amounts, against, text in (
        (month.spend, PAYABLE, month.period.label),
        (restated, PAYABLE, f"of earlier months, known since they were closed, {month.period.label}"),
        (net, EXPECTED, f"done and not invoiced {month.period.label}, less what was reversed"),
    ):
        for kind in KINDS:
            if amounts.get(kind):
                found.extend(_charged(accounts[kind], centres, amounts[kind], f"{kind} {text}", places))
        total = sum(amounts.values(), ZERO)
        if total:
            found.append(_entry(accounts[against], "", -total, f"tooling {text}"))
    return [entry for entry in found if entry.debit or entry.credit]


def _charged(
    account: str, centres: Sequence[tuple[str, Decimal]], amount: Decimal, text: str, places: int
) -> Iterator[Entry]:  # fmt: skip
    parts = shared(amount, [weight for _, weight in centres], places)
    for (centre, _), part in zip(centres, parts, strict=True):
        yield _entry(account, centre, part, text)


def _entry(account: str, centre: str, amount: Decimal, text: str) -> Entry:
    return Entry(account, centre, max(amount, ZERO), max(-amount, ZERO), text)


def _centres(config: Config, month: Month) -> list[tuple[str, Decimal]]:
    """The cost centres and what each one's saws took of the spend; one without a name where none is told."""
    found: dict[str, Decimal] = {}
    for one in month.by("saw"):
        saw = None if one.name is None else config.saws.ever(one.name, month.period.from_us)
        centre = "" if saw is None or saw.cost_centre is None else saw.cost_centre
        found[centre] = found.get(centre, ZERO) + max(one.cost, ZERO)
    return sorted(found.items()) or [("", Decimal(1))]
