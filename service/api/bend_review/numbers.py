"""Numbers in the sentences of a review, rounded so that whoever follows them is on the safe side.

What must be reached at least is rounded up and what must not be passed down, in the caller's unit;
a size that must be met has as many digits as meet it. Where a value that is refused and its limit
would read alike, both have more digits. The exact numbers stand beside the sentences.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from types import MappingProxyType

from service.calc.bend_rules import Change, Check, Cure, Rule
from service.errors import Amount, Value
from service.web import texts, units

# Digits as ``units.show`` writes them: six for what a person sets, four for what is estimated.
DIGITS_SET, DIGITS_ESTIMATED = 6, 4
MOST_DIGITS = 15
# A number this near to a rounded one, relative to itself, is that one: a tenth of what counts as
# rounding when values are compared with limits.
SAME = 1e-10
# How near a size that must be met is met, relative to itself.
MET = 1e-7
# Whether a cure's number is the least that will do (True) or the most; the others must be met.
AT_LEAST: MappingProxyType[Change, bool] = MappingProxyType(
    {
        "straight": True,
        "leg": True,
        "end_length": True,
        "thicker_wall": True,
        "move_apart": True,
        "thinner_wall": False,
        "angle": False,
        "tube_length": False,
        "pressure": False,
    }
)
# The same for a radius, which is met by a die well enough either way: a little less of it leaves
# more straight, a little more of it bends the tube less sharply.
RADIUS_AT_LEAST: MappingProxyType[Rule, bool] = MappingProxyType(
    {
        "leg_for_set_backs": False,
        "straight_for_clamp": False,
        "end_straight_to_grip": False,
        "end_straight_for_fitting": False,
        "mandrel": True,
        "capacity": True,
        "thinning": True,
        "wall_for_pressure": True,
        "pressure": True,
    }
)
# What these compare is how much of a movement is done.
NO_LIMIT: frozenset[Rule] = frozenset({"bending_order"})


def cure_number(cure: Cure, check: Check, system: str) -> Value:
    """The number of a cure, as it stands in its sentence; None where it has none."""
    if cure.value is None:
        return None
    at_least, digits = AT_LEAST.get(cure.change), _usual(cure.value)
    if cure.change == "radius":
        at_least = RADIUS_AT_LEAST.get(check.rule)
    if cure.change == "outside_diameter":
        at_least = check.least  # of the range of a bender; a die or a fitting must be met
        digits = _digits_to_meet(cure.value, system) if at_least is None else digits
    return _told(_rounded(cure.value, system, digits, at_least), cure.value, system)


def compared_numbers(check: Check, system: str) -> dict[str, Value]:
    """Value and limit of a failing check, as they stand in its sentence, where they are compared.

    The limit is rounded to the safe side. Both have as many digits as it takes for the value to
    read as past its limit.
    """
    value, limit = check.value, check.limit
    if value is None or limit is None or value.kind != limit.kind or check.rule in NO_LIMIT:
        return {}
    for digits in range(_usual(value), MOST_DIGITS + 1):
        shown = _rounded(value, system, digits, None)
        held = _rounded(limit, system, digits, check.least)
        if _fails(shown, held, check.least):
            return {"value": _told(shown, value, system), "limit": _told(held, limit, system)}
    return {}  # it fails by something else


def _fails(value: Decimal, limit: Decimal, least: bool | None) -> bool:
    if least is None:
        return value != limit
    return value < limit if least else value > limit


def _usual(amount: Amount) -> int:
    return DIGITS_SET if amount.kind in {"length", "angle"} else DIGITS_ESTIMATED


def _outward(amount: Amount, system: str) -> Decimal:
    return Decimal(repr(units.outward(amount.value, amount.kind, units.FACTORS[system])))


def _rounded(amount: Amount, system: str, digits: int, up: bool | None) -> Decimal:
    """The number in the caller's unit with so many digits; all before the decimal mark stay.

    Arguments:
        up: whether to round up, or down; None for to the nearest
    """
    number = _outward(amount, system)
    last = Decimal(1).scaleb(min(number.adjusted() - digits + 1, 0))
    nearest = number.quantize(last, ROUND_HALF_EVEN)
    if up is None or abs(nearest - number) <= abs(number) * Decimal(SAME):
        return nearest
    return number.quantize(last, ROUND_CEILING if up else ROUND_FLOOR)


def _digits_to_meet(amount: Amount, system: str) -> int:
    number = _outward(amount, system)
    for digits in range(_usual(amount), MOST_DIGITS):
        if abs(_rounded(amount, system, digits, None) - number) <= abs(number) * Decimal(MET):
            return digits
    return MOST_DIGITS


def _told(number: Decimal, amount: Amount, system: str) -> str:
    """The number with its unit, in the language of the answer."""
    name = units.NAMES[system][amount.kind]
    written = f"{number:f}"
    if "." in written:
        written = written.rstrip("0").rstrip(".")
    written = "0" if written == "-0" else written
    gap = "" if name in {"°", ""} else " "
    return f"{texts.decimal(written, texts.language())}{gap}{name}"
