"""The physicist's reconstruction sheet: what the skin dose was made from, to be checked by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import fsum
from typing import TYPE_CHECKING

from dosetrack.records.report import IrradiationEvent
from dosetrack.reports import words
from dosetrack.reports.blocks import (
    Block,
    Bullets,
    Document,
    Facts,
    Grid,
    Heading,
    Picture,
    Text,
    ToFill,
)
from dosetrack.reports.case_paper import SUPPORT, CasePaper, paper
from dosetrack.reports.record_summary import physicist_words, planes_grid
from dosetrack.reports.skin_words import site_words, skin_dose_words
from dosetrack.reports.words import DAP, KERMA, NOT_KNOWN, quantity_words
from dosetrack.skin.wording import dose_words, range_words, view_words
from dosetrack.tables import citation, constants, sources

if TYPE_CHECKING:
    from dosetrack.skin.model import PlacedCase, SkinMap

CAUTIONS = (
    SUPPORT,
    "An estimate of absorbed dose, not a measurement. The range has coverage factor 2 and holds only as "
    "far as the assumptions hold.",
)
FORMULA = (
    "dose = calibration × Ka,r × (d_ref ÷ d_skin)² × T0^path × (backscatter × medium), "
    "inside the beam, on its entrance side"
)
_POINT_SOURCE = "point source; common practice, no source"
_VIEW_DEG = 10.0
_MOST_EVENTS = 25
_MOST_INFLUENCES = 10
_PICTURE_DPI = 110


def physicist_sheet(facts: CasePaper) -> Document:
    """Result, picture, inputs by group, geometry, factors, range, contributions, what is not mapped."""
    found = facts.skin.map
    blocks: list[Block] = [
        Heading("Result"),
        Facts(
            (
                ("Peak skin dose", skin_dose_words(facts)),
                ("Where", site_words(facts)),
                ("Physicist's estimate", physicist_words(facts)),
            )
        ),
    ]
    if found is None:
        blocks.append(Text(f"No map: {facts.skin.reason or 'the reason is not known'}", is_strong=True))
        if facts.skin.screening is not None:
            blocks.append(Bullets(facts.skin.screening.assumed))
    else:
        blocks += _map_blocks(found)
    blocks += [
        Heading("Totals"),
        planes_grid(facts),
        Heading("Events by plane, kind and view"),
        _groups(facts),
    ]
    blocks += [Heading("Geometry and patient"), Facts(_geometry(facts))]
    if found is not None:
        blocks += [Heading("Factors"), Text(FORMULA), _factors(facts, found), *_worked(found)]
        blocks += _range(found)
        blocks += [Heading("Assumed"), Bullets(_assumed(found))]
        blocks += _events(found)
        blocks += _not_mapped(found)
    blocks += [
        Heading("To fill in"),
        ToFill("What differs from the assumptions", 2),
        ToFill("Own estimate and range; decision (call, no call); name, date", 2),
    ]
    return paper(facts, "Skin dose reconstruction", blocks=blocks, cautions=CAUTIONS)


def _map_blocks(found: SkinMap) -> list[Block]:
    from dosetrack.reports.skin_picture import skin_picture

    share = NOT_KNOWN if found.mapped_fraction is None else f"{int(found.mapped_fraction * 100)} %"
    rows = [("Air kerma on the map", share), ("Surface", f"{found.surface.kind}, dose to {found.medium}")]
    if found.bound_mgy is not None:
        rows.append(("Peak if all the rest met it", dose_words(found.bound_mgy)))
    if found.fluoroscopy_share is not None:
        rows.append(("From fluoroscopy", f"{found.fluoroscopy_share * 100:.0f} % of the peak"))
    bands = [b for b in found.bands if b.from_mgy > 0 and b.area_cm2 > 0]
    if bands:
        areas = ", ".join(f"{b.area_cm2:.0f} cm² from {dose_words(b.from_mgy)}" for b in bands)
        rows.append(("Area by dose band", areas))
    picture = skin_picture(found, title="Skin dose map, estimate", dpi=_PICTURE_DPI)
    return [
        Facts(tuple(rows)),
        Picture(picture, alt=f"Flat skin dose map; peak {found.peak_site or NOT_KNOWN}", widest_mm=155.0),
    ]


# inputs ------------------------------------------------------------------------------------------


def _groups(facts: CasePaper) -> Grid:
    """Events of one plane, kind and view together, the most air kerma first."""
    groups: dict[tuple[str, str, str], list[IrradiationEvent]] = {}
    for timed in facts.case.events:
        event = timed.counted.event
        groups.setdefault((event.plane or "single", event.type or "kind not told", _view(event)), []).append(
            event
        )
    ordered = sorted(groups.items(), key=lambda item: -(_total(item[1], KERMA) or 0.0))
    rows = tuple(
        (
            words.joined(words.plane_words(plane), kind, view),
            str(len(events)),
            quantity_words(KERMA, _total(events, KERMA)).removesuffix(" mGy"),
            quantity_words(DAP, _total(events, DAP)).removesuffix(" Gy·cm²"),
            _span(events, lambda e: e.kvp),
            _copper(events),
            _field(events),
            _span(events, lambda e: e.source_to_detector_mm),
            _span(events, lambda e: e.table_height_mm),
        )
        for (plane, kind, view), events in ordered
    )
    head = ("group", "n", "Ka,r mGy", "DAP Gy·cm²", "kV", "Cu mm", "field cm", "SID mm", "table height mm")
    none = (("no event is held", *[""] * 8),)
    return Grid(head, rows or none, (2.2, 0.45, 1.0, 1.15, 0.8, 0.8, 1.0, 0.95, 0.95), frozenset({1, 2, 3}))


def _view(event: IrradiationEvent) -> str:
    if event.primary_angle_deg is None or event.secondary_angle_deg is None:
        return "view not told"
    start = (_rounded(event.primary_angle_deg), _rounded(event.secondary_angle_deg))
    if (
        event.primary_end_angle_deg is not None
        and abs(event.primary_end_angle_deg - event.primary_angle_deg) > _VIEW_DEG
    ):
        return view_words(start, (_rounded(event.primary_end_angle_deg), None))
    return f"about {view_words(start)}"


def _rounded(angle_deg: float) -> float:
    return _VIEW_DEG * round(angle_deg / _VIEW_DEG)


def _total(events: Iterable[IrradiationEvent], quantity: str) -> float | None:
    known = [value for event in events if (value := getattr(event, quantity)) is not None]
    return fsum(known) if known else None


def _span(events: Sequence[IrradiationEvent], of: Callable[[IrradiationEvent], float | None]) -> str:
    known = [value for event in events if (value := of(event)) is not None]
    if not known:
        return NOT_KNOWN
    low, high = f"{min(known):.0f}", f"{max(known):.0f}"
    told = low if low == high else f"{low} to {high}"
    return told if len(known) == len(events) else f"{told} ({len(events) - len(known)} not told)"


def _copper(events: Sequence[IrradiationEvent]) -> str:
    told = [f for event in events for f in event.filters if (f.material or "").lower().startswith("cop")]
    known = [f.min_mm for f in told if f.min_mm is not None]
    if not any(event.filters for event in events):
        return NOT_KNOWN
    if not known:
        return "none told"
    low, high = f"{min(known):g}", f"{max(known):g}"
    return low if low == high else f"{low} to {high}"


def _field(events: Sequence[IrradiationEvent]) -> str:
    sides = [side for e in events for side in (e.field_width_mm, e.field_height_mm) if side is not None]
    if sides:
        low, high = f"{min(sides) / 10:.0f}", f"{max(sides) / 10:.0f}"
        return low if low == high else f"{low} to {high}"
    areas = [e.field_area_cm2 for e in events if e.field_area_cm2 is not None]
    return f"{min(areas):.0f} to {max(areas):.0f} cm²" if areas else NOT_KNOWN


def _geometry(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    setup, system = facts.skin.setup, facts.skin.system
    axes = system.table_axes
    verified = "verified on this system" if axes.is_verified else "not verified on this system"
    region: str = setup.region or "not told: chest assumed"
    if setup.region and setup.is_region_from_name:
        region += ", from the procedure's name"
    measured = (
        "measured" if system.isocentre_height_mm is not None else "not measured: depth of the patient assumed"
    )
    shift = " / ".join(f"{mm:g}" for mm in setup.shift_mm)
    return (
        (
            "Patient",
            f"height {_with_unit(setup.height_cm, 'cm')}, weight {_with_unit(setup.weight_kg, 'kg')}, "
            f"sex {setup.sex or NOT_KNOWN}",
        ),
        ("Lay", f"{setup.position or 'as the events tell, else head first and supine'}; arms {setup.arms}"),
        ("At the isocentre at first", region),
        ("Moved by hand, left / back / head", f"{shift} mm"),
        (
            "Table axes",
            f"longitudinal {axes.longitudinal}, lateral {axes.lateral}, height {axes.height}; {verified}",
        ),
        ("Angles", f"frame of the {system.angle_frame}"),
        ("Pad at the isocentre", measured),
    )


def _with_unit(value: float | None, unit: str) -> str:
    return NOT_KNOWN if value is None else f"{value:g} {unit}"


# factors and range -------------------------------------------------------------------------------


def _factors(facts: CasePaper, found: SkinMap) -> Grid:
    """Each factor: what it is, its formula, its value here, its source."""
    return Grid(
        ("factor", "formula", "here", "source"), tuple(_factor_rows(facts, found)), (1.2, 2.2, 1.8, 2.4)
    )


def _factor_rows(facts: CasePaper, found: SkinMap) -> list[tuple[str, ...]]:
    factors = {b.plane: b.beam.calibration_factor for case in found.cases for b in case.beams}
    known = dict(facts.skin.system.calibration_factor)
    meter = "; ".join(
        f"{words.plane_words(plane)} {factor:g}"
        + ("" if plane in known or "single" in known else ", not calibrated")
        for plane, factor in sorted(factors.items())
    )
    transmission = "; ".join(dict.fromkeys(_table(case) for case in found.cases))
    computed = sources()["skin-computation-2026"]
    measured = facts.skin.system.is_transmission_measured
    table_source = "measured on this system" if measured else _usual_table()
    return [
        ("calibration", "true ÷ displayed air kerma", meter or NOT_KNOWN, "setting of the site; 1: none"),
        ("inverse square", "(d_ref ÷ d_skin)²; straight line to the patch", "per ray", _POINT_SOURCE),
        ("table and pad", "T0^path, path 1 ÷ cos of the slant", transmission, table_source),
        (
            "backscatter × medium",
            "table by kV, Al, Cu and side of the square field 2ab ÷ (a + b); linear in ln of the side",
            f"dose to {found.medium}",
            f"own computation {computed.year}: {computed.title}",
        ),
    ]  # fmt: skip


def _usual_table() -> str:
    constant = constants("skin_screening")["table_transmission"]
    return f"own choice: {constant.locator}" if constant.checked == "own" else citation(constant)


def _table(case: PlacedCase) -> str:
    return "no table known" if case.table is None else f"T0 {case.table.transmission:g}"


def _worked(found: SkinMap) -> list[Block]:
    from dosetrack.reports.worked_factors import worked_factors

    worked = worked_factors(found)
    if worked is None:
        return []
    beam = worked.placed.beam
    table = "beside the table: 1"
    if worked.transmission is not None and worked.table_path > 0:
        table = f"{worked.transmission:g}^{worked.table_path:.2f} = {worked.table_factor:.3f}"
    shown, factor = f"{beam.reference_air_kerma_mgy:.1f}", f"{beam.calibration_factor:g}"
    distances = f"({worked.source_to_reference_mm:.0f} ÷ {worked.source_to_skin_mm:.0f})²"
    at_field = f"at a field of {worked.side_cm:.1f} cm"
    return [
        Text("The still event that gave most to the peak, factor by factor:", is_strong=True),
        Facts(
            (
                ("Event", _event_name(worked.placed.uid, worked.placed.started_at)),
                ("View", view_words((beam.primary_angle_deg, beam.secondary_angle_deg))),
                ("Calibrated Ka,r", f"{shown} mGy × {factor} = {worked.calibrated_mgy:.1f} mGy"),
                ("Inverse square", f"{distances} = {worked.inverse_square:.3f}"),
                ("Table and pad", table),
                ("Backscatter × medium", f"{worked.backscatter_medium:.3f} {at_field}"),
                ("Product", f"{worked.product_mgy:.1f} mGy; on the map {worked.map_mgy:.1f} mGy"),
            )
        ),
    ]


def _range(found: SkinMap) -> list[Block]:
    blocks: list[Block] = [Heading("Range and what it is made of (k = 1)")]
    rows = tuple((doubt.text, f"{doubt.percent:.0f} %") for doubt in found.doubts)
    if rows:
        blocks.append(Grid(("doubt", "of the peak"), rows, (6, 1), frozenset({1})))
    else:
        blocks.append(Text("No doubts were worked out: there is no peak."))
    moved = tuple(
        (one.text, range_words(*sorted((one.low_mgy, one.high_mgy))))
        for one in found.influences[:_MOST_INFLUENCES]
    )
    if moved:
        blocks += [
            Heading("How far the peak moves with each input"),
            Grid(("input", "peak"), moved, (5, 1.5), frozenset({1})),
        ]
    return blocks


def _assumed(found: SkinMap) -> tuple[str, ...]:
    told = dict.fromkeys(one.text.rstrip(".") for one in found.assumed)
    return (*told, *dict.fromkeys(f"{f.severity}: {f.text}" for f in found.findings)) or ("nothing",)


# events --------------------------------------------------------------------------------------------


def _events(found: SkinMap) -> list[Block]:
    from dosetrack.skin.contributions import largest_events

    largest, others = largest_events(found, _MOST_EVENTS)
    rows = [
        (
            words.sent_moment(one.placed.started_at)[11:] or NOT_KNOWN,
            words.plane_words(one.placed.plane),
            {True: "fluoroscopy", False: "acquisition", None: "kind not told"}[one.placed.is_fluoroscopy],
            view_words((one.placed.beam.primary_angle_deg, one.placed.beam.secondary_angle_deg)),
            f"{one.placed.beam.reference_air_kerma_mgy:.1f} mGy",
            f"{one.dose_mgy:.1f} mGy",
            (one.placed.uid or NOT_KNOWN)[-12:],
        )
        for one in largest
    ]
    if others.count:
        rows.append(("", "", f"{others.count} others", "", "", f"{others.dose_mgy:.1f} mGy", ""))
    if not rows:
        return []
    head = ("start", "plane", "kind", "view", "Ka,r", "at the peak", "UID ends")
    return [
        Heading("Events that made the peak, the largest first"),
        Grid(head, tuple(rows), (0.7, 0.9, 1.2, 1.4, 1.1, 1.1, 1.3), frozenset({4, 5})),
    ]


def _not_mapped(found: SkinMap) -> list[Block]:
    reasons: dict[str, list[float | None]] = {}
    for case in found.cases:
        for one in case.not_mapped:
            reasons.setdefault(one.reason, []).append(one.reference_air_kerma_mgy)
    blocks: list[Block] = [Heading("Not on the map")]
    if not reasons:
        return [*blocks, Text("Every event with air kerma was placed.")]
    rows = tuple(
        (
            reason,
            str(len(kermas)),
            quantity_words(KERMA, fsum(k for k in kermas if k is not None))
            if any(k is not None for k in kermas)
            else NOT_KNOWN,
        )
        for reason, kermas in reasons.items()
    )
    return [*blocks, Grid(("reason", "events", "Ka,r"), rows, (5, 0.8, 1.2), frozenset({1, 2}))]


def _event_name(uid: str | None, started_at: str | None) -> str:
    return words.joined(words.sent_moment(started_at), f"UID {uid}" if uid else None)
