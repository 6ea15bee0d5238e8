"""The tables of one case: planes by source, levels reached, and where each number came from."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dashboards import view_models as vm
from dashboards.case_words import DAP, KERMA, TIME, skin_range
from dosetrack.alerts import level_groups

if TYPE_CHECKING:
    from dosetrack.radiation import Tally
    from dosetrack.records.levels import LevelReached
    from dosetrack.workflow.results import CaseView

PLANES_HEAD = ("plane", "quantity", "stated", "summed", "typed", "counts", "which counts")
GROUPS_HEAD = ("highest level", "value now", "plane", "reached at", "steps", "first step", "from", "source")
LEVELS_HEAD = ("level", "value", "plane", "from", "source")
PROVENANCE_HEAD = ("number", "value", "came from", "when, or from what")
NAMES = {KERMA: "Ka,r", DAP: "DAP", TIME: "fluoroscopy time"}
SINGLE = "one plane"
SUM_WORDS = "sum of planes; does not describe one piece of skin"


def words_of(quantity: str, value: float | None) -> str:
    """A value of `quantity` with its unit; '' where there is none."""
    if value is None:
        return ""
    if quantity == DAP:
        parts = vm.dose_area_product(value)
    elif quantity == TIME:
        parts = vm.minutes(value)
    else:
        parts = vm.kerma(value)
    return " ".join(part for part in parts if part)


def plane_rows(view: CaseView) -> list[tuple[str, ...]]:
    """One row per plane and quantity, then the sums over planes."""
    rows = []
    for plane in view.radiation.planes:
        name = vm.plane_words(plane.plane) or SINGLE
        for quantity in (KERMA, DAP, TIME):
            rows.append(_tally_row(name, quantity, getattr(plane, quantity)))
    if len(view.radiation.planes) > 1:
        rows.append(_tally_row(SUM_WORDS, KERMA, view.radiation.reference_air_kerma_sum_mgy))
        rows.append(_tally_row("all planes", DAP, view.radiation.dose_area_product_gycm2))
        rows.append(_tally_row("all planes", TIME, view.radiation.fluoroscopy_time_s))
    return rows


def _tally_row(plane: str, quantity: str, tally: Tally) -> tuple[str, ...]:
    counted = tally.higher
    return (
        plane,
        NAMES[quantity],
        words_of(quantity, tally.stated) or vm.NOT_KNOWN,
        words_of(quantity, tally.summed) or vm.NOT_KNOWN,
        words_of(quantity, tally.typed) or vm.NOT_KNOWN,
        words_of(quantity, counted.value if counted else None) or vm.NOT_KNOWN,
        counting_words(tally),
    )


def counting_words(tally: Tally) -> str:
    """Which of the sources counts, and that it is the higher."""
    if tally.higher is None:
        return "nothing sent and nothing typed"
    parts = [vm.basis_words(tally.higher.basis)]
    if tally.corrected is not None and tally.displayed is not None:
        parts.append("higher of displayed and corrected")
    elif sum(value is not None for value in (tally.stated, tally.summed, tally.typed)) > 1:
        parts.append("the highest counts")
    if not tally.higher.is_complete:
        parts.append("a part is missing: at least this")
    return ", ".join(parts)


def disagreement_words(view: CaseView) -> list[str]:
    """The finding of totals that disagree, as the sentences under the table."""
    return [f.text for f in view.findings if f.code == "totals-disagree"]


def level_rows(view: CaseView) -> list[tuple[str, ...]]:
    """Every level reached: name, the value now, plane, basis, source."""
    return [
        (
            level.name,
            level_value(level),
            vm.plane_words(level.plane),
            vm.basis_words(level.basis),
            level.source,
        )
        for level in view.levels
    ]


def level_group_rows(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    """Per quantity and plane: the highest level, when it and the first one prompted, how many steps.

    A substantial level that was passed is named with the highest.
    """
    rows: list[tuple[str, ...]] = []
    for group in level_groups(view.levels, view.prompts):
        level = group.highest
        name = level.name
        if group.substantial is not None:
            past = "" if group.substantial is level else f"; past {group.substantial.name},"
            name += f"{past or ','} substantial" if level.lane == "radiation" else ""
        rows.append(
            (
                name,
                level_value(level),
                vm.plane_words(level.plane),
                _clock(group.reached_at, zone),
                str(len(group.levels)),
                _clock(group.first_at, zone),
                vm.basis_words(level.basis),
                level.source,
            )
        )
    return rows


def _clock(moment: datetime | None, zone: ZoneInfo) -> str:
    """When a prompt told of a level; levels found only afterwards have no such time."""
    return vm.clock_time(moment, zone) if moment else "no prompt"


def level_value(level: LevelReached) -> str:
    """The value that reached a level, with its unit."""
    if level.quantity == "contrast_ml":
        return f"{vm.used_ml(level.value)} mL"
    if level.quantity == "iodine_g":
        return f"{vm.iodine_g(level.value)} g I"
    return words_of(level.quantity, level.value)


def provenance_rows(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    """Number by number: the value, how it was come by, and when or from what."""
    rows: list[tuple[str, ...]] = []
    report = _report_words(view, zone=zone)
    reading = _reading_words(view, zone=zone)
    for plane in view.radiation.planes:
        for quantity in (KERMA, DAP, TIME):
            counted = getattr(plane, quantity).higher
            if counted is not None:
                name = vm.joined(NAMES[quantity], vm.plane_words(plane.plane), by=", ")
                origin = reading if "typed" in counted.basis else report
                rows.append((name, words_of(quantity, counted.value), vm.basis_words(counted.basis), origin))
    if view.skin is not None:
        value = skin_range(view.skin, view)
        rows.append(
            ("skin dose, range", value, vm.basis_words(view.skin.basis), "; ".join(view.skin.assumed))
        )
    rows += _contrast_provenance(view, zone=zone)
    rows += _patient_provenance(view, zone=zone)
    return rows


def _report_words(view: CaseView, *, zone: ZoneInfo) -> str:
    reports = [r.file for r in view.case.reports]
    last = view.feeds.last_report_at
    when = f"last received {vm.clock_time(last, zone)}" if last else None
    return vm.joined(", ".join(reports) or "no dose report", when, by="; ")


def _reading_words(view: CaseView, *, zone: ZoneInfo) -> str:
    if not view.case.readings:
        return "no reading"
    last = view.case.readings[-1]
    return f"typed by {vm.person_name(last.by.name)}, {vm.clock_time(last.at, zone)}"


def _contrast_provenance(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    now = view.kidney.given.now
    by = ", ".join(dict.fromkeys(vm.person_name(s.by) for s in view.stairs)) or "nobody"
    from_what = f"{now.injections} injections, entered by {by}"
    rows: list[tuple[str, ...]] = [
        ("contrast given", f"{vm.used_ml(now.contrast_ml)} mL", vm.basis_words("entered"), from_what)
    ]
    if now.iodine_g is not None:
        rows.append(("iodine", f"{vm.iodine_g(now.iodine_g)} g", "from volume and concentration", from_what))
    if view.kidney.leading_row is not None:
        row = view.kidney.leading_row
        rows.append(("leading limit", f"{vm.limit_ml(row.limit_ml)} mL", row.renal_input or "", row.source))
    return rows


def _patient_provenance(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for sample in view.case.creatinines:
        value = f"{sample.value.value} {sample.value.unit.replace('umol', 'µmol')}"
        taken = f"taken {sample.value.taken_on}" if sample.value.taken_on else "date not told"
        by = f"{taken}; typed by {vm.person_name(sample.by.name)}, {vm.clock_time(sample.at, zone)}"
        rows.append(("creatinine", value, "laboratory value as typed", by))
    patient = view.case.patient
    where = "entered before the case" if view.case.opening else "from the dose report"
    for name, size, unit in (("weight", patient.weight_kg, "kg"), ("height", patient.height_cm, "cm")):
        told = vm.NOT_KNOWN if size is None else f"{size:g} {unit}"
        rows.append((name, told, "" if size is None else where, ""))
    return rows
