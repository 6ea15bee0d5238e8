"""Typed console readings: cumulative kerma, dose-area product and fluoroscopy time of one plane."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dosetrack.entry.answers import Question, Typed
from dosetrack.entry.bounds import bound, checked, is_inside
from dosetrack.errors import InputError
from dosetrack.findings import figures
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import PlaneName
from dosetrack.tables import constants
from dosetrack.units import parse_quantity

_MGY_PER_GY = 1000.0
_SECONDS_PER_MINUTE = 60.0
_SLIPS = {10: "dGy·cm²", 100: "cGy·cm² or µGy·m²", 1000: "mGy·cm²"}
_PLANES: dict[str, PlaneName] = {"": "single", "single": "single", "a": "a", "b": "b", "all": "all"}
_QUANTITIES = (
    ("reference_air_kerma_mgy", "reference air kerma", "mGy"),
    ("dose_area_product_gycm2", "dose-area product", "Gy·cm²"),
    ("fluoroscopy_time_s", "fluoroscopy time", "s"),
)


def reading_from_text(
    *,
    plane: str | None = None,
    reference_air_kerma: str | None = None,
    dose_area_product: str | None = None,
    fluoroscopy_time: str | None = None,
    reference_air_kerma_unit: str | None = None,
    dose_area_product_unit: str | None = None,
    fluoroscopy_time_unit: str | None = None,
) -> Typed[ConsoleReading]:
    """A console reading as typed, with what to ask where the numbers do not fit each other.

    Parameters
    ----------
    plane : 'single' (default), 'a', 'b', 'all'
    reference_air_kerma, dose_area_product : with units, e.g. '1.2 Gy', '35 Gy·cm²'
    fluoroscopy_time : with its unit, or 'minutes:seconds'
    *_unit : units of bare numbers, where a header or setting names them

    Raises
    ------
    InputError
        Nothing given, a number without a unit, or an impossible one.
    """
    kerma, kerma_asked = _value(
        reference_air_kerma, "air_kerma", _QUANTITIES[0], unit=reference_air_kerma_unit
    )
    dap, dap_asked = _value(
        dose_area_product, "dose_area_product", _QUANTITIES[1], unit=dose_area_product_unit
    )
    seconds, time_asked = _value(fluoroscopy_time, "time", _QUANTITIES[2], unit=fluoroscopy_time_unit)
    if kerma is None and dap is None and seconds is None:
        raise InputError(
            field="console reading",
            given="",
            accepted="at least one of reference air kerma, dose-area product, fluoroscopy time",
        )
    reading = ConsoleReading(plane_from_text(plane), kerma, dap, seconds)
    questions = (*kerma_asked, *dap_asked, *time_asked, *_fit_questions(reading))
    return Typed(reading, questions=questions)


def plane_from_text(text: str | None) -> PlaneName:
    """The plane named; None or '' is the single plane."""
    plain = (text or "").strip().lower().removeprefix("plane").strip()
    if plain not in _PLANES:
        raise InputError(field="plane", given=text, accepted="single, A, B or all")
    return _PLANES[plain]


def check_reading(
    previous: Sequence[ConsoleReading], new: ConsoleReading, *, last_in_room: ConsoleReading | None = None
) -> tuple[Question, ...]:
    """What to ask about a cumulative reading.

    Parameters
    ----------
    previous : earlier readings of this case in order of time; other planes are passed over
    last_in_room : the last reading of the case before, same room and plane
    """
    same_plane = [reading for reading in previous if reading.plane == new.plane]
    if new.is_reset:
        return ()
    if not same_plane:
        return _first_reading_questions(new, last_in_room)
    found = []
    for key, name, unit in _QUANTITIES:
        value = getattr(new, key)
        shown = [getattr(reading, key) for reading in _since_reset(same_plane)]
        known = [number for number in shown if number is not None]
        if value is not None and known and value < known[-1]:
            text = (
                f"{name} {value:g} {unit} is lower than the last reading, {known[-1]:g} {unit}: "
                "a typing error, or did the console start again from zero?"
            )
            found.append(Question("reset", name, text))
    return tuple(found)


def carried_over(new: ConsoleReading, last_in_room: ConsoleReading | None) -> ConsoleReading:
    """`new` with what the console still showed of the patient before as its offset.

    Parameters
    ----------
    last_in_room : the last reading of the case before, same room and plane. Where it, or one of
        its quantities, is not known, or stands above `new`, the whole of `new` was carried over.
    """
    return replace(
        new,
        offset_reference_air_kerma_mgy=_left_over(new, last_in_room, "reference_air_kerma_mgy"),
        offset_dose_area_product_gycm2=_left_over(new, last_in_room, "dose_area_product_gycm2"),
        offset_fluoroscopy_time_s=_left_over(new, last_in_room, "fluoroscopy_time_s"),
    )


def _left_over(new: ConsoleReading, last: ConsoleReading | None, key: str) -> float:
    """What an earlier patient left of one quantity; a counter not read now still holds it."""
    now: float | None = getattr(new, key)
    before: float | None = getattr(last, key) if last is not None else None
    known = [value for value in (now, before) if value is not None]
    return min(known, default=0.0)


def _since_reset(readings: Sequence[ConsoleReading]) -> Sequence[ConsoleReading]:
    resets = [index for index, reading in enumerate(readings) if reading.is_reset]
    return readings[resets[-1] :] if resets else readings


def _first_reading_questions(
    new: ConsoleReading, last_in_room: ConsoleReading | None
) -> tuple[Question, ...]:
    found = []
    for key, name, unit in _QUANTITIES:
        value = getattr(new, key)
        if not value or getattr(new, f"offset_{key}"):
            continue
        before = getattr(last_in_room, key) if last_in_room is not None else None
        if value == before:
            text = f"{name} {value:g} {unit} is what the last case here ended with"
        elif not is_inside(value, bound(f"first_reading.{key}")):
            text = f"{name} {value:g} {unit} is the first reading of this case and not near zero"
        else:
            continue
        found.append(Question("carried-over", name, f"{text}: carried over from the previous patient?"))
    return tuple(found)


def _value(
    text: str | None, kind: str, quantity: tuple[str, str, str], *, unit: str | None
) -> tuple[float | None, tuple[Question, ...]]:
    if text is None or not text.strip():
        return None, ()
    key, name, shown = quantity
    value = parse_quantity(text, kind, field=name, default_unit=unit)
    return value, checked(value, key, field=name, given=text, unit=shown)


def _fit_questions(reading: ConsoleReading) -> tuple[Question, ...]:
    kerma, dap = reading.reference_air_kerma_mgy, reading.dose_area_product_gycm2
    seconds = reading.fluoroscopy_time_s
    found: list[Question] = []
    if kerma and dap is not None:
        found += _field_questions(_MGY_PER_GY * dap / kerma)
    if kerma is not None and seconds is not None:
        found += _rate_questions(kerma, minutes=seconds / _SECONDS_PER_MINUTE)
    return tuple(found)


def _field_questions(area_cm2: float) -> list[Question]:
    """DAP / Ka,r is the mean field area at the reference plane: a check of units."""
    least, most = _fit("field_index_usual_least"), _fit("field_index_usual_most")
    if least <= area_cm2 <= most:
        return []
    possible = _fit("field_index_possible_least") <= area_cm2 <= _fit("field_index_possible_most")
    said = "please check" if possible else "likely a unit or typing error"
    slips = [
        f"as if it were in {unit}" for factor, unit in _SLIPS.items() if least <= area_cm2 / factor <= most
    ]
    hint = f" ({' or '.join(slips)})" if slips else ""
    text = (
        f"with this kerma the mean field at the reference plane would be {figures(area_cm2)} cm², "
        f"usual are {least:g} to {most:g} cm²: {said}{hint}."
    )
    return [Question("fit", "dose-area product", text)]


def _rate_questions(kerma_mgy: float, *, minutes: float) -> list[Question]:
    if kerma_mgy == 0:
        if minutes <= _fit("zero_kerma_from"):
            return []
        text = f"0 mGy after {minutes:.0f} min of fluoroscopy: was it read?"
        return [Question("fit", "reference air kerma", text)]
    if minutes <= _fit("kerma_per_minute_from"):
        return []
    least, most = _fit("kerma_per_minute_least"), _fit("kerma_per_minute_most")
    rate = kerma_mgy / minutes
    if least <= rate <= most:
        return []
    text = (
        f"{figures(rate)} mGy per minute of fluoroscopy, usual are {least:g} to {most:g}: please check units."
    )
    return [Question("fit", "reference air kerma", text)]


def _fit(key: str) -> float:
    return constants("plausibility")[key].number
