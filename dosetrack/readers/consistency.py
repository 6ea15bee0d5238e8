"""Whether what one report says fits together: planes, zeros, filters; dose and times in their own modules.

Works on records, so that every source is judged alike. Each kind of oddity is one finding, however
many events show it: it tells how many, and names the event that shows it most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from dosetrack.findings import Finding, FindingCode, FindingKind, figures, finding
from dosetrack.readers.consistency_dose import dose_findings
from dosetrack.readers.consistency_times import time_findings
from dosetrack.records.report import DoseTotal, IrradiationEvent
from dosetrack.tables import constants

_COMPARED = {
    "dose_area_product_gycm2": "DAP",
    "reference_air_kerma_mgy": "Ka,r",
    "fluoroscopy_time_s": "fluoroscopy time",
    "acquisition_time_s": "acquisition time",
}


def inconsistencies(
    *, events: Sequence[IrradiationEvent], totals: Iterable[DoseTotal], reported_at: str | None
) -> tuple[Finding, ...]:
    """What in one report does not fit together.

    Parameters
    ----------
    events : those that count, in the report's order
    totals : stated and summed
    reported_at : when the report was made, ISO 8601 as sent
    """
    stated = [total for total in totals if total.basis == "stated"]
    summed = [total for total in totals if total.basis == "summed"]
    return (
        *_plane_findings(events, stated),
        *_left_out(stated, summed),
        *_zero_findings(events, stated),
        *_filter_findings(events),
        *dose_findings(events, summed or stated),
        *time_findings(events, reported_at=reported_at),
    )


def _plane_findings(events: Sequence[IrradiationEvent], stated: Sequence[DoseTotal]) -> list[Finding]:
    found = []
    of_events = dict.fromkeys(event.plane for event in events)
    of_totals = {total.plane for total in stated}
    for plane in of_events:
        if plane is None or plane == "all" or not of_totals or of_totals & {plane, "all"}:
            continue
        count = sum(event.plane == plane for event in events)
        found.append(finding(FindingCode.PLANE_WITHOUT_TOTALS, plane=plane, count=count))
    if of_events and None not in of_events and "all" not in of_events:
        found += [
            finding(FindingCode.TOTALS_WITHOUT_EVENTS, plane=total.plane)
            for total in stated
            if total.plane not in of_events and total.plane != "all" and _has_dose(total)
        ]
    planes = of_totals.union(plane for plane in of_events if plane is not None)
    if "single" in planes and planes & {"a", "b"}:
        found.append(finding(FindingCode.PLANES_MIXED))
    if "all" in planes:
        found.append(finding(FindingCode.ALL_PLANES_TOGETHER))
    return found


def _has_dose(total: DoseTotal) -> bool:
    return bool(total.dose_area_product_gycm2 or total.reference_air_kerma_mgy)


def _left_out(stated: Sequence[DoseTotal], summed: Sequence[DoseTotal]) -> list[Finding]:
    """Stated totals a little above the events in every quantity that can be compared, two at least."""
    table = constants("consistency")
    least, most = table["left_out_least"].number, table["left_out_most"].number
    by_plane = {total.plane: total for total in summed}
    found = []
    for total in stated:
        sums = by_plane.get(total.plane)
        above: dict[str, float] = {}
        for name, what in _COMPARED.items():
            told, added = getattr(total, name), getattr(sums, name, None)
            if told and added:
                above[what] = (told - added) / told
        shares = above.values()
        if sum(share > least for share in shares) > 1 and min(shares) >= -least and max(shares) <= most:
            told = ", ".join(f"{what} {figures(100.0 * share, 2)} %" for what, share in above.items())
            found.append(finding(FindingCode.EVENTS_LEFT_OUT, plane=total.plane, excess=told))
    return found


def _zero_findings(events: Sequence[IrradiationEvent], stated: Sequence[DoseTotal]) -> list[Finding]:
    table = constants("consistency")
    least_dap, least_kerma = table["zero_kerma_from_dap"].number, table["zero_dap_from_kerma"].number
    found = []
    for name, doses in (("events", events), ("stated totals", stated)):
        without_kerma, without_dap = [], []
        for one in doses:
            dap, kerma = one.dose_area_product_gycm2, one.reference_air_kerma_mgy
            if dap is None or kerma is None:
                continue
            if kerma == 0.0 and dap >= least_dap:
                without_kerma.append(one)
            elif dap == 0.0 and kerma >= least_kerma:
                without_dap.append(one)
        found += _most(
            FindingCode.KERMA_ZERO_WITH_DAP, without_kerma, _dap, name=name, of=len(doses), unit="Gy·cm²"
        )
        found += _most(
            FindingCode.DAP_ZERO_WITH_KERMA, without_dap, _kerma, name=name, of=len(doses), unit="mGy"
        )
    zero = [
        e for e in events if e.field_area_cm2 == 0.0 or e.field_height_mm == 0.0 or e.field_width_mm == 0.0
    ]
    found += _most(FindingCode.FIELD_ZERO, zero, _dap, of=len(events))
    if _is_table_dead(events):
        found.append(finding(FindingCode.TABLE_AT_ZERO, count=len(events)))
    return found


def _is_table_dead(events: Sequence[IrradiationEvent]) -> bool:
    """Whether every table position of every event is exactly 0."""
    if len(events) < constants("consistency")["table_zero_from_events"].number:
        return False
    is_told = False
    for event in events:
        for position in (event.table_longitudinal_mm, event.table_lateral_mm, event.table_height_mm):
            if position is not None:
                if position != 0.0:
                    return False
                is_told = True
    return is_told


def _filter_findings(events: Sequence[IrradiationEvent]) -> list[Finding]:
    thickest = constants("consistency")["copper_thickest"].number
    reversed_ones: dict[int, tuple[float, float]] = {}
    thick: dict[int, float] = {}
    for index, event in enumerate(events):
        for one in event.filters:
            least, greatest = one.min_mm, one.max_mm
            if least is not None and greatest is not None and least > greatest:
                reversed_ones.setdefault(index, (least, greatest))
            if one.material == "copper":
                thickness = greatest if least is None else least if greatest is None else max(least, greatest)
                if thickness is not None and thickness > thickest:
                    thick[index] = max(thickness, thick.get(index, 0.0))
    found = []
    if reversed_ones:
        index = max(reversed_ones, key=lambda each: reversed_ones[each][0] - reversed_ones[each][1])
        least, greatest = reversed_ones[index]
        facts = {"count": str(len(reversed_ones)), "of": str(len(events))}
        found.append(
            finding(
                FindingCode.FILTER_THICKNESS_REVERSED,
                event_uid=events[index].uid,
                **facts,
                least=f"{least:g}",
                greatest=f"{greatest:g}",
            )
        )
    if thick:
        index = max(thick, key=lambda each: thick[each])
        facts = {"count": str(len(thick)), "of": str(len(events)), "thickness": f"{thick[index]:g}"}
        found.append(finding(FindingCode.COPPER_TOO_THICK, event_uid=events[index].uid, **facts))
    return found


def _most(
    kind: FindingKind,
    odd: Sequence[IrradiationEvent | DoseTotal],
    size: Callable[[IrradiationEvent | DoseTotal], float],
    **facts: object,
) -> list[Finding]:
    """One finding about all of `odd`, naming the one of greatest `size`; none where there is none."""
    if not odd:
        return []
    most = max(odd, key=size)
    uid = most.uid if isinstance(most, IrradiationEvent) else None
    return [finding(kind, event_uid=uid, count=len(odd), most=figures(size(most)), **facts)]


def _dap(one: IrradiationEvent | DoseTotal) -> float:
    return one.dose_area_product_gycm2 or 0.0


def _kerma(one: IrradiationEvent | DoseTotal) -> float:
    return one.reference_air_kerma_mgy or 0.0
