"""`dosetrack kidney`: renal estimates and published contrast limits of one patient, side by side."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Annotated, Any, NoReturn

import typer

from dosetrack.cli.json_out import write_json
from dosetrack.entry import (
    Question,
    age_from_text,
    concentration_from_text,
    creatinine_from_text,
    patient_size_from_text,
    site_from_text,
)
from dosetrack.entry.bounds import checked
from dosetrack.errors import InputError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    FiltrationRow,
    KidneyAssessment,
    LimitRow,
    RenalInput,
    assess,
    contrast_totals,
    shown_limit_ml,
    shown_used_ml,
)
from dosetrack.records.entries import Injection, InjectionSite, Knowledge
from dosetrack.units import parse_quantity

WRONG_INPUT = 2

CAUTIONS = (
    "Decision support for trained staff. It does not diagnose, prescribe or clear anyone for contrast; "
    "where it differs from local protocol, local protocol rules.",
    "Limits are statistical associations from mostly coronary groups. Below a limit kidney injury can "
    "still happen; past one it need not have. No number here is a reason to stop a life-saving step.",
    "Values depend on a creatinine that is recent, stable and in the right unit. In acute kidney injury, "
    "dialysis, pregnancy, childhood or unusual muscle mass the estimate may be wrong or not apply.",
    "Totals include only what was entered. Hand injections, test puffs and waste are easily missed.",
    "Gas and gadolinium are logged apart and are not iodine.",
    "Every limit names its source; which ones apply is a local decision.",
)


@dataclass(frozen=True, slots=True)
class Request:
    """What the options say, read and checked."""

    patient: RenalInput
    given: ContrastGiven
    findings: tuple[Finding, ...]


def kidney(
    sex: Annotated[str | None, typer.Option(help="F or M.")] = None,
    age: Annotated[str | None, typer.Option(help="Years.")] = None,
    creatinine: Annotated[
        str | None, typer.Option(help="Serum creatinine with its unit: '1.4 mg/dL', '124 µmol/L'.")
    ] = None,
    creatinine_on: Annotated[
        str | None, typer.Option("--creatinine-on", metavar="DATE", help="Day the sample was taken.")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="Day of the case; default today.")
    ] = None,
    weight: Annotated[str | None, typer.Option(help="With its unit: '68 kg'.")] = None,
    height: Annotated[str | None, typer.Option(help="With its unit: '160 cm', '1.6 m'.")] = None,
    site: Annotated[
        str | None, typer.Option(help="first-pass, second-pass, venous or unknown (counts as first pass).")
    ] = None,
    concentration: Annotated[
        str | None, typer.Option(help="Iodine of the undiluted product, mg I/mL: 320.")
    ] = None,
    given: Annotated[
        str | None, typer.Option(help="Contrast given in this case, undiluted, with its unit: '40 mL'.")
    ] = None,
    earlier: Annotated[
        str | None, typer.Option(help="Contrast within the look-back window before it: '90 mL' or 'none'.")
    ] = None,
    dialysis: Annotated[bool, typer.Option("--dialysis", help="On maintenance dialysis.")] = False,
    unstable: Annotated[bool, typer.Option("--unstable", help="Creatinine is changing.")] = False,
    inpatient: Annotated[
        bool, typer.Option("--inpatient", help="Creatinine ages faster: inpatient or acutely ill.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")] = False,
) -> None:
    """Show renal estimates and the published contrast limits side by side."""
    try:
        request = read_options(
            today=datetime.now().astimezone().date(),
            sex=sex,
            age=age,
            creatinine=creatinine,
            creatinine_on=creatinine_on,
            on=on,
            weight=weight,
            height=height,
            site=site,
            concentration=concentration,
            given=given,
            earlier=earlier,
        )
    except InputError as error:
        _refuse(error)
    patient = replace(
        request.patient,
        dialysis=Knowledge.YES if dialysis else Knowledge.UNKNOWN,
        is_creatinine_unstable=unstable,
        is_inpatient=inpatient,
    )
    assessment = assess(patient, request.given)
    if as_json:
        write_json(document(assessment, asked=request.findings))
    else:
        _print_table(assessment, asked=request.findings)


def read_options(
    *,
    today: date,
    sex: str | None = None,
    age: str | None = None,
    creatinine: str | None = None,
    creatinine_on: str | None = None,
    on: str | None = None,
    weight: str | None = None,
    height: str | None = None,
    site: str | None = None,
    concentration: str | None = None,
    given: str | None = None,
    earlier: str | None = None,
) -> Request:
    """The options as records; None is 'not told'.

    Raises
    ------
    InputError
        A number without a unit, an impossible one, or an option with nothing in it.
    """
    _refuse_empty(
        sex=sex,
        age=age,
        creatinine=creatinine,
        creatinine_on=creatinine_on,
        on=on,
        weight=weight,
        height=height,
        site=site,
        concentration=concentration,
        given=given,
        earlier=earlier,
    )
    day = today if on is None else _day(on)
    years, age_asked = (None, ()) if age is None else age_from_text(age)
    size = patient_size_from_text(weight=weight, height=height, sex=sex, age_years=years, on=day)
    strength, strength_asked = (None, ()) if concentration is None else concentration_from_text(concentration)
    sample = None
    findings: list[Finding] = []
    if creatinine is not None:
        typed = creatinine_from_text(creatinine, taken_on=creatinine_on, on=day)
        sample = typed.value
        findings += _asked(typed.questions)
    contrast, given_findings = _given(given, concentration_mgi_ml=strength, earlier=earlier)
    patient = RenalInput(
        on=day,
        sex=size.value.sex,
        age_years=years,
        creatinine=sample,
        weight_kg=size.value.weight_kg,
        height_cm=size.value.height_cm,
        site=_site(site),
        concentration_mgi_ml=strength,
    )
    asked = _asked((*age_asked, *size.questions, *strength_asked))
    return Request(patient, contrast, (*asked, *findings, *given_findings))


_EXAMPLES = {
    "sex": "F or M",
    "age": "years such as 72",
    "creatinine": "a number with its unit such as '1.4 mg/dL'",
    "creatinine_on": "a day, YYYY-MM-DD",
    "on": "a day, YYYY-MM-DD",
    "weight": "a number with its unit such as '68 kg'",
    "height": "a number with its unit such as '160 cm'",
    "site": "first-pass, second-pass, venous or unknown",
    "concentration": "mg I/mL such as 320",
    "given": "a number with its unit such as '40 mL'",
    "earlier": "a number with its unit such as '90 mL', or none",
}


def _refuse_empty(**options: str | None) -> None:
    """InputError for the first option that was given with nothing in it."""
    for name, text in options.items():
        if text is not None and not text.strip():
            accepted = f"{_EXAMPLES[name]}; leave the option out where it is not known"
            raise InputError(field=f"--{name.replace('_', '-')}", given=text, accepted=accepted)


def document(assessment: KidneyAssessment, *, asked: tuple[Finding, ...] = ()) -> dict[str, Any]:
    """The JSON document: every row, computed or not, unrounded; absent is null.

    Parameters
    ----------
    asked : findings about what was typed, put before those of the assessment
    """
    following = assessment.next_level
    now = assessment.given.now
    is_told = not _is_not_told(asked)
    return {
        "egfr": [_egfr_document(row) for row in assessment.egfr],
        "absolute_gfr": _egfr_document(assessment.absolute),
        "limits": [_limit_document(row) for row in assessment.limits],
        "leading": assessment.leading,
        "leading_limit_ml": assessment.leading_limit_ml,
        "remaining_ml": assessment.remaining_ml,
        "next_level": None if following is None else _limit_document(following),
        "headline": assessment.headline,
        "given": {
            "contrast_ml": now.contrast_ml if is_told else None,
            "neat_ml": now.neat_ml if is_told else None,
            "iodine_g": now.iodine_g if is_told else None,
            "ml_350": now.ml_350 if is_told else None,
            "earlier_known": assessment.given.is_earlier_known,
            "earlier_ml": assessment.given.earlier.neat_ml,
            "earlier_iodine_g": assessment.given.earlier.iodine_g,
        },
        "on": assessment.patient.on.isoformat(),
        "creatinine_age_days": assessment.creatinine_age_days,
        "findings": [
            {"code": one.code, "severity": one.severity, "text": one.text, "event_uid": None}
            for one in (*asked, *assessment.findings)
        ],
        "cautions": list(CAUTIONS),
    }


def _is_not_told(asked: tuple[Finding, ...]) -> bool:
    return any(one.code == FindingCode.CONTRAST_GIVEN_NOT_TOLD.code for one in asked)


def _egfr_document(row: FiltrationRow) -> dict[str, Any]:
    return {
        "formula": row.formula,
        "value": row.value,
        "unit": row.unit,
        "valid": row.valid,
        "note": row.note,
    }


def _limit_document(row: LimitRow) -> dict[str, Any]:
    return {
        "key": row.key,
        "name": row.name,
        "source": row.source,
        "checked": row.checked,
        "limit_ml": row.limit_ml,
        "limit_iodine_g": row.limit_iodine_g,
        "used_fraction": row.used_fraction,
        "remaining_ml": row.remaining_ml,
        "applies": row.applies,
        "may_lead": row.may_lead,
        "renal_input": row.renal_input,
        "note": row.note,
    }


def _given(
    given: str | None, *, concentration_mgi_ml: float | None, earlier: str | None
) -> tuple[ContrastGiven, tuple[Finding, ...]]:
    findings: list[Finding] = []
    injections: list[Injection] = []
    if given is None:
        findings.append(finding(FindingCode.CONTRAST_GIVEN_NOT_TOLD))
    else:
        volume = parse_quantity(given, "volume", field="contrast given")
        findings += _asked(checked(volume, "case_ml", field="contrast given", given=given, unit="mL"))
        if volume:
            injections.append(Injection(volume_ml=volume, concentration_mgi_ml=concentration_mgi_ml))
    return ContrastGiven(contrast_totals(injections), _earlier(earlier)), tuple(findings)


def _earlier(text: str | None) -> EarlierContrast:
    if text is None:
        return EarlierContrast()
    if text.strip().lower() in ("none", "no"):
        return EarlierContrast(Knowledge.NO)
    volume = parse_quantity(text, "volume", field="earlier contrast")
    checked(volume, "case_ml", field="earlier contrast", given=text, unit="mL")
    return EarlierContrast(Knowledge.YES, neat_ml=volume)


def _site(text: str | None) -> InjectionSite:
    site = site_from_text(text)
    if site is InjectionSite.NOT_INTRAVASCULAR:
        accepted = "first-pass, second-pass, venous, unknown, or a place in the blood vessels"
        raise InputError(field="injection site", given=text, accepted=accepted)
    return site


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(field="day of the case", given=text, accepted="YYYY-MM-DD") from None


def _asked(questions: tuple[Question, ...]) -> tuple[Finding, ...]:
    return tuple(
        finding(FindingCode.ENTRY_QUESTION, place="", field=one.field, text=one.text) for one in questions
    )


def _refuse(error: InputError) -> NoReturn:
    print(error, file=sys.stderr)
    raise typer.Exit(WRONG_INPUT) from None


def _print_table(assessment: KidneyAssessment, *, asked: tuple[Finding, ...]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    console.print(assessment.headline, highlight=False)
    given = "not told, counted as none" if _is_not_told(asked) else assessment.given.in_words()
    console.print(f"given: {given}", highlight=False)
    estimates = Table("estimate", "value", "note", title="Renal estimates", title_justify="left")
    for row in (*assessment.egfr, assessment.absolute):
        unit = row.unit.replace("/1.73m2", "/1.73 m²")
        value = "not known" if row.value is None else f"{row.value:.1f} {unit}"
        estimates.add_row(row.formula, value, row.note or "")
    console.print(estimates, highlight=False)
    if assessment.creatinine_age_days is not None:
        console.print(f"age of creatinine: {assessment.creatinine_age_days} days", highlight=False)
    limits = Table(title_justify="left")
    limits.title = "Published contrast limits (limit rounded down, used rounded up)"
    for heading in ("limit", "mL", "g I", "used", "basis", "source"):
        limits.add_column(heading, overflow="fold")
    for limit in assessment.limits:
        mark = " (leads)" if limit.key == assessment.leading_key else ""
        limits.add_row(
            f"{limit.name}{mark}",
            "not known" if limit.limit_ml is None else f"{shown_limit_ml(limit.limit_ml)}",
            "not known" if limit.limit_iodine_g is None else f"{limit.limit_iodine_g:.1f}",
            "" if limit.used_fraction is None else f"{shown_used_ml(100 * limit.used_fraction)} %",
            limit.renal_input or limit.note or "",
            f"{limit.source} ({limit.checked})",
        )
    console.print(limits, highlight=False)
    for one in (*asked, *assessment.findings):
        console.print(f"{one.severity}: {one.text}", highlight=False, markup=False)
    console.print("Cautions", highlight=False)
    for caution in CAUTIONS:
        console.print(f"  {caution}", highlight=False, markup=False)
