"""The x-ray field that dose-area product levels assume, from the collimation of the events.

A published DAP level stands for a dose level at one field size. A smaller field puts the same DAP
on less skin, so the level is scaled down by it. The field is the collimated one carried from the
detector to the skin (else to the reference plane); never DAP over reference air kerma, which
would only repeat the air kerma level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from dosetrack.records.report import IrradiationEvent
from dosetrack.tables import constants

FieldPlane = Literal["skin", "reference"]
_MM2_PER_CM2 = 100.0


@dataclass(frozen=True, slots=True)
class FieldUsed:
    """The DAP-weighted collimated field.

    area_cm2 : at `plane` [cm2]
    plane : 'skin', or 'reference' where the distance to the skin is not known
    known_share : part of the DAP whose field is known, 0 to 1
    """

    area_cm2: float
    plane: FieldPlane
    known_share: float


def reference_distance_mm(event: IrradiationEvent) -> float | None:
    """Focal spot to reference point of one event [mm]; None when nothing tells it.

    Order of preference: the distance as sent, if plausible; the definition of the point; 150 mm
    from the isocentre toward the tube (interventional reference point of a C-arm).
    """
    known = constants("skin_screening")
    sent = event.source_to_reference_point_mm
    least, most = known["reference_distance_least"].number, known["reference_distance_most"].number
    if sent is not None and least <= sent <= most:
        return sent
    if event.reference_point == "30cm-from-detector" and event.source_to_detector_mm is not None:
        return event.source_to_detector_mm - known["reference_before_receptor"].number
    if event.source_to_isocenter_mm is not None:
        return event.source_to_isocenter_mm - known["reference_before_isocentre"].number
    return None


def field_at_detector_cm2(event: IrradiationEvent) -> float | None:
    """Collimated field of one event at the detector [cm2]; None when not told."""
    if event.field_height_mm is not None and event.field_width_mm is not None:
        area = event.field_height_mm * event.field_width_mm / _MM2_PER_CM2
    elif event.field_area_cm2 is not None:
        area = event.field_area_cm2
    else:
        return None
    return area if area > 0 else None


def field_used(
    events: Sequence[IrradiationEvent], *, source_to_skin_mm: float | None = None
) -> FieldUsed | None:
    """The DAP-weighted collimated field of `events`; None when it is not known well enough.

    Parameters
    ----------
    source_to_skin_mm : focal spot to skin along the beam [mm]; None: the reference plane is used

    Notes
    -----
    The area at the detector shrinks with the square of the distance from the focal spot. Events
    without DAP weigh nothing. Below the share of the table (`pka_field_known_share`) the field
    counts as unknown.
    """
    whole = known = weighted = 0.0
    for event in events:
        dap = event.dose_area_product_gycm2
        if dap is None or dap <= 0:
            continue
        whole += dap
        area = field_at_detector_cm2(event)
        distance = source_to_skin_mm if source_to_skin_mm is not None else reference_distance_mm(event)
        if area is None or distance is None or not event.source_to_detector_mm:
            continue
        known += dap
        weighted += dap * area * (distance / event.source_to_detector_mm) ** 2
    least_share = constants("notification_levels")["pka_field_known_share"].number
    if known <= 0 or known / whole < least_share:
        return None
    return FieldUsed(
        area_cm2=weighted / known,
        plane="reference" if source_to_skin_mm is None else "skin",
        known_share=known / whole,
    )


def dap_scale(field_cm2: float | None) -> float:
    """Factor on a published DAP level for a field of `field_cm2`: below 1 or exactly 1.

    Only downward: a field above the nominal one, or an unknown one, leaves the level as published.

    Examples
    --------
    >>> dap_scale(60.0), dap_scale(159.0), dap_scale(None)
    (0.6, 1.0, 1.0)
    """
    if field_cm2 is None or field_cm2 <= 0:
        return 1.0
    nominal = constants("notification_levels")["pka_nominal_field"]
    return min(1.0, field_cm2 / nominal.number)
