"""Contrast levels: what was reached, as prompts read it, and the lines to draw in the lane.

The leading limit prompts at the site's 'approaching' fraction and when it is reached; any other
limit that applies prompts once, as it is passed. Keys stay the same for the same fact, so that it
prompts once.
"""

from __future__ import annotations

from dosetrack.kidney.assessment import KidneyAssessment, shown_limit_ml, shown_used_ml
from dosetrack.kidney.inputs import KidneySettings, default_kidney_settings
from dosetrack.kidney.limits import LimitRow
from dosetrack.records.levels import LevelLine, LevelReached, Tier

QUANTITY = "contrast_ml"
_ROUNDING = 1e-9


def contrast_levels(
    assessment: KidneyAssessment, settings: KidneySettings | None = None
) -> tuple[LevelReached, ...]:
    """Every contrast level reached, the highest first.

    Values are undiluted mL, earlier contrast of the look-back window included [mL]. A limit
    without mL (concentration not known) is compared as iodine [g].
    """
    chosen = default_kidney_settings() if settings is None else settings
    found: list[LevelReached] = []
    for row in assessment.limits:
        if not row.applies:
            continue
        is_leading = row.key == assessment.leading_key
        if row.is_passed:
            found.append(_reached(assessment, row, tier="leading-limit" if is_leading else "limit"))
        if is_leading and _is_at(row, chosen.approaching_fraction):
            found.append(_approaching(assessment, row, fraction=chosen.approaching_fraction))
    return tuple(sorted(found, key=lambda level: -level.level))


def contrast_lines(
    assessment: KidneyAssessment, settings: KidneySettings | None = None
) -> tuple[LevelLine, ...]:
    """The limits that apply and have mL, lowest first, with the step before the leading one."""
    chosen = default_kidney_settings() if settings is None else settings
    lines: list[LevelLine] = []
    for row in assessment.limits:
        if not row.applies or row.limit_ml is None:
            continue
        is_leading = row.key == assessment.leading_key
        tier: Tier = "leading-limit" if is_leading else "limit"
        lines.append(LevelLine(QUANTITY, row.limit_ml, row.name, tier, row.source))
        if is_leading:
            fraction = chosen.approaching_fraction
            name = f"{100 * fraction:g} % of {row.name}"
            lines.append(LevelLine(QUANTITY, fraction * row.limit_ml, name, "approaching", _step_source(row)))
    return tuple(sorted(lines, key=lambda line: line.value))


def _is_at(row: LimitRow, fraction: float) -> bool:
    return row.used_fraction is not None and row.used_fraction >= fraction - _ROUNDING


def _step_source(row: LimitRow) -> str:
    return f"local step before {row.source}"


def _basis(assessment: KidneyAssessment) -> str:
    return "entered" if assessment.given.is_complete else "entered, at least"


def _reached(assessment: KidneyAssessment, row: LimitRow, *, tier: Tier) -> LevelReached:
    quantity, unit, value, level = _values(assessment, row)
    return LevelReached(
        key=f"{QUANTITY}:{row.key}:100",
        lane="contrast",
        tier=tier,
        quantity=quantity,
        plane=None,
        value=value,
        level=level,
        name=row.name,
        basis=_basis(assessment),
        source=row.source,
        say=f"contrast {shown_used_ml(value)} {unit}, past {row.say}, {shown_limit_ml(level)}",
    )


def _approaching(assessment: KidneyAssessment, row: LimitRow, *, fraction: float) -> LevelReached:
    quantity, unit, value, level = _values(assessment, row)
    percent = f"{100 * fraction:g}"
    return LevelReached(
        key=f"{QUANTITY}:{row.key}:{percent}",
        lane="contrast",
        tier="approaching",
        quantity=quantity,
        plane=None,
        value=value,
        level=fraction * level,
        name=f"{percent} % of {row.name}",
        basis=_basis(assessment),
        source=_step_source(row),
        say=(
            f"contrast {shown_used_ml(value)} {unit}, {percent} percent of {row.say}, {shown_limit_ml(level)}"
        ),
    )


def _values(assessment: KidneyAssessment, row: LimitRow) -> tuple[str, str, float, float]:
    """Quantity, spoken unit, value and level: in mL, or in grams where the limit has no mL."""
    if row.limit_ml is not None:
        return QUANTITY, "millilitres", assessment.given.used_neat_ml, row.limit_ml
    return "iodine_g", "grams of iodine", assessment.given.used_iodine_g or 0.0, row.limit_iodine_g or 0.0
