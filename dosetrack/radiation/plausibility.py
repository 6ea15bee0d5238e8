"""Whether dose-area product, reference air kerma and time of a plane fit each other.

Dose-area product over reference air kerma is the mean field area at the reference plane: a check
of units. Reference air kerma per fluoroscopy minute includes acquisitions, so its band is wide.
"""

from __future__ import annotations

from math import log, sqrt

from dosetrack.findings import Finding, FindingCode, figures, finding
from dosetrack.radiation.account import RadiationAccount
from dosetrack.tables import constants

_MGY_PER_GY = 1000.0
_SECONDS_PER_MINUTE = 60.0
_TOO_LARGE = {
    10.0: "as if the dose-area product were in dGy·cm²",
    100.0: "as if the dose-area product were in cGy·cm² or µGy·m²",
    1000.0: "as if the dose-area product were in mGy·cm², or the kerma in Gy",
}
_TOO_SMALL = {
    10.0: "as if a dose-area product in Gy·cm² were taken for dGy·cm²",
    100.0: "as if a dose-area product in Gy·cm² were taken for cGy·cm² or µGy·m²",
    1000.0: "as if a dose-area product in Gy·cm² were taken for mGy·cm², or a kerma in mGy for Gy",
}


def field_index_cm2(
    *, dose_area_product_gycm2: float | None, reference_air_kerma_mgy: float | None
) -> float | None:
    """Mean field area at the reference plane [cm2]; None where either is missing or kerma is not above 0.

    Examples
    --------
    >>> round(field_index_cm2(dose_area_product_gycm2=102.0, reference_air_kerma_mgy=2000.0), 1)
    51.0
    """
    if dose_area_product_gycm2 is None or reference_air_kerma_mgy is None or reference_air_kerma_mgy <= 0:
        return None
    return dose_area_product_gycm2 / (reference_air_kerma_mgy / _MGY_PER_GY)


def unit_slip_hint(area_cm2: float) -> str | None:
    """Which slip of unit would explain an impossible field index; None when none does."""
    least, most = _bounds("field_index_usual")
    centre = sqrt(least * most)
    candidates = [(area_cm2 / f, hint) for f, hint in _TOO_LARGE.items()]
    candidates += [(area_cm2 * f, hint) for f, hint in _TOO_SMALL.items()]
    fitting = [(abs(log(a / centre)), hint) for a, hint in candidates if a > 0 and least <= a <= most]
    return min(fitting)[1] if fitting else None


def implausible(account: RadiationAccount) -> tuple[Finding, ...]:
    """What in `account` asks for a look: per plane, on the displayed numbers."""
    found: list[Finding] = []
    for plane in account.planes:
        where = "Both planes together" if plane.plane == "all" else f"Plane {plane.plane.upper()}"
        if plane.plane == "single":
            where = "This case"
        kerma = _value_of(plane.reference_air_kerma_mgy.displayed)
        dap = _value_of(plane.dose_area_product_gycm2.displayed)
        seconds = _value_of(plane.fluoroscopy_time_s.displayed)
        found += _field_findings(where, kerma=kerma, dap=dap)
        found += _rate_findings(where, kerma=kerma, seconds=seconds)
    return tuple(found)


def _field_findings(where: str, *, kerma: float | None, dap: float | None) -> list[Finding]:
    area = field_index_cm2(dose_area_product_gycm2=dap, reference_air_kerma_mgy=kerma)
    if area is None or not dap:
        return []
    least, most = _bounds("field_index_possible")
    if not least <= area <= most:
        hint = unit_slip_hint(area)
        suffix = f", {hint}" if hint else ""
        return [finding(FindingCode.FIELD_INDEX_IMPOSSIBLE, where=where, area=figures(area), hint=suffix)]
    least, most = _bounds("field_index_usual")
    if not least <= area <= most:
        facts = {"area": f"{area:.0f}", "least": f"{least:g}", "most": f"{most:g}"}
        return [finding(FindingCode.FIELD_INDEX_UNUSUAL, where=where, **facts)]
    return []


def _rate_findings(where: str, *, kerma: float | None, seconds: float | None) -> list[Finding]:
    if seconds is None:
        return []
    table, minutes = constants("plausibility"), seconds / _SECONDS_PER_MINUTE
    found = []
    longest = table["fluoroscopy_time_most"].number
    if minutes > longest:
        facts = {"minutes": f"{minutes:.0f}", "most": f"{longest:g}"}
        found.append(finding(FindingCode.FLUOROSCOPY_TIME_LONG, where=where, **facts))
    if kerma is None:
        return found
    if kerma == 0 and minutes > table["zero_kerma_from"].number:
        found.append(finding(FindingCode.KERMA_ZERO_WITH_BEAM, where=where, minutes=f"{minutes:.0f}"))
    elif minutes > table["kerma_per_minute_from"].number:
        least, most = _bounds("kerma_per_minute")
        if not least <= kerma / minutes <= most:
            facts = {"rate": figures(kerma / minutes), "least": f"{least:g}", "most": f"{most:g}"}
            found.append(finding(FindingCode.KERMA_RATE_UNUSUAL, where=where, **facts))
    return found


def _bounds(key: str) -> tuple[float, float]:
    table = constants("plausibility")
    return table[f"{key}_least"].number, table[f"{key}_most"].number


def _value_of(figure: object) -> float | None:
    return getattr(figure, "value", None)
