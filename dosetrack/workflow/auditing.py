"""Case rows as the audit reads them."""

from __future__ import annotations

from datetime import date

from dosetrack.audit import AgeGroup, AuditCase, AuditResult, audit, audit_settings
from dosetrack.audit.measures import Measures, measure_rules, measures
from dosetrack.audit.months import rolling_start
from dosetrack.errors import InputError
from dosetrack.kidney import age_years_on
from dosetrack.kidney.filtration import is_adult, mosteller_m2
from dosetrack.ledger import CaseState, CaseTotalRow, LedgerReader
from dosetrack.settings import Settings
from dosetrack.workflow.projector import CaseExtras, extras_of

_COUNTED: tuple[CaseState, ...] = ("ended", "closed")


def audit_of(
    reader: LedgerReader, settings: Settings, *, first_day: str, last_day: str, room: str | None = None
) -> AuditResult:
    """The audit of every ended case, reconciled or not, from `first_day` to `last_day`.

    Parameters
    ----------
    room : only the cases of this room, also in the rolling window; None: of every room
    """
    first, last = date.fromisoformat(first_day), date.fromisoformat(last_day)
    rules = audit_settings(settings)
    cases = _cases(reader, settings, first=first, last=last, room=room)
    return audit(cases, first_day=first, last_day=last, settings=rules)


def measures_of(
    reader: LedgerReader,
    settings: Settings,
    *,
    first_day: str,
    last_day: str,
    room: str | None = None,
    with_comparisons: bool = False,
) -> Measures:
    """The statistics beside the audit of the same days and room."""
    first, last = date.fromisoformat(first_day), date.fromisoformat(last_day)
    rules = measure_rules(settings)
    cases = _cases(reader, settings, first=first, last=last, room=room)
    return measures(cases, first_day=first, last_day=last, rules=rules, with_comparisons=with_comparisons)


def _cases(
    reader: LedgerReader, settings: Settings, *, first: date, last: date, room: str | None
) -> list[AuditCase]:
    """The cases of the period and of the rolling window that ends with it."""
    earliest = min(first, rolling_start(last, audit_settings(settings).rolling_months))
    rows = reader.case_totals(from_day=earliest.isoformat(), to_day=last.isoformat(), state=_COUNTED)
    names = settings.pairs("site.procedure_names")
    aliases = settings.pairs("site.operator_aliases")
    found = (audit_case(row, names=names, aliases=aliases) for row in rows)
    return [case for case in found if case and (room is None or case.room == room)]


def months_with_cases(reader: LedgerReader) -> tuple[str, ...]:
    """'YYYY-MM' of every month that holds an ended case, oldest first."""
    return tuple(sorted({row.day[:7] for row in reader.case_totals(state=_COUNTED) if row.day}))


def audit_case(row: CaseTotalRow, *, names: dict[str, str], aliases: dict[str, str]) -> AuditCase | None:
    """The row for the audit; None where the day is not known.

    Parameters
    ----------
    names : local procedure label -> controlled name
    aliases : operator as sent -> operator to count under
    """
    if row.day is None:
        return None
    extras = extras_of(row)
    operator = row.operators[0] if row.operators else None
    day = date.fromisoformat(row.day)
    settled = {one.quantity: one.value for one in extras.for_audit}
    return AuditCase(
        id=row.id,
        day=day,
        procedure=names.get(row.procedure, row.procedure) if row.procedure else None,
        room=row.room,
        operator=aliases.get(operator, operator) if operator else None,
        quantities={
            "reference_air_kerma_mgy": row.reference_air_kerma_mgy,
            "dose_area_product_gycm2": row.dose_area_product_gycm2,
            "fluoroscopy_time_s": row.fluoroscopy_time_s,
            "contrast_ml": row.contrast_ml,
            "iodine_g": row.iodine_g,
        }
        | settled,
        reference_air_kerma_by_plane_mgy={p.plane: p.reference_air_kerma_mgy for p in row.by_plane},
        field_cm2=extras.field_cm2,
        skin_upper_mgy=extras.skin_high_mgy if extras.has_geometry else None,
        age_group=_age_group(extras.birth_date, day),
        body_surface_m2=_body_surface_m2(extras),
        is_biplane=_is_biplane(row),
    )


def _body_surface_m2(extras: CaseExtras) -> float | None:
    """By Mosteller, which holds for children too; None without both sizes."""
    if extras.weight_kg is None or extras.height_cm is None:
        return None
    try:
        return mosteller_m2(weight_kg=extras.weight_kg, height_cm=extras.height_cm)
    except InputError:
        return None  # a size of zero is not known


def _is_biplane(row: CaseTotalRow) -> bool | None:
    planes = {dose.plane for dose in row.by_plane}
    return bool(planes & {"b"}) if planes & {"a", "b", "single"} else None


def _age_group(birth_date: str | None, day: date) -> AgeGroup:
    try:
        age = age_years_on(birth_date, day) if birth_date else None
    except InputError:
        age = None  # unreadable is not known
    return AgeGroup.UNDER_18 if age is not None and not is_adult(age) else AgeGroup.ADULT
