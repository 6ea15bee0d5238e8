"""Calendar months of an audit."""

from __future__ import annotations

from calendar import monthrange
from datetime import date, timedelta


def month_of(day: date) -> str:
    """'YYYY-MM' of `day`."""
    return f"{day:%Y-%m}"


def months_between(first: date, last: date) -> tuple[str, ...]:
    """Every month that touches the days from `first` to `last`, in order."""
    start, end = first.year * 12 + first.month - 1, last.year * 12 + last.month - 1
    return tuple(f"{m // 12:04d}-{m % 12 + 1:02d}" for m in range(start, end + 1))


def rolling_start(last_day: date, months: int) -> date:
    """First day of the window of `months` whole months that ends with `last_day`.

    Examples
    --------
    >>> rolling_start(date(2026, 2, 28), 12), rolling_start(date(2026, 5, 14), 12)
    (datetime.date(2025, 3, 1), datetime.date(2025, 5, 15))
    """
    number = last_day.year * 12 + last_day.month - 1 - months
    year, month = number // 12, number % 12 + 1
    length = monthrange(year, month)[1]
    is_month_end = last_day.day == monthrange(last_day.year, last_day.month)[1]
    same_day = length if is_month_end else min(last_day.day, length)
    return date(year, month, same_day) + timedelta(days=1)
