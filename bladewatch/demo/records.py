"""What the people of the invented shop write down: the ledger, with its delays and its gaps, and what it cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING

from bladewatch.demo.setting import BladeKind, Setting
from bladewatch.demo.truth import Truth
from collectors.instants import DAY_US, HOUR_US, MINUTE_US, to_datetime

if TYPE_CHECKING:
    from bladewatch.demo.blades import Plate

FREIGHT = Decimal("24.00")
TAX = Decimal("0.19")


class Records:
    """The ledger rows of a shop, as texts in the columns of the ledger's CSV."""

    def __init__(self, setting: Setting, truth: Truth) -> None:
        self.rows: list[dict[str, str]] = []
        self._setting = setting
        self._truth = truth
        self._rng = Random(f"{setting.seed}/records")
        self._away: list[tuple[str, list[Plate]]] = []
        self._batches = 0

    def opened(self, plate: str, kind: BladeKind, regrinds: int) -> None:
        """Stock of the first day."""
        at_us = self._setting.at(-3, 9)
        value = f"{Decimal(kind.price) * (13 - regrinds) / 13:.2f}"
        note = "book value estimated"
        cells = {"blade_type": kind.id, "place": "rack 2", "regrinds": str(regrinds), "cost": value, "note": note}
        self._write(at_us, "opened", plate, cells)

    def bought(self, at_us: int, plate: str, kind: BladeKind) -> None:
        """A new plate, because the rack was empty."""
        document = f"INV-{plate}"
        tax = f"{Decimal(kind.price) * TAX:.2f}"
        cells = {"blade_type": kind.id, "cost": kind.price, "tax": tax, "currency": "EUR", "document": document}
        self._write(at_us, "bought", plate, cells)
        self._write(at_us + MINUTE_US, "received", plate)
        self._write(at_us + 120_000_000, "accepted", plate, {"place": "rack 2"})
        self._pay(at_us, "new", Decimal(kind.price))

    def mounted(self, at_us: int, plate: str, saw: str, counter: int) -> None:
        """A blade put on."""
        self._write(at_us, "mounted", plate, {"saw": saw, "counter": str(counter)}, late=True)

    def dismounted(
        self, at_us: int, plate: str, saw: str, counter: int, reason: str, minutes: int, chipped: int
    ) -> None:
        """A blade taken off."""
        planned = "no" if reason in ("chipped", "worn-burr") else "yes"
        cells: dict[str, str] = {"reason": reason, "planned": planned, "minutes": str(minutes), "counter": str(counter)}
        if chipped:
            cells["tips_chipped"] = str(chipped)
        self._write(at_us, "dismounted", plate, {"saw": saw, **cells}, late=True)

    def sent(self, at_us: int, plates: Sequence[Plate]) -> None:
        """A batch to the grinder."""
        if not plates:
            return
        self._batches += 1
        batch = f"B-{self._batches:03d}"
        for place, plate in enumerate(plates):
            self._write(at_us + place * 1_000_000, "sent", plate.id, {"batch": batch, "supplier": "grinder-a"})
        self._away.append((batch, list(plates)))

    def came_back(self, at_us: int) -> list[tuple[Plate, int]]:
        """The batches that were away come back: wear as it was measured, work, invoice.

        Returns the plates and from when on each is on the rack.
        """
        back: list[tuple[Plate, int]] = []
        for batch, plates in self._away:
            for place, plate in enumerate(plates):
                edge = plate.edge
                assert edge is not None
                now_us = at_us + (len(back) + 1) * 30_000_000
                wear = edge.wear_um * plate.bench
                cells = {"batch": batch, "supplier": "grinder-a", "wear_um": f"{wear:.0f}"}
                cells["stock_removed_um"] = f"{wear + 60 + 150 * edge.chipped:.0f}"
                if edge.chipped:
                    cells["tips_replaced"] = str(edge.chipped)
                self._write(now_us, "returned", plate.id, cells)
                self._write(now_us + 10_000_000, "accepted", plate.id, {"place": "rack 2"})
                self._invoice(at_us + DAY_US + place * 1_000_000, batch, plate, edge.chipped, place == 0)
                back.append((plate, now_us + 10_000_000))
        self._away = []
        return back

    def _invoice(self, at_us: int, batch: str, plate: Plate, chipped: int, first: bool) -> None:
        """One line of a batch's invoice; the freight stands on the first."""
        cost, tips = Decimal(plate.kind.grind_price), Decimal(plate.kind.tip_price) * chipped
        cells = {"batch": batch, "supplier": "grinder-a", "document": f"INV-{batch}", "currency": "EUR"}
        cells |= {"cost": f"{cost + tips:.2f}", "tax": f"{(cost + tips) * TAX:.2f}"}
        if first:
            cells["freight"] = f"{FREIGHT:.2f}"
            self._pay(at_us, "freight", FREIGHT)
        self._write(at_us, "invoiced", plate.id, cells)
        self._pay(at_us, "grind", cost)
        if tips:
            self._pay(at_us, "tips", tips)

    def _pay(self, at_us: int, what: str, amount: Decimal) -> None:
        self._truth.pay(to_datetime(at_us, self._setting.zone).strftime("%Y-%m"), what, amount)

    def _write(
        self, at_us: int, event: str, plate: str, cells: Mapping[str, str] | None = None, late: bool = False
    ) -> None:
        row = {"at": self._text(at_us), "event": event, "plate": plate, **(cells or {})}
        if late and self._rng.random() < self._setting.size("late"):
            row["entered"] = self._text(at_us + round(self._rng.uniform(0.5, 14) * HOUR_US))
        self.rows.append(row)

    def _text(self, at_us: int) -> str:
        return to_datetime(at_us, self._setting.zone).isoformat(timespec="seconds")
