"""`dosetrack audit`: typical values, levels passed and gaps of a period, by procedure and operator."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any

import typer

from dosetrack.audit import AuditResult, OperatorRow, OverLevel, ProcedureRow, Statistics
from dosetrack.audit.attention import Attention, what_to_look_at
from dosetrack.audit.intervals import share_interval
from dosetrack.audit.measures import Measures
from dosetrack.audit.months import rolling_start
from dosetrack.cli._ledger_options import JsonOption, LedgerOption, fail, opened_to_read
from dosetrack.cli.cases import WRONG_USAGE, day_option
from dosetrack.cli.json_out import plain, write_json
from dosetrack.followup.measures import FollowUpMeasures
from dosetrack.workflow import Workflow

PERCENTILES = "linear interpolation, Hyndman-Fan type 7; missing values left out and counted"
COLUMNS = (
    ("dose_area_product_gycm2", "DAP Gy·cm²", 1, 1),
    ("reference_air_kerma_mgy", "Ka,r mGy", 1, 0),
    ("fluoroscopy_time_s", "time min", 60, 1),
    ("contrast_ml", "contrast mL", 1, 0),
    ("iodine_g", "iodine g", 1, 1),
)
"""Quantity, head, divisor from the key's unit to the shown one, decimals."""

WORDS = {
    "dose_area_product_gycm2": "DAP",
    "reference_air_kerma_mgy": "Ka,r",
    "fluoroscopy_time_s": "fluoroscopy time",
    "peak_skin_dose_mgy": "skin dose",
    "contrast_ml": "contrast",
    "iodine_g": "iodine",
}
NOT_TOLD = "not told"

FirstDay = Annotated[
    str, typer.Option("--from", callback=day_option, metavar="DATE", help="First day, included.")
]
LastDay = Annotated[
    str, typer.Option("--to", callback=day_option, metavar="DATE", help="Last day, included.")
]


def audit(
    first: FirstDay,
    last: LastDay,
    as_json: JsonOption = False,
    compare: Annotated[
        bool, typer.Option("--compare", help="With --json: compare operators, adjusted for case mix.")
    ] = False,
    ledger: LedgerOption = None,
) -> None:
    """Audit the ended cases of a period: medians, quartiles, levels reached, completeness."""
    if first > last:
        fail(f"--from {first} is after --to {last}", WRONG_USAGE)
    workflow = opened_to_read(ledger)
    result = workflow.audit(first_day=first, last_day=last)
    attention = _attention(workflow, result)
    follow_up = workflow.follow_up_measures(first_day=first, last_day=last)
    if as_json:
        states = workflow.follow_up_states(list(dict.fromkeys(o.case.id for o in result.over_levels)))
        found = workflow.audit_measures(first_day=first, last_day=last, with_comparisons=compare)
        document = audit_document(result, attention, follow_up=follow_up, states=states)
        write_json(document | measures_document(result, found))
        return
    _print_audit(result, attention)
    for line in _follow_up_lines(follow_up):
        print(line)


def audit_document(
    result: AuditResult,
    attention: tuple[Attention, ...] = (),
    *,
    follow_up: FollowUpMeasures | None = None,
    states: Mapping[str, Mapping[str, str]] | None = None,
) -> dict[str, Any]:
    """The document of `dosetrack audit --json`.

    Parameters
    ----------
    states : case id -> kind of follow-up -> where it stands
    """
    return {
        "first_day": plain(result.first_day),
        "last_day": plain(result.last_day),
        "n": result.n,
        "percentiles": PERCENTILES,
        "procedures": [plain(row) | {"reference": plain(row.reference)} for row in result.procedures],
        "operators": plain(result.operators),
        "rooms": plain(result.rooms),
        "trend": plain(result.trend),
        "over_levels": [
            _over_document(over) | {"follow_up": dict((states or {}).get(over.case.id, {}))}
            for over in result.over_levels
        ],
        "level_counts": plain(result.level_counts),
        "completeness": plain(result.completeness),
        "attention": [{"rule": a.rule.looks_at, "text": a.text, "test": a.test} for a in attention],
        "follow_up": plain(follow_up),
        "findings": plain(result.findings),
    }


def _follow_up_lines(found: FollowUpMeasures) -> list[str]:
    lines = [
        f"Follow-up of the {one.kind}: {one.asked} asked for, {one.done_in_time} done in time, "
        f"{one.done_late} late, {one.not_done} not done, {one.not_reached} not reached, {one.set_apart} set "
        f"apart, {one.settled_without} settled without, {one.not_yet_due} not yet due"
        + (f"; {one.not_assessed} not assessed" if one.kind == "kidney" else "")
        for one in found.completeness
    ]
    table = found.trigger
    if table is not None and table.sensitivity.value is not None:
        found_by, peak = table.sensitivity, f"{table.peak_level_mgy:g} mGy"
        lines.append(
            f"Ka,r at or above {table.kerma_level_mgy:g} mGy found {found_by.n} of {found_by.of} cases whose "
            f"computed skin dose reached {peak} (95 % interval {found_by.low:.0%} to {found_by.high:.0%}); "
            f"{table.not_mapped} cases have no map"
        )
    return lines


def measures_document(result: AuditResult, found: Measures) -> dict[str, Any]:
    """The keys of `dosetrack audit --json` that hold the statistics."""
    return {
        "percentile_intervals": plain(found.percentiles),
        "typical": plain(found.typical),
        "level_shares": [
            {"quantity": c.quantity, "level": c.level, "tier": c.tier, **plain(share_interval(c.n, of=c.of))}
            for c in result.level_counts
        ],
        "control_charts": plain(found.charts),
        "comparisons": plain(found.comparisons),
        "suspects": plain(found.suspects),
    }


def _over_document(over: OverLevel) -> dict[str, Any]:
    case = over.case
    return {
        "case_id": case.id,
        "day": plain(case.day),
        "procedure": case.procedure,
        "room": case.room,
        "operator": case.operator,
        **plain(over.level),
    }


def _attention(workflow: Workflow, result: AuditResult) -> tuple[Attention, ...]:
    """What to look at, beside the rolling window that ends with the period."""
    settings = workflow.settings()
    start = rolling_start(result.last_day, int(settings.number("audit.rolling_months")))
    first = min(start, result.first_day)
    window = workflow.audit(first_day=_text(first), last_day=_text(result.last_day))
    minimum = int(settings.number("audit.minimum_n"))
    return what_to_look_at(result, window, minimum_n=minimum, words=lambda key: WORDS.get(key, key))


def _text(day: date) -> str:
    return day.isoformat()


def _print_audit(result: AuditResult, attention: tuple[Attention, ...]) -> None:
    from rich.console import Console

    console = Console()
    counted = "1 ended case" if result.n == 1 else f"{result.n} ended cases"
    console.print(f"{result.first_day} to {result.last_day}: {counted}. Median (quartiles), {PERCENTILES}.")
    for found in attention:
        console.print(f"- {found.text} [{found.test}]", markup=False, highlight=False)
    console.print(_table("By procedure", ("procedure", "reference level"), result.procedures))
    console.print(_table("By operator", ("procedure", "operator"), result.operators))
    for over in result.over_levels:
        if over.level.tier != "notification":
            console.print(_over_words(over), markup=False, highlight=False)
    for room in result.completeness.rooms:
        have = ", ".join(f"{WORDS[q]} {p.n} of {p.of}" for q, p in room.quantities.items() if q in WORDS)
        console.print(f"{room.room or 'room not told'}: {have}", markup=False, highlight=False)
    _print_reception(console, result)
    for told in result.findings:
        console.print(f"{told.severity}: {told.text}", markup=False, highlight=False)


def _print_reception(console: Any, result: AuditResult) -> None:
    came = result.completeness.reception
    if came is None:
        return
    counts = (
        f"{came.scheduled} planned: {came.with_report} with a dose report, {came.with_case_only} with a case "
        f"only, {len(came.without_case)} with neither; ended cases without a dose report: "
        f"{len(came.cases_without_report)}"
    )
    unplanned = came.reports_without_schedule
    more = "" if unplanned is None else f"; dose reports that no schedule announced: {len(unplanned)}"
    console.print(counts + more, markup=False, highlight=False)
    for one in came.without_case:
        where = ", ".join(part or NOT_TOLD for part in (one.procedure, one.room))
        console.print(
            f"neither case nor report: {one.day}, {where}, {one.key}", markup=False, highlight=False
        )


def _table(title: str, heads: tuple[str, str], rows: tuple[ProcedureRow | OperatorRow, ...]) -> Any:
    from rich.table import Table

    table = Table(*heads, "cases", title=title, title_justify="left")
    for _, head, _, _ in COLUMNS:
        table.add_column(head, justify="right")
    for row in rows:
        cells = [_spread(row.quantities[q], divisor, digits) for q, _, divisor, digits in COLUMNS]
        table.add_row(_group(row), _second(row), str(row.n), *cells)
    return table


def _group(row: ProcedureRow | OperatorRow) -> str:
    name = row.procedure or NOT_TOLD
    return name if row.age_group.name == "ADULT" else f"{name}, {row.age_group.value}"


def _second(row: ProcedureRow | OperatorRow) -> str:
    if isinstance(row, OperatorRow):
        return row.operator or NOT_TOLD
    return "; ".join(f"{WORDS.get(c.quantity, c.quantity)}: {c.verdict.value}" for c in row.references) or (
        "none chosen"
    )


def _spread(found: Statistics, divisor: int, digits: int) -> str:
    if found.median is None or found.p25 is None or found.p75 is None:
        return "not known" if found.missing else "-"
    low, middle, high = (f"{v / divisor:.{digits}f}" for v in (found.p25, found.median, found.p75))
    missing = f", {found.missing} missing" if found.missing else ""
    return f"{middle} ({low}-{high}){missing}"


def _over_words(over: OverLevel) -> str:
    where = ", ".join(part or NOT_TOLD for part in (over.case.procedure, over.case.room))
    return f"{over.level.tier}: {over.case.day}, {where}: {over.level.name}, case {over.case.id}"
