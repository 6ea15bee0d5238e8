"""Whether dose, field and geometry of one report fit together.

DAP over Ka,r is the field's area at the reference point. Carried to the detector by the square of
the distances from the source it should be the collimated field stated there; a ratio near a power
of ten is a slip of a unit that the declared unit does not show.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import log10
from statistics import median

from dosetrack.findings import Finding, FindingCode, figures, finding
from dosetrack.records.report import DoseTotal, IrradiationEvent
from dosetrack.tables import constants

_CM2_PER_MM2 = 0.01
_MGY_PER_GY = 1000.0
_UGY_PER_MGY = 1000.0
_UAS_PER_MAS = 1000.0


def dose_findings(events: Sequence[IrradiationEvent], totals: Iterable[DoseTotal]) -> list[Finding]:
    """What about dose, field and distances cannot be. `totals`: by which DAP and Ka,r of a plane are judged
    where the events tell no field."""
    ratios = _field_ratios(events)
    found = _field_findings(ratios) if ratios else _index_findings(totals)
    return [*found, *_reference_point_findings(events), *_band_findings(events)]


def expected_reference_distance_mm(event: IrradiationEvent) -> float | None:
    """Source to reference point by the definition told [mm]; None where it needs what is not known."""
    table = constants("consistency")
    if event.reference_point == "15cm-from-isocenter":
        if event.source_to_isocenter_mm is None:
            return None
        return event.source_to_isocenter_mm - table["reference_point_from_isocenter"].number
    if event.reference_point == "100cm-from-source":
        return table["reference_point_from_source"].number
    if event.source_to_detector_mm is None:
        return None
    if event.reference_point == "30cm-from-detector":
        return event.source_to_detector_mm - table["reference_point_from_detector"].number
    return event.source_to_detector_mm if event.reference_point == "in-detector-plane" else None


def _field_ratios(events: Iterable[IrradiationEvent]) -> list[tuple[float, IrradiationEvent]]:
    """(area from the dose over area stated, event), both at the detector, where both are known."""
    least = constants("consistency")["field_area_from_kerma"].number
    ratios = []
    for event in events:
        kerma, dap, sid = (
            event.reference_air_kerma_mgy,
            event.dose_area_product_gycm2,
            event.source_to_detector_mm,
        )
        if kerma is None or kerma < least or not dap or not sid:
            continue
        stated = event.field_area_cm2
        if stated is None and event.field_height_mm is not None and event.field_width_mm is not None:
            stated = event.field_height_mm * event.field_width_mm * _CM2_PER_MM2
        if not stated:
            continue
        reference = event.source_to_reference_point_mm
        if reference is None:
            reference = expected_reference_distance_mm(event)
        if reference is None or reference <= 0.0 or stated < 0.0 or dap < 0.0:
            continue
        carried = dap / (kerma / _MGY_PER_GY) * (sid / reference) ** 2
        ratios.append((carried / stated, event))
    return ratios


def _field_findings(ratios: Sequence[tuple[float, IrradiationEvent]]) -> list[Finding]:
    middle = median(ratio for ratio, _ in ratios)
    power = _power_of_ten(middle)
    if power is not None:
        facts = {"ratio": figures(middle), "power": power, "count": str(len(ratios))}
        return [finding(FindingCode.DOSE_SCALE_SUSPECT, **facts)]
    most = 1.0 + constants("consistency")["field_area_tolerance"].number
    apart = [
        (max(ratio, 1.0 / ratio), ratio, event) for ratio, event in ratios if not 1.0 / most <= ratio <= most
    ]
    if not apart:
        return []
    _, ratio, event = max(apart, key=lambda one: one[0])
    facts = {"count": str(len(apart)), "of": str(len(ratios)), "ratio": figures(ratio, 2)}
    return [finding(FindingCode.FIELD_AREA_DISAGREES, event_uid=event.uid, **facts)]


def _power_of_ten(ratio: float) -> str | None:
    """'1000' or '1/1000' where `ratio` is near such a power of ten from 10 upwards, else None."""
    exponent = log10(ratio)
    nearest = round(exponent)
    if nearest == 0 or abs(exponent - nearest) > constants("consistency")["scale_slip_width"].number:
        return None
    return f"{10**nearest}" if nearest > 0 else f"1/{10**-nearest}"


def _index_findings(totals: Iterable[DoseTotal]) -> list[Finding]:
    """Planes whose DAP over Ka,r is no field that can be; bounds shared with the case's own check."""
    table = constants("plausibility")
    least, most = table["field_index_possible_least"].number, table["field_index_possible_most"].number
    found = []
    for total in totals:
        dap, kerma = total.dose_area_product_gycm2, total.reference_air_kerma_mgy
        if total.plane == "all" or not dap or not kerma:
            continue
        area = dap / (kerma / _MGY_PER_GY)
        if not least <= area <= most:
            facts = {"what": f"DAP over Ka,r (plane {total.plane})", "value": figures(area), "unit": "cm²"}
            found.append(finding(FindingCode.SCALE_SUSPECT, **facts, least=f"{least:g}", most=f"{most:g}"))
    return found


def _reference_point_findings(events: Sequence[IrradiationEvent]) -> list[Finding]:
    tolerance = constants("consistency")["reference_point_tolerance"].number
    apart = []
    judged = 0
    known: dict[tuple[object, ...], float | None] = {}
    for event in events:
        stated = event.source_to_reference_point_mm
        if stated is None or event.reference_point is None:
            continue
        key = (event.reference_point, event.source_to_isocenter_mm, event.source_to_detector_mm)
        if key not in known:
            known[key] = expected_reference_distance_mm(event)
        expected = known[key]
        if expected is None:
            continue
        judged += 1
        if abs(stated - expected) > tolerance:
            apart.append((abs(stated - expected), stated, expected, event))
    if not apart:
        return []
    _, stated, expected, event = max(apart, key=lambda one: one[0])
    facts = {"count": len(apart), "of": judged, "stated": f"{stated:g}", "expected": f"{expected:g}"}
    return [finding(FindingCode.REFERENCE_POINT_DISAGREES, event_uid=event.uid, **facts)]


def _kerma_per_charge(event: IrradiationEvent) -> float | None:
    """Ka,r over current, pulse width and number of pulses [µGy/mAs]."""
    kerma, current = event.reference_air_kerma_mgy, event.tube_current_ma
    width, pulses = event.pulse_width_ms, event.pulses
    if not kerma or not current or not width or not pulses:
        return None
    return kerma * _UGY_PER_MGY / (current * width * pulses / _UAS_PER_MAS)


def _duration_by_pulses(event: IrradiationEvent) -> float | None:
    """Duration times pulse rate over pulses; 1 where the three agree."""
    if not event.duration_s or not event.pulse_rate_hz or not event.pulses or event.pulses < 2:
        return None
    return event.duration_s * event.pulse_rate_hz / event.pulses


_BANDS: dict[str, tuple[str, str, Callable[[IrradiationEvent], float | None]]] = {
    # row: (what it is called, unit shown, value of one event)
    "band_kvp": ("Tube voltage", "kV", lambda event: event.kvp),
    "band_source_to_detector": (
        "Distance source to detector",
        "mm",
        lambda event: event.source_to_detector_mm,
    ),
    "band_source_to_isocenter": ("Distance source to isocentre", "mm", lambda e: e.source_to_isocenter_mm),
    "band_pulse_width": ("Pulse width", "ms", lambda event: event.pulse_width_ms),
    "band_kerma_per_charge": ("Ka,r per current, pulse width and pulses", "µGy/mAs", _kerma_per_charge),
    "band_duration_by_pulses": ("Duration times pulse rate over pulses", "", _duration_by_pulses),
}


def _band_findings(events: Sequence[IrradiationEvent]) -> list[Finding]:
    """Quantities whose median over the events is outside what any system does."""
    found = []
    for row, (what, unit, value_of) in _BANDS.items():
        band = constants("consistency")[row]
        values = [value for event in events if (value := value_of(event))]
        if not values:
            continue
        middle = median(values)
        if not float(band.low) <= middle <= float(band.high):
            facts = {"what": what, "value": figures(middle), "unit": unit}
            found.append(finding(FindingCode.SCALE_SUSPECT, **facts, least=band.low, most=band.high))
    return found
