"""Bounds of typed values: accepted quietly, asked about, or refused (``tables/entry_bounds.csv``)."""

from __future__ import annotations

from decimal import Decimal

from dosetrack.entry.answers import Question
from dosetrack.errors import OutOfBoundsError
from dosetrack.tables import Constant, constants


def bound(key: str) -> Constant:
    """The row `key` of the bounds; its `low` and `high` may be empty."""
    return constants("entry_bounds")[key]


def is_inside(value: Decimal | float, bounds: Constant) -> bool:
    """`value` lies within the row's low and high, both included; an empty end is open."""
    exact = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    if bounds.low and exact < Decimal(bounds.low):
        return False
    return not (bounds.high and exact > Decimal(bounds.high))


def checked(
    value: Decimal | float, key: str, *, field: str, given: str, unit: str, hint: str = ""
) -> tuple[Question, ...]:
    """The question a value outside its usual range raises; nothing when it is inside.

    Parameters
    ----------
    key : 'weight_kg' reads the rows 'weight_kg.quiet' and 'weight_kg.possible'
    given : the text as typed, for messages
    unit : as shown
    hint : what may have been meant, added to question or refusal

    Raises
    ------
    OutOfBoundsError
        Outside what is possible.
    """
    possible, quiet = bound(f"{key}.possible"), bound(f"{key}.quiet")
    number = float(value)
    tail = f"; {hint}" if hint else ""
    if not is_inside(value, possible):
        accepted = f"{possible.low} to {possible.high} {unit}{tail}"
        raise OutOfBoundsError(field=field, given=given, accepted=accepted)
    if is_inside(value, quiet):
        return ()
    text = f"{number:g} {unit} is outside the usual {quiet.low} to {quiet.high} {unit}: please check{tail}"
    return (Question("range", field, text if text.endswith("?") else f"{text}."),)
