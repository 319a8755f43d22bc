"""Money: decimals, rounded to the smallest unit of a currency, and split so that the parts are the whole."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import Final

from bladewatch.units import NO_BREAK

ZERO: Final = Decimal(0)
_WHOLE: Final = (
    "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF",
)  # fmt: skip
_THOUSANDTHS: Final = ("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND")
_PLACES: Final = dict.fromkeys(_WHOLE, 0) | dict.fromkeys(_THOUSANDTHS, 3)
"""Minor units that are not hundredths, by ISO 4217 (from memory)."""


def places_of(currency: str) -> int:
    """Decimal places of a currency's smallest unit.

    >>> places_of("EUR"), places_of("JPY")
    (2, 0)
    """
    return _PLACES.get(currency.upper(), 2)


def money_text(amount: Decimal, decimal: str = "point", sign: bool = False) -> str:
    """An amount as people read it: thousands apart by a space that no line breaks at, the site's decimal sign.

    >>> money_text(Decimal("-1234.50")).replace(NO_BREAK, "_"), money_text(Decimal("0.5"), "comma", sign=True)
    ('−1_234.50', '+0,5')
    """
    text = f"{amount:+,f}" if sign and amount else f"{amount:,f}"
    text = text.replace(",", NO_BREAK).replace("-", "−")
    return text.replace(".", ",") if decimal == "comma" else text


def rounded(amount: Decimal, places: int = 2) -> Decimal:
    """An amount rounded once, to so many places; one in the middle goes to the even one (ISO 80000-1, B.3, rule A).

    >>> rounded(Decimal("12.345")), rounded(Decimal("12.355")), rounded(Decimal("-0.005"))
    (Decimal('12.34'), Decimal('12.36'), Decimal('0.00'))
    """
    return amount.quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN) + ZERO


def shared(total: Decimal, weights: Sequence[Decimal], places: int = 2) -> list[Decimal]:
    """A total in parts that go with weights (not below nought) and add up to it, to the smallest unit.

    Every part is its share without what is smaller than the unit; the units that are left go to the largest
    remainders, of equal ones to the first. Weights that are all nought are taken for alike.

    >>> shared(Decimal("100.00"), [Decimal(1)] * 3)
    [Decimal('33.34'), Decimal('33.33'), Decimal('33.33')]
    """
    if not weights:
        return []
    unit = Decimal(1).scaleb(-places)
    units = int(rounded(total, places) / unit)
    sign, units = (-1, -units) if units < 0 else (1, units)
    whole = sum(weights, ZERO)
    each = list(weights) if whole > 0 else [Decimal(1)] * len(weights)
    whole = whole if whole > 0 else Decimal(len(weights))
    exact = [_ratio(units, weight, whole) for weight in each]
    found = [int(share.to_integral_value(ROUND_FLOOR)) for share, _ in exact]
    order = sorted(range(len(each)), key=lambda place: (-exact[place][1], place))
    for place in order[: units - sum(found)]:
        found[place] += 1
    return [sign * part * unit + ZERO for part in found]


def _ratio(units: int, weight: Decimal, whole: Decimal) -> tuple[Decimal, Decimal]:
    """Whole part and remainder of a share; exact, as weights are integers over one power of ten."""
    scale = Decimal(1).scaleb(max(0, -min(int(weight.as_tuple().exponent), int(whole.as_tuple().exponent))))
    share, rest = divmod(units * int(weight * scale), int(whole * scale))
    return Decimal(share), Decimal(rest)
