"""What raised the dose of a case: plain statements against reference conditions, without blame.

Each statement names a part of the dose and a factor: how much more was given than under the
reference condition (`drivers.csv`), as far as the report tells. The factors do not multiply to the
dose of the case: they overlap, and the patient's build is none of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import acos, cos, degrees, radians, sin

from dosetrack.findings import figures
from dosetrack.radiation.account import plane_of
from dosetrack.radiation.curve import exposure_kind
from dosetrack.radiation.field import field_at_detector_cm2, field_used, reference_distance_mm
from dosetrack.records.report import IrradiationEvent
from dosetrack.tables import constants

_MM2_PER_CM2 = 100.0
_Number = Callable[[IrradiationEvent], float | None]


@dataclass(frozen=True, slots=True)
class Driver:
    """One thing that raised the dose.

    kind : 'acquisitions', 'pulse-rate', 'frame-rate', 'receptor-distance', 'source-distance',
        'steep-views', 'field', 'narrow-fields'
    plane : of the beams it speaks of
    share : part of the reference air kerma of the plane given so (of the DAP for 'field'), 0 to 1
    factor : against the reference condition; None where only the share is told
    text, short : the statement, and two or three words for a crowded screen
    source : where the reference condition comes from
    """

    kind: str
    plane: str
    share: float
    factor: float | None
    text: str
    short: str
    source: str

    @property
    def weight(self) -> float:
        """Part of the dose that lies above the reference condition, 0 to 1; 0 where no factor is told."""
        return 0.0 if self.factor is None else self.share * (1.0 - 1.0 / self.factor)


def drivers(events: Sequence[IrradiationEvent]) -> tuple[Driver, ...]:
    """What raised the dose of `events`, the weightiest first; empty where nothing did or is known.

    A plane with little of the air kerma is left out, as is a statement on little of its dose.
    """
    whole = sum(e.reference_air_kerma_mgy or 0.0 for e in events)
    if whole <= 0:
        return ()
    found: list[Driver] = []
    for plane in dict.fromkeys(plane_of(e) for e in events):
        mine = [e for e in events if plane_of(e) == plane]
        if _kerma(mine) / whole >= _number("least_share"):
            found += _of_plane(mine, plane)
    return tuple(sorted(found, key=lambda d: -d.weight))


def distance_factor(distance_mm: float, reference_mm: float) -> float:
    """How much more an equally exposed receptor at `distance_mm` needs than at `reference_mm`.

    Notes
    -----
    Inverse square law of a point source.

    Examples
    --------
    >>> distance_factor(1200.0, 1000.0)
    1.44
    """
    return (distance_mm / reference_mm) ** 2


def slab_factor(angle_deg: float) -> float:
    """Path through a slab at `angle_deg` from its normal, over its thickness: the secant.

    Examples
    --------
    >>> round(slab_factor(60.0), 6)
    2.0
    """
    return 1.0 / cos(radians(angle_deg))


def steepness_deg(event: IrradiationEvent) -> float | None:
    """Angle between the beam and the straight view of its plane [deg]; None where no angle is told.

    The straight view of plane B of a biplane system is from the side, of any other from below.
    """
    if event.primary_angle_deg is None:
        return None
    primary, secondary = radians(event.primary_angle_deg), radians(event.secondary_angle_deg or 0.0)
    along = sin(primary) if event.plane == "b" else cos(primary)
    return degrees(acos(min(1.0, abs(along) * abs(cos(secondary)))))


def _of_plane(events: Sequence[IrradiationEvent], plane: str) -> list[Driver]:
    found = [
        *_acquisitions(events, plane),
        *_rate(events, plane, "fluoroscopy"),
        *_rate(events, plane, "acquisition"),
        *_receptor(events, plane),
        *_source(events, plane),
        *_steep(events, plane),
        *_field(events, plane),
        *_narrow(events, plane),
    ]
    least_share, least_factor = _number("least_share"), _number("least_factor")
    return [d for d in found if d.share >= least_share and (d.factor is None or d.factor >= least_factor)]


def _acquisitions(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    runs = [e for e in events if exposure_kind(e) == "acquisition"]
    share, usual = _kerma(runs) / _kerma(events), _number("acquisition_share")
    if share > usual:
        frames = sum(e.frames or 0.0 for e in runs)
        told = f", {frames:.0f} images" if frames else ""
        yield _driver(
            "acquisitions",
            plane,
            share,
            share / usual,
            f"{share:.0%} of Ka,r came from {len(runs)} acquisitions{told}; fluoroscopy gave the rest.",
            f"acquisitions {share:.0%} of Ka,r",
            "acquisition_share",
        )


def _rate(events: Sequence[IrradiationEvent], plane: str, kind: str) -> Iterator[Driver]:
    """Pulses or images a second against the reference: at the same dose for each, dose goes with them."""
    is_run = kind == "acquisition"
    key = "frame_rate" if is_run else "pulse_rate"
    mine = [e for e in events if exposure_kind(e) == kind]
    rate, known = _weighted(mine, frame_rate_hz if is_run else lambda e: e.pulse_rate_hz)
    if rate is None or known <= 0:
        return
    factor = rate / _number(key)
    noun = "images" if is_run else "pulses"
    yield _driver(
        "frame-rate" if is_run else "pulse-rate",
        plane,
        known / _kerma(events),
        factor,
        f"{'Acquisitions' if is_run else 'Fluoroscopy'} ran at {figures(rate)} {noun} a second on average, "
        f"{factor:.1f} times the {_number(key):g} taken as reference.",
        f"{figures(rate)} {noun}/s",
        key,
    )


def frame_rate_hz(event: IrradiationEvent) -> float | None:
    """Images a second of an acquisition [Hz]; from its frames where no rate was sent."""
    if event.pulse_rate_hz:
        return event.pulse_rate_hz
    return event.frames / event.duration_s if event.frames and event.duration_s else None


def _receptor(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    def excess(event: IrradiationEvent) -> float | None:
        if event.source_to_detector_mm is None or event.source_to_isocenter_mm is None:
            return None
        near = event.source_to_isocenter_mm + _number("receptor_beyond_isocentre")
        return distance_factor(event.source_to_detector_mm, near)

    far = [e for e in events if (excess(e) or 0.0) > 1.0]
    factor, known = _weighted(far, excess)
    if factor is None:
        return
    beyond, _ = _weighted(far, lambda e: (e.source_to_detector_mm or 0.0) - (e.source_to_isocenter_mm or 0.0))
    yield _driver(
        "receptor-distance",
        plane,
        known / _kerma(events),
        factor,
        f"{known / _kerma(events):.0%} of Ka,r was given with the receptor {(beyond or 0) / 10:.0f} cm "
        f"beyond the isocentre on average; at {_number('receptor_beyond_isocentre') / 10:g} cm the same "
        f"image takes {1 - 1 / factor:.0%} less (inverse square).",
        "receptor far",
        "receptor_beyond_isocentre",
    )


def _source(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    """Table nearer to the tube than the reference point: the skin takes more than Ka,r tells."""

    def excess(event: IrradiationEvent) -> float | None:
        reference = reference_distance_mm(event)
        if event.source_to_table_mm is None or reference is None or event.source_to_table_mm <= 0:
            return None
        return distance_factor(reference, event.source_to_table_mm)

    near = [e for e in events if (excess(e) or 0.0) > 1.0]
    factor, known = _weighted(near, excess)
    if factor is not None:
        yield _driver(
            "source-distance",
            plane,
            known / _kerma(events),
            factor,
            f"{known / _kerma(events):.0%} of Ka,r was given with the table nearer to the tube than the "
            f"reference point: the kerma at the table is {factor:.1f} times Ka,r (inverse square).",
            "table near the tube",
            "least_factor",
        )


def _steep(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    limit, most = _number("steep_from"), _number("angle_most")
    steep = [e for e in events if (steepness_deg(e) or 0.0) > limit]
    angle, known = _weighted(steep, steepness_deg)
    factor, _ = _weighted(steep, lambda e: slab_factor(min(most, steepness_deg(e) or 0.0)))
    if angle is None or factor is None:
        return
    at_least = "at least " if any((steepness_deg(e) or 0.0) > most for e in steep) else ""
    yield _driver(
        "steep-views",
        plane,
        known / _kerma(events),
        factor,
        f"{known / _kerma(events):.0%} of Ka,r came through views more than {limit:g}° from straight, "
        f"{angle:.0f}° on average: a slab is {at_least}{factor:.1f} times as thick along such a beam.",
        "steep views",
        "steep_from",
    )


def _field(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    used, nominal = field_used(events), constants("notification_levels")["pka_nominal_field"]
    if used is not None and used.area_cm2 > nominal.number:
        factor = used.area_cm2 / nominal.number
        yield Driver(
            kind="field",
            plane=plane,
            share=used.known_share,
            factor=factor,
            text=(
                f"The field was {used.area_cm2:.0f} cm² at the {used.plane} plane on average, "
                f"{factor:.1f} times {nominal.number:g} cm²; DAP grows with it, Ka,r does not."
            ),
            short=f"field {used.area_cm2:.0f} cm²",
            source=nominal.source,
        )


def _narrow(events: Sequence[IrradiationEvent], plane: str) -> Iterator[Driver]:
    most = _number("narrow_field")
    narrow = [e for e in events if (area := field_at_detector_cm2(e)) and area * _MM2_PER_CM2 <= most**2]
    share = _kerma(narrow) / _kerma(events)
    if share > 0:
        yield _driver(
            "narrow-fields",
            plane,
            share,
            None,
            f"{share:.0%} of Ka,r was given with a field of {most / 10:g} cm side or less at the receptor: "
            "magnified or tightly collimated, the report does not tell which. Magnification raises Ka,r on "
            "most systems.",
            "narrow fields",
            "narrow_field",
        )


def _driver(
    kind: str, plane: str, share: float, factor: float | None, text: str, short: str, key: str
) -> Driver:
    return Driver(kind, plane, share, factor, text, short, constants("drivers")[key].source)


def _kerma(events: Sequence[IrradiationEvent]) -> float:
    return sum(e.reference_air_kerma_mgy or 0.0 for e in events)


def _weighted(events: Sequence[IrradiationEvent], number: _Number) -> tuple[float | None, float]:
    """Mean of `number` weighted by air kerma, and the air kerma of the events that tell it [mGy]."""
    told = [(e.reference_air_kerma_mgy or 0.0, n) for e in events if (n := number(e)) is not None]
    known = sum(weight for weight, _ in told)
    return (sum(w * n for w, n in told) / known if known > 0 else None), known


def _number(key: str) -> float:
    return constants("drivers")[key].number
