"""A month's spend as JSON: money as text, shares and counts as numbers, the rows behind each figure."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import tzinfo
from decimal import Decimal
from typing import Any

from bladewatch.format import time_text
from bladewatch.money import ZERO, places_of, rounded
from bladewatch.spending.documents import KINDS, Line
from bladewatch.spending.month import BY, Month
from bladewatch.spending.sharing import CostOf
from bladewatch.spending.variance import Bridge
from bladewatch.spending.work import area_m2


def as_json(month: Month, zone: tzinfo) -> dict[str, Any]:
    """The answer of ``report spend``."""
    roll, work, closed = month.roll, month.work, month.closed
    places = places_of(month.currency)

    def whole(amount: Decimal) -> str:
        return str(rounded(amount, places))

    made = work.total
    return {
        "month": month.period.label,
        "from": month.period.first.isoformat(),
        "to": month.period.last.isoformat(),
        "at": time_text(month.at_us, zone),
        "currency": month.currency,
        "spend": {kind: whole(month.spend[kind]) for kind in KINDS} | {"total": whole(month.total)},
        "tax": whole(month.tax),
        "accrued": whole(month.accrued.closing),
        "accruals": {
            name: whole(getattr(month.accrued, name)) for name in ("opening", "added", "reversed", "closing")
        },
        "opening": whole(roll.opening),
        "closing": whole(roll.closing),
        "record_begins": roll.begins,
        "roll_forward": {flow: whole(amount) for flow, amount in roll.flows.items()},
        "ties": not any(roll.off),
        "amortised": whole(month.amortised),
        "reconciling": whole(month.total - month.amortised),
        "plates": {
            "opening": roll.opening_plates,
            **roll.plates,
            "closing": roll.closing_plates,
            "states": roll.states,
        },
        "cuts": made.cuts,
        "area_m2": area_m2(made),
        "pieces": made.pieces,
        "per_1000_cuts": _money(month.per(made.cuts, 1000)),
        "per_m2": _money(month.per(area_m2(made))),
        "per_1000_pieces": _money(month.per(made.pieces, 1000)),
        "coverage": {"strokes": work.strokes_known, "blade": work.blade_known, "alloy": work.alloy_known,
                     "order": month.told.orders_known, "feed": month.told.travel_known},
        "per_km_of_tooth_travel": _money(month.per_km),
        "by": {what: [_cost(one) for one in month.by(what)] for what in BY},
        "paid_to": _suppliers(month),
        "allocation": list(month.shared.rules),
        "variance": _variance(month.bridge, whole),
        "cycles": [
            {"blade_type": one.blade_type, "ended": dict(one.reasons), "cuts": one.cuts, "area_m2": one.area_m2,
             "half_year_before_m2": one.before_m2}
            for one in month.ended
        ],
        "changes": {
            "count": month.changes.taken_off,
            "unplanned": month.changes.unplanned,
            "minutes": str(month.changes.minutes),
            "unplanned_minutes": str(month.changes.unplanned_minutes),
            "causes": [{"saw": saw, "reason": reason, "count": n} for saw, reason, n in month.changes.causes],
        },
        "suppliers": [
            {
                "supplier": one.name, "plates": one.plates, "median_days": one.median_days,
                "worst_days": one.worst_days, "rejects": one.rejects, "tips": one.tips, "paid": whole(one.paid),
                "per_plate": _money(one.per_plate), "first_cuts": one.sharpness, "edges": one.edges,
            }
            for one in month.suppliers
        ],
        "waits": [
            {
                "saw": one.saw, "spindle": one.spindle, "blade_type": one.blade_type,
                "from": time_text(one.from_us, zone), "to": time_text(one.to_us, zone),
            }
            for one in month.waits
        ],
        "record": month.record._asdict(),
        "kerf": {"kg": dict(month.kerf_kg), "value": _money(month.kerf_value)},
        "scrap": [
            {"kind": one.kind, "alloy": one.alloy, "strokes": one.strokes, "kg": one.kg, "without_length": one.untold}
            for one in month.told.scraps
        ],
        "regrinds_left": {str(left): count for left, count in month.regrinds_left.items()},
        "past": [
            {
                "month": one.label, "total": whole(one.total), "strokes": one.strokes,
                "per_1000_strokes": _money(one.per_1000),
            }
            for one in month.line[:-1]
        ],
        "saving": None
        if month.saving is None
        else {
            "baseline": month.saving.baseline,
            "per_m2_then": _money(month.saving.per_m2_then),
            "per_m2": _money(month.saving.per_m2),
            "saved": _money(month.saving.saved),
            "known": month.saving.known,
        },
        "actions": list(month.actions),
        "closed": None
        if closed is None
        else {
            "at": time_text(closed.at_us, zone),
            "by": closed.by,
            "total": whole(closed.total),
            "restated": whole(month.total - closed.total),
            "come": [_line(line, zone) | {"reason": closed.reasons[line.row]} for line in closed.come],
            "gone": [_line(line, zone) | {"reason": closed.reasons[line.row]} for line in closed.gone],
        },
        "rows": {
            **{kind: _rows(line.row for line in month.lines if line.kind == kind) for kind in KINDS},
            "accrued": _rows(one.row for one in month.accrued.standing),
            **{flow: _rows(one.row for one in roll.movements if one.flow == flow) for flow in roll.flows},
        },
        "remarks": [{"row": remark.row, "text": remark.text} for remark in month.remarks],
    }  # fmt: skip


def _money(amount: Decimal | None) -> str | None:
    return None if amount is None else str(amount)


def _rows(rows: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(row for row in rows if row))


def _cost(one: CostOf) -> dict[str, Any]:
    return {
        "name": one.name,
        "cost": str(rounded(one.cost, one.places)),
        "cuts": one.cuts,
        "area_m2": one.area_m2,
        "pieces": one.pieces,
        "per_1000_cuts": _money(one.per(one.cuts, 1000)),
        "per_m2": _money(one.per(one.area_m2)),
        "per_1000_pieces": _money(one.per(one.pieces, 1000)),
        "tooth_travel_m": one.travel_m,
        "per_km_of_tooth_travel": _money(one.per_km),
        "known": one.known,
        "feed_known": one.feed_known,
    }


def _suppliers(month: Month) -> list[dict[str, Any]]:
    """What was paid to each supplier, whatever for; ``documents`` are how many it sent."""
    found: dict[str | None, list[Line]] = {}
    for line in month.lines:
        found.setdefault(line.supplier, []).append(line)
    rows = [
        {
            "name": name,
            "cost": str(sum((line.amount for line in lines), ZERO)),
            "documents": len({line.document for line in lines}),
        }
        for name, lines in found.items()
    ]
    return sorted(rows, key=lambda row: (row["name"] is None, str(row["name"])))


def _variance(told: Bridge, whole: Callable[[Decimal], str]) -> dict[str, Any]:
    return {
        "plan": None if told.plan is None else whole(told.plan),
        "allowed": None if told.allowed is None else whole(told.allowed),
        "spent": whole(told.spent),
        "parts": {name: None if amount is None else whole(amount) for name, amount in told.parts.items()},
        "lack": told.lack,
    }


def _line(line: Line, zone: tzinfo) -> dict[str, Any]:
    return {
        "row": line.row,
        "kind": line.kind,
        "amount": str(line.amount),
        "document": line.document,
        "at": time_text(line.at_us, zone),
        "entered": time_text(line.known_us, zone),
    }
