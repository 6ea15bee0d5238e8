"""Typed facts of the patient: creatinine with its date, weight, height, sex and birth date."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from dosetrack.entry.answers import Question, Typed
from dosetrack.entry.bounds import bound, checked, is_inside
from dosetrack.errors import InputError, OutOfBoundsError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.entries import Creatinine, PatientSize
from dosetrack.tables import constants
from dosetrack.times import completed_years
from dosetrack.units import parse_quantity, parse_with_unit

_SEXES = {"f": "F", "female": "F", "w": "F", "m": "M", "male": "M", "o": "O", "other": "O"}
_UMOL_PER_MMOL = 1000
_CM_PER_M = 100.0


def creatinine_from_text(
    text: str,
    *,
    taken_on: str | None = None,
    on: date | None = None,
    default_unit: str | None = None,
    previous: Creatinine | None = None,
    is_unstable: bool = False,
) -> Typed[Creatinine]:
    """Serum creatinine in the laboratory's own unit, digits kept.

    A value that looks like another unit is refused or asked about with a proposal; it is never
    converted. mmol/L is held as µmol/L, which moves the point only.

    Parameters
    ----------
    text : with its unit, e.g. '1.20 mg/dL', '106 µmol/L'
    taken_on : YYYY-MM-DD or ISO 8601 time; None is 'not told'
    on : day of the case; a later sample is refused
    default_unit : unit of a bare number, where the site set one; None refuses bare numbers
    previous : last value known, to ask about a large change
    """
    number, unit = parse_with_unit(text, "creatinine_mg_dl", field="creatinine", default_unit=default_unit)
    if unit == "mmol/L":
        number, unit = number * _UMOL_PER_MMOL, "umol/L"
    questions = _creatinine_questions(number, unit, given=text)
    value = Creatinine(format(number, "f"), unit, _sample_time(taken_on, on=on), is_unstable)
    if previous is not None:
        questions += _change_questions(value, previous)
    found: tuple[Finding, ...] = ()
    if value.taken_on is None:
        found = (finding(FindingCode.CREATININE_AGE_UNKNOWN),)
    return Typed(value, findings=found, questions=questions)


def _factor() -> Decimal:
    return Decimal(constants("renal_formulas")["creatinine_umol_l_per_mg_dl"].value)


def _shown(unit: str) -> str:
    return unit.replace("umol", "µmol")


def _creatinine_questions(number: Decimal, unit: str, *, given: str) -> tuple[Question, ...]:
    key = "creatinine_mg_dl" if unit == "mg/dL" else "creatinine_umol_l"
    meant = _other_unit(number, unit)
    if meant is None:
        return checked(number, key, field="creatinine", given=given, unit=_shown(unit))
    proposal, same_as = meant
    hint = f"was {_shown(proposal)} ({same_as}) meant?"
    checked(number, key, field="creatinine", given=given, unit=_shown(unit), hint=hint)
    text = f"{number:f} {_shown(unit)} looks like another unit: was {_shown(proposal)} ({same_as}) meant?"
    return (Question("unit", "creatinine", text, proposal),)


def _other_unit(number: Decimal, unit: str) -> tuple[str, str] | None:
    """What may have been meant, as text to type and in the unit that was typed; None when it looks right."""
    if unit == "umol/L":
        if not is_inside(number, bound("creatinine_umol_l.looks_like_mg_dl")) or number <= 0:
            return None
        return f"{number:f} mg/dL", f"{number * _factor():.0f} µmol/L"
    if is_inside(number, bound("creatinine_mg_dl.looks_like_umol_l")):
        return f"{number:f} umol/L", f"{number / _factor():.2f} mg/dL"
    if is_inside(number, bound("creatinine_mg_dl.looks_like_mmol_l")):
        return f"{number:f} mmol/L", f"{number * _UMOL_PER_MMOL / _factor():.2f} mg/dL"
    return None


def _change_questions(new: Creatinine, previous: Creatinine) -> tuple[Question, ...]:
    was, now = _in_mg_dl(previous), _in_mg_dl(new)
    part = Decimal(bound("creatinine.change").high)
    if was <= 0 or abs(now - was) <= part * was:
        return ()
    text = (
        f"{new.value} {_shown(new.unit)} after {previous.value} {_shown(previous.unit)}: "
        f"a change of more than {float(100 * part):g} %. Is the unit right, and is creatinine changing?"
    )
    return (Question("change", "creatinine", text),)


def _in_mg_dl(creatinine: Creatinine) -> Decimal:
    value = Decimal(creatinine.value)
    return value if creatinine.unit == "mg/dL" else value / _factor()


def _sample_time(text: str | None, *, on: date | None) -> str | None:
    if text is None or not text.strip():
        return None
    plain = text.strip()
    try:
        day = datetime.fromisoformat(plain).date()
    except ValueError:
        raise InputError(
            field="date of creatinine", given=text, accepted="YYYY-MM-DD, with a time if known"
        ) from None
    if on is not None and day > on:
        raise OutOfBoundsError(field="date of creatinine", given=text, accepted=f"a day up to {on}")
    return plain


def patient_size_from_text(
    *,
    weight: str | None = None,
    height: str | None = None,
    sex: str | None = None,
    birth_date: str | None = None,
    age_years: float | None = None,
    on: date | None = None,
    weight_unit: str | None = None,
    height_unit: str | None = None,
) -> Typed[PatientSize]:
    """Weight, height, sex and birth date as typed; absent parts are None.

    Parameters
    ----------
    weight, height : with their units, e.g. '68 kg', '1.60 m'
    birth_date : YYYY-MM-DD
    age_years : where no birth date is known; decides whether adult bounds apply [a]
    on : day for which age is reckoned
    weight_unit, height_unit : units of bare numbers, where a header names them
    """
    born = birth_date_from_text(birth_date, on=on)
    years = age_years
    if born is not None and on is not None:
        years = float(completed_years(born, on=on))
    is_child = years is not None and years < constants("renal_formulas")["adult_age"].number
    kilograms, weight_asked = _weight(weight, is_child=is_child, unit=weight_unit)
    centimetres, height_asked = _height(height, is_child=is_child, unit=height_unit)
    mass_asked: tuple[Question, ...] = ()
    if kilograms is not None and centimetres is not None and not is_child:
        mass_asked = _body_mass_questions(weight_kg=kilograms, height_cm=centimetres)
    size = PatientSize(kilograms, centimetres, sex_from_text(sex), born.isoformat() if born else None)
    return Typed(size, questions=(*weight_asked, *height_asked, *mass_asked))


def sex_from_text(text: str | None) -> str | None:
    """'F', 'M' or 'O'; None when not told."""
    plain = (text or "").strip().lower()
    if not plain:
        return None
    if plain not in _SEXES:
        raise InputError(field="sex", given=text, accepted="F, M, O, female, male or other")
    return _SEXES[plain]


def birth_date_from_text(text: str | None, *, on: date | None = None) -> date | None:
    """The birth date; None when not told. Refused after `on` or more than 120 years before it."""
    if text is None or not text.strip():
        return None
    try:
        born = date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(field="birth date", given=text, accepted="YYYY-MM-DD") from None
    oldest = int(bound("age.possible").high)
    if on is not None and not 0 <= on.year - born.year <= oldest:
        raise OutOfBoundsError(field="birth date", given=text, accepted=f"at most {oldest} years before {on}")
    return born


def age_from_text(text: str) -> tuple[float, tuple[Question, ...]]:
    """Age in years, bare or as '72 y' [a], and what to ask about it."""
    number = text.strip().lower().removesuffix("years").removesuffix("y").strip()
    try:
        years = Decimal(number.replace(",", "."))
    except ArithmeticError:
        raise InputError(field="age", given=text, accepted="years, e.g. 72") from None
    if not years.is_finite():
        raise InputError(field="age", given=text, accepted="years, e.g. 72")
    if Decimal(0) <= years < constants("renal_formulas")["adult_age"].number:
        return float(years), ()
    return float(years), checked(years, "age", field="age", given=text, unit="years")


def _weight(
    text: str | None, *, is_child: bool, unit: str | None
) -> tuple[float | None, tuple[Question, ...]]:
    if text is None or not text.strip():
        return None, ()
    value = parse_quantity(text, "mass", field="weight", default_unit=unit)
    key = "weight_kg_child" if is_child else "weight_kg"
    is_low = not is_child and value < float(bound("weight_kg.quiet").low)
    hint = "for a child, give age or birth date first" if is_low else ""
    return value, checked(value, key, field="weight", given=text, unit="kg", hint=hint)


def _height(
    text: str | None, *, is_child: bool, unit: str | None
) -> tuple[float | None, tuple[Question, ...]]:
    if text is None or not text.strip():
        return None, ()
    value = parse_quantity(text, "length", field="height", default_unit=unit)
    key = "height_cm_child" if is_child else "height_cm"
    if is_inside(value, bound("height_cm.looks_like_metres")):
        hint = f"was {value:g} m ({value * _CM_PER_M:g} cm) meant?"
        checked(value, key, field="height", given=text, unit="cm", hint=hint)
    if not is_child and is_inside(value, bound("height_cm.looks_like_inches")):
        hint = f"was {value:g} in meant?"
        checked(value, key, field="height", given=text, unit="cm", hint=hint)
        text = f"{value:g} cm looks like inches: was {value:g} in meant?"
        return value, (Question("unit", "height", text, f"{value:g} in"),)
    return value, checked(value, key, field="height", given=text, unit="cm")


def _body_mass_questions(*, weight_kg: float, height_cm: float) -> tuple[Question, ...]:
    metres = height_cm / _CM_PER_M
    index = round(weight_kg / metres**2, 1)
    return checked(
        index,
        "body_mass_index",
        field="weight and height",
        given=f"{weight_kg:g} kg and {height_cm:g} cm",
        unit="kg/m²",
        hint="pounds typed as kg, or the two fields swapped?",
    )
