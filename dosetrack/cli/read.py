"""`dosetrack read`: what dose reports say; nothing is stored."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

import typer

from dosetrack.cli.json_out import plain, write_json
from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template, read_content, read_report
from dosetrack.records.content import ContentNode
from dosetrack.records.report import DoseReport, DoseTotal, RefusedFile
from dosetrack.records.template import TemplateCheck
from dosetrack.services.heads import head_of, shown_name

SOME_REFUSED = 1
NOTHING_USABLE = 3
SOURCES: dict[str, str] = {
    "rdsr": "dose report",
    "enhanced-rdsr": "enhanced dose report",
    "patient-rdsr": "patient dose report: estimates, no totals of the machine",
    "xa-header": "header of an image (second choice)",
    "mpps": "performed procedure step (second choice)",
    "table": "table (second choice)",
}
"""Where the numbers of a report come from, in words."""


@dataclass(slots=True)
class ReadResult:
    """Every file given is in exactly one list."""

    reports: list[DoseReport] = field(default_factory=list)
    refused: list[RefusedFile] = field(default_factory=list)
    template_checks: dict[str, TemplateCheck] = field(default_factory=dict)
    """By file, of reports of TID 10001, where asked for."""
    contents: dict[str, ContentNode] = field(default_factory=dict)
    """By file, of structured reports, where asked for."""

    @property
    def exit_code(self) -> int:
        """0 all read, 1 some refused, 3 nothing could be used."""
        if not self.reports:
            return NOTHING_USABLE
        return SOME_REFUSED if self.refused else 0


def read(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="DICOM files; with --mapping, tables.")
    ],
    as_json: Annotated[
        bool, typer.Option("--json", help="Write one JSON document to standard output.")
    ] = False,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="MAP.toml", help="Read tables (CSV, XLSX) through this saved column mapping."),
    ] = None,
    suggest_mapping: Annotated[
        bool, typer.Option("--suggest-mapping", help="Print a mapping guessed from the headings, to check.")
    ] = False,
    with_template: Annotated[
        bool, typer.Option("--template", help="Also check each report against its template, TID 10001.")
    ] = False,
    with_content: Annotated[
        bool, typer.Option("--content", help="Also show every item of each report, as it was sent.")
    ] = False,
) -> None:
    """Read dose reports and show what they say. Nothing is stored.

    Exit code 0: all read; 1: some refused, each with its reason; 2: the mapping cannot be used;
    3: none could be used.
    """
    if suggest_mapping:
        from dosetrack.cli.mapped_tables import print_suggestion

        print_suggestion(files)
    if mapping is None:
        result = read_files(files, with_template=with_template, with_content=with_content)
    else:
        result = _read_tables(files, mapping)
    if as_json:
        write_json(document(result, with_template=with_template, with_content=with_content))
    else:
        for report in result.reports:
            print("\n".join(lines_of(report)))
            if with_template:
                from dosetrack.cli.template_lines import template_lines

                print("\n".join(template_lines(result.template_checks.get(report.file))))
            if with_content:
                from dosetrack.cli.content_lines import content_lines

                print("\n".join(content_lines(result.contents.get(report.file))))
    for refused in result.refused:
        print(f"{refused.file}: {refused.reason}", file=sys.stderr)
    raise typer.Exit(result.exit_code)


def _read_tables(files: Iterable[Path], mapping: Path) -> ReadResult:
    from dosetrack.cli.mapped_tables import mapping_of, read_tables  # a dose report needs none of it

    return read_tables(files, mapping_of(mapping))


def document(
    result: ReadResult, *, with_template: bool = False, with_content: bool = False
) -> dict[str, object]:
    """The JSON document of the command."""
    reports: list[object] = list(result.reports)
    if with_template or with_content:
        reports = []
        for report in result.reports:
            told = plain(report)
            if with_template:
                told["template"] = result.template_checks.get(report.file)
            if with_content:
                told["content"] = result.contents.get(report.file)
            reports.append(told)
    return {"reports": reports, "refused": result.refused}


def read_files(
    files: Iterable[Path], *, with_template: bool = False, with_content: bool = False
) -> ReadResult:
    """Read each of `files`; one that cannot be used never stops the rest."""
    result = ReadResult()
    for path in files:
        try:
            data, file = _bytes_of(path), shown_name(path)
            result.reports.append(read_report(data, file=file))
            check = check_template(data, file=file) if with_template else None
            if check is not None:
                result.template_checks[file] = check
            content = read_content(data, file=file) if with_content else None
            if content is not None:
                result.contents[file] = content
        except ReportRefusedError as refused:
            result.refused.append(RefusedFile(file=refused.file, reason=refused.reason))
    return result


def _bytes_of(path: Path) -> bytes:
    try:
        path.stat()
        if path.is_dir():
            raise ReportRefusedError(file=shown_name(path), reason="a folder; give the files in it")
        if not path.is_file():
            raise ReportRefusedError(file=shown_name(path), reason="not a regular file")
        with path.open("rb") as stream:
            return head_of(stream, file=shown_name(path))
    except FileNotFoundError:
        raise ReportRefusedError(file=shown_name(path), reason="there is no such file") from None
    except PermissionError:
        raise ReportRefusedError(file=shown_name(path), reason="no permission to read it") from None
    except OSError as error:
        reason = f"it cannot be read ({error.strerror or error})"
        raise ReportRefusedError(file=shown_name(path), reason=reason) from None
    except ValueError as error:
        raise ReportRefusedError(file=shown_name(path), reason=f"no usable file name ({error})") from None


def lines_of(report: DoseReport) -> list[str]:
    """What a person wants to see of one report, line by line. Values are as sent."""
    equipment, procedure, patient = report.equipment, report.procedure, report.patient
    lines = [
        report.file,
        f"  source     {SOURCES[report.source]}",
        f"  patient    {_or_unknown(patient.id)}  {_or_unknown(patient.name)}",
        f"  procedure  {_or_unknown(procedure.label)}, started {_or_unknown(procedure.started_at)}",
        f"  operators  {'; '.join(report.operators) or 'not known'}",
        f"  equipment  {_joined(equipment.manufacturer, equipment.model, equipment.station)}",
        f"  events     {len(report.events)}",
        "",
        *_table(report.totals),
        "",
    ]
    for found in report.findings:
        at = f" [event {found.event_uid}]" if found.event_uid else ""
        lines.append(f"  {found.severity}: {found.text}{at}")
    if report.findings:
        lines.append("")
    return lines


def _table(totals: Sequence[DoseTotal]) -> list[str]:
    """The totals, one row each, columns right-aligned."""
    head = ("plane", "basis", "DAP Gy·cm²", "Ka,r mGy", "fluoro s", "fluoro DAP", "acquisition DAP")
    rows = [
        (
            total.plane,
            total.basis,
            _number(total.dose_area_product_gycm2),
            _number(total.reference_air_kerma_mgy),
            _number(total.fluoroscopy_time_s),
            _number(total.fluoroscopy_dose_area_product_gycm2),
            _number(total.acquisition_dose_area_product_gycm2),
        )
        for total in totals
    ]
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(len(head))]
    return [
        "  " + "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in (head, *rows)
    ]


def _number(value: float | None) -> str:
    return "not known" if value is None else f"{value:.4g}" if value < 1000 else f"{value:.0f}"


def _or_unknown(text: str | None) -> str:
    return text if text is not None else "not known"


def _joined(*texts: str | None) -> str:
    return ", ".join(text for text in texts if text) or "not known"
