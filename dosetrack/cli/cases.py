"""`dosetrack cases` and `dosetrack case`: the list of cases, and one with everything known."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

import typer

from dosetrack.alerts import level_groups, prompt_waits
from dosetrack.cli._ledger_options import JsonOption, LedgerOption, fail, opened_to_read
from dosetrack.cli.json_out import plain, write_json
from dosetrack.errors import InputError, UnknownCaseError
from dosetrack.workflow import CaseSummary, CaseView, Workflow

WRONG_USAGE = 2
NO_SUCH_CASE = 3


def day_option(text: str | None) -> str | None:
    """YYYY-MM-DD as given on the command line; a usage error says what is accepted."""
    if text is None:
        return None
    try:
        if len(text) == len("YYYY-MM-DD"):
            return date.fromisoformat(text).isoformat()
    except ValueError:
        pass
    raise typer.BadParameter(f"{text!r} is not a day; give one such as 2026-03-01")


FromOption = Annotated[
    str | None, typer.Option("--from", callback=day_option, metavar="DATE", help="First day, included.")
]
ToOption = Annotated[
    str | None, typer.Option("--to", callback=day_option, metavar="DATE", help="Last day, included.")
]


def cases(
    first: FromOption = None,
    last: ToOption = None,
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
) -> None:
    """List the cases, oldest first."""
    if first and last and first > last:
        fail(f"--from {first} is after --to {last}", WRONG_USAGE)
    found = opened_to_read(ledger).cases(first_day=first, last_day=last)
    if as_json:
        write_json({"cases": [summary_document(one) for one in found]})
        return
    _print_table(found)


def case(
    case_id: Annotated[str, typer.Argument(metavar="ID", help="Id of the case, as `cases` lists it.")],
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
) -> None:
    """Show one case with everything known of it."""
    workflow = opened_to_read(ledger)
    try:
        view = workflow.case_view(case_id)
    except UnknownCaseError as error:
        fail(str(error), NO_SUCH_CASE)
    if as_json:
        write_json(case_document(view) | _skin(workflow, case_id))
        return
    _print_case(view)


def summary_document(summary: CaseSummary) -> dict[str, Any]:
    """One case as in the list of `dosetrack cases --json`."""
    document: dict[str, Any] = plain(summary)
    return document


def case_document(view: CaseView) -> dict[str, Any]:
    """The document of `dosetrack case ID --json`."""
    return summary_document(view.summary) | {
        "patient": plain(view.case.patient),
        "opened_at": plain(view.case.opened_at),
        "ended_at": plain(view.case.ended_at),
        "totals": {"planes": plain(view.radiation.planes), "all": _over_all(view)},
        "readings": [_stamped(s) for s in view.case.readings],
        "injections": [_stamped(s) for s in view.case.injections],
        "creatinines": [_stamped(s) for s in view.case.creatinines],
        "contrast": _contrast(view),
        "egfr": plain(view.kidney.egfr),
        "limits": plain(view.kidney.limits),
        "leading": view.kidney.leading,
        "remaining_ml": view.kidney.remaining_ml,
        "contrast_headline": view.kidney.headline,
        "levels_reached": plain(view.levels),
        "prompts": plain(view.prompts),
        "prompt_waits": plain(prompt_waits(view.prompts)),
        "reconciliation": _reconciliation(view),
        "drivers": plain(view.drivers),
        "next_run": plain(view.next_run),
        "radiation_forecast": plain(view.radiation_forecast),
        "contrast_forecast": plain(view.contrast_forecast),
        "skin_dose_range": plain(view.skin),
        "reports_held": [_report(report) for report in view.case.reports],
        "timeline": plain(view.timeline),
        "findings": plain(view.findings),
        "settings_seq": view.settings.seq,
        "position": view.position,
    }


def _reconciliation(view: CaseView) -> dict[str, Any]:
    """Typed against reported, with what a person chose for each difference."""
    found = view.reconciliation
    return {
        "differences": [
            plain(d)
            | {"missing": d.missing, "counts": found.choice(d), "needs_decision": d in found.undecided}
            for d in found.differences
        ],
        "injections_told_twice": plain(found.injections_told_twice),
        "settled": plain(found.settled),
        "settled_by": found.settled_by,
        "reason": found.reason,
    }


def _skin(workflow: Workflow, case_id: str) -> dict[str, Any]:
    """Peak skin dose of the case's map; all null and the reason where there is none."""
    try:
        found = workflow.worked_out_skin_result(case_id).result
    except InputError as error:  # the table axes of its room contradict each other
        return {
            "peak_skin_dose_mgy": None,
            "peak_skin_dose_range_mgy": None,
            "peak_site": None,
            "no_skin_map": str(error),
        }
    return {
        "peak_skin_dose_mgy": found.peak_mgy,
        "peak_skin_dose_range_mgy": None if found.peak_mgy is None else [found.low_mgy, found.high_mgy],
        "peak_site": found.site,
        "no_skin_map": found.reason,
    }


def _contrast(view: CaseView) -> dict[str, Any]:
    """What was given; null where nobody entered an injection."""
    given: dict[str, Any] = plain(view.kidney.given)
    return given if view.case.injections else given | {"now": None}


def _over_all(view: CaseView) -> dict[str, Any]:
    account = view.radiation
    return {
        "reference_air_kerma_mgy": plain(account.reference_air_kerma_sum_mgy),
        "dose_area_product_gycm2": plain(account.dose_area_product_gycm2),
        "fluoroscopy_time_s": plain(account.fluoroscopy_time_s),
        "fluoroscopy": plain(account.fluoroscopy),
        "acquisition": plain(account.acquisition),
    }


def _stamped(stamped: Any) -> dict[str, Any]:
    said: dict[str, Any] = plain(stamped.value)
    return said | {
        "entry_id": stamped.entry_id,
        "at": plain(stamped.at),
        "by": stamped.by.name,
        "role": stamped.by.role.value,
    }


def _report(report: Any) -> dict[str, Any]:
    return {
        "file": report.file,
        "sha256": report.sha256,
        "source": report.source,
        "report": plain(report.report),
        "equipment": plain(report.equipment),
        "totals": plain(report.totals),
        "events": len(report.events),
    }


def _print_table(found: tuple[CaseSummary, ...]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table("started", "state", "room", "procedure", "patient", "Ka,r mGy", "DAP Gy·cm²", "mL", "id")
    for one in found:
        table.add_row(
            one.started_at or "not known",
            one.state,
            one.room or "not known",
            one.procedure or "not known",
            one.patient_id or "not known",
            _shown(one.reference_air_kerma_mgy, 0),
            _shown(one.dose_area_product_gycm2, 1),
            _shown(one.contrast_ml, 0),
            one.id,
        )
    Console().print(table)


def _print_case(view: CaseView) -> None:
    one = view.summary
    print(f"{one.procedure or 'procedure not known'}, {one.room or 'room not known'}, {one.started_at}")
    print(f"patient {one.patient_id or 'not known'}, state {one.state}, id {one.id}")
    for plane in view.radiation.planes:
        figure = plane.reference_air_kerma_mgy.higher
        value = f"{figure.value:.0f} mGy ({figure.basis})" if figure else "not known"
        print(f"plane {plane.plane}: Ka,r {value}")
    given = view.kidney.given.in_words() if view.case.injections else "none entered"
    print(f"contrast: {given}; {view.kidney.headline}")
    for group in level_groups(view.levels, view.prompts):
        level, steps = group.highest, len(group.levels)
        where = f", plane {level.plane.upper()}" if level.plane in ("a", "b") else ""
        more = f", the highest of {steps} steps" if steps > 1 else ""
        print(f"level reached: {level.name}{where} ({level.basis}{more}) - {level.source}")
    for difference in view.reconciliation.undecided:
        slip = f" ({difference.slip})" if difference.slip else ""
        print(
            f"typed against reported: {difference.quantity} {difference.plane or ''} "
            f"{difference.typed:g} against {difference.reported:g}{slip}"
        )
    for driver in view.drivers:
        print(f"raised the dose: {driver.text}")
    for found in view.findings:
        print(f"{found.severity}: {found.text}")


def _shown(value: float | None, digits: int) -> str:
    return "not known" if value is None else f"{value:.{digits}f}"
