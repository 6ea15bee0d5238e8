"""`dosetrack skin`: where on the skin the dose went, how high, and how sure."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args

import typer

from dosetrack.cli._ledger_options import (
    NOTHING_USABLE,
    WRONG_USAGE,
    JsonOption,
    LedgerOption,
    fail,
    opened,
    opened_to_read,
)
from dosetrack.cli.cases import FromOption, ToOption
from dosetrack.cli.json_out import plain, write_json
from dosetrack.cli.read import ReadResult, read_files
from dosetrack.errors import InputError, UnknownCaseError
from dosetrack.merging import merge_reports
from dosetrack.records.report import DoseReport, IrradiationEvent, Patient
from dosetrack.skin.screening import SkinRange, estimated_skin_range, rough_geometry
from dosetrack.skin.setup import Arms, BodyRegion, PatientSetup, Position, SystemSetup
from dosetrack.times import local_day

if TYPE_CHECKING:
    from dosetrack.skin.model import SkinMap
    from dosetrack.workflow.results import SkinMapView, SkinResult

NO_SUCH_CASE = 3
CAUTIONS = (
    "An estimate of the dose to the skin, not a measurement, and no prediction for this person.",
    "Who is examined, and when, is decided by licensed staff under local protocol.",
)


def skin(
    files: Annotated[
        list[Path] | None,
        typer.Argument(readable=False, metavar="[FILE...]", help="Dose reports of one patient."),
    ] = None,
    as_json: JsonOption = False,
    height: Annotated[str | None, typer.Option("--patient-height", help="With its unit: '170 cm'.")] = None,
    weight: Annotated[str | None, typer.Option("--patient-weight", help="With its unit: '70 kg'.")] = None,
    sex: Annotated[str | None, typer.Option("--patient-sex", help="F or M.")] = None,
    position: Annotated[
        str | None, typer.Option(help=f"How the patient lay: {', '.join(get_args(Position))}.")
    ] = None,
    region: Annotated[
        str | None, typer.Option(help=f"What lay at the isocentre: {', '.join(get_args(BodyRegion))}.")
    ] = None,
    arms: Annotated[str | None, typer.Option(help=f"Arms: {', '.join(get_args(Arms))}.")] = None,
    shift: Annotated[
        str | None,
        typer.Option(metavar="X,Y,Z", help="Move the body: mm to the left, to the back, to the head."),
    ] = None,
    png: Annotated[Path | None, typer.Option(metavar="FILE.png", help="Draw the map.")] = None,
    map_file: Annotated[
        Path | None, typer.Option("--map", metavar="FILE.npz", help="Write dose and surface as arrays.")
    ] = None,
    case: Annotated[
        str | None, typer.Option(metavar="ID", help="A case of the ledger in place of files.")
    ] = None,
    with_earlier: Annotated[
        bool,
        typer.Option("--with-earlier", help="With --case: also the patient's cases in the look-back window."),
    ] = False,
    first: FromOption = None,
    last: ToOption = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="With --from, --to: processes; default one per core.")
    ] = None,
    ledger: LedgerOption = None,
) -> None:
    """Work out the absorbed dose to the skin: the peak with its range, where it is, and the map.

    From dose reports of one patient; or of a case of the ledger with --case; or the peaks of every
    case of the ledger between two days with --from and --to, which are kept.

    Exit code 0: done, with or without a map; 1: some files refused; 2: an option cannot be used;
    3: nothing could be used.
    """
    asked = sum((bool(files), case is not None, bool(first or last)))
    if asked != 1:
        fail("give dose reports, or --case, or --from and --to", WRONG_USAGE)
    if first or last:
        _batch(first, last, ledger=ledger, workers=workers, as_json=as_json)
        return
    try:
        told = _told(height, weight, sex, position, region, arms, shift)
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    made = _of_case(case, told, ledger, with_earlier) if case else _of_files(files or [], told)
    if png is not None:
        _draw(made, png)
    if map_file is not None:
        _write_arrays(made, map_file)
    if as_json:
        write_json(document(made))
    else:
        print("\n".join(lines_of(made)))
    for refused in made.read.refused:
        print(f"{refused.file}: {refused.reason}", file=sys.stderr)
    raise typer.Exit(1 if made.read.refused else 0)


@dataclass(frozen=True, slots=True)
class Made:
    """A map, or why there is none, with what was read for it."""

    map: SkinMap | None
    reason: str | None
    screening: SkinRange | None
    read: ReadResult = field(default_factory=ReadResult)


def document(made: Made) -> dict[str, Any]:
    """The JSON document of the command."""
    found = made.map
    if found is None:
        return {
            "peak_skin_dose_mgy": None,
            "range_mgy": None,
            "peak_site": None,
            "bands": [],
            "by_event": [],
            "mapped_fraction": None,
            "assumed": [],
            "surface": None,
            "findings": [],
            "reason": made.reason,
            "screening_range": plain(made.screening),
            "cautions": list(CAUTIONS),
            "refused": plain(made.read.refused),
        }
    return {
        "peak_skin_dose_mgy": found.peak_mgy,
        "range_mgy": None if found.low_mgy is None else [found.low_mgy, found.high_mgy],
        "peak_site": found.peak_site,
        "bands": plain(found.bands),
        "by_event": plain(found.by_event),
        "mapped_fraction": found.mapped_fraction,
        "assumed": [one.text for one in found.assumed],
        "surface": found.surface.kind,
        "findings": plain(found.findings),
        "reason": made.reason,
        "medium": found.medium,
        "fluoroscopy_share": found.fluoroscopy_share,
        "growth": [
            {"started_at": at, "peak_skin_dose_mgy": peak, "dose_at_peak_site_mgy": here}
            for at, peak, here in found.growth
        ],
        "influences": plain(found.influences),
        "not_mapped": [plain(one) for placed in found.cases for one in placed.not_mapped],
        "screening_range": plain(made.screening),
        "cautions": list(CAUTIONS),
        "refused": plain(made.read.refused),
    }


def lines_of(made: Made) -> list[str]:
    """What a person wants to see of the map."""
    from dosetrack.skin.wording import dose_words, range_words

    found = made.map
    if found is None or found.peak_mgy is None:
        lines = [f"No map: {made.reason}"]
        if made.screening is not None:
            low, high = made.screening.low_mgy, made.screening.high_mgy
            lines.append(f"Possible range from air kerma alone: {range_words(low, high)}")
        return [*lines, "", *CAUTIONS]
    low, high = found.low_mgy or 0.0, found.high_mgy or 0.0
    lines = [
        f"Estimated peak skin dose {dose_words(found.peak_mgy)}, "
        f"range {range_words(low, high)} (k = 2), in {found.medium}",
        f"Where: {found.peak_site}",
        f"Mapped: {found.mapped_fraction or 0:.0%} of the air kerma, on a {found.surface.kind}",
        "",
        "Skin by dose",
        *(f"  {_band(one.from_mgy, one.to_mgy):<14} {one.area_cm2:8.1f} cm²" for one in found.bands),
    ]
    if found.influences:
        lines += ["", "What matters most"]
        lines += [f"  {one.text}: {range_words(one.low_mgy, one.high_mgy)}" for one in found.influences[:5]]
    lines += ["", "Assumed", *(f"  {one.text}" for one in found.assumed)]
    if found.findings:
        lines += ["", *(f"{one.severity}: {one.text}" for one in found.findings)]
    return [*lines, "", *CAUTIONS]


def _band(low: float, high: float | None) -> str:
    return f"{low / 1000:g} Gy and more" if high is None else f"{low / 1000:g} to {high / 1000:g} Gy"


# what was asked ------------------------------------------------------------------------------


def _told(
    height: str | None,
    weight: str | None,
    sex: str | None,
    position: str | None,
    region: str | None,
    arms: str | None,
    shift: str | None,
) -> dict[str, Any]:
    """The options as fields of `PatientSetup`, those given only."""
    from dosetrack.entry import patient_size_from_text

    size = patient_size_from_text(weight=weight, height=height, sex=sex).value
    told = {
        "height_cm": size.height_cm,
        "weight_kg": size.weight_kg,
        "sex": size.sex,
        "position": _one_of("--position", position and position.upper(), get_args(Position)),
        "region": _one_of("--region", region and region.lower(), get_args(BodyRegion)),
        "arms": _one_of("--arms", arms and arms.lower(), get_args(Arms)),
        "shift_mm": _shift(shift),
    }
    return {name: value for name, value in told.items() if value is not None}


def _one_of(option: str, text: str | None, words: tuple[str, ...]) -> str | None:
    if text is None or text in words:
        return text
    raise InputError(field=option, given=text, accepted=", ".join(words))


def _shift(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(field="--shift", given=text, accepted="three numbers in mm: 0,0,-30") from None
    if not all(abs(part) <= 1000 for part in (x, y, z)):
        raise InputError(field="--shift", given=text, accepted="at most 1000 mm each way")
    return x, y, z


# where it comes from --------------------------------------------------------------------------


def _of_files(files: list[Path], told: dict[str, Any]) -> Made:
    from dosetrack.workflow.skin_jobs import SkinJob, with_region, worked_out

    read = read_files(files)
    if not read.reports:
        for refused in read.refused:
            print(f"{refused.file}: {refused.reason}", file=sys.stderr)
        fail("none of the files could be used", NOTHING_USABLE)
    try:
        patient = _patient(read.reports)
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    size = {"height_cm": patient.height_cm, "weight_kg": patient.weight_kg, "sex": patient.sex}
    jobs = [
        SkinJob(
            case_id=label or "reports",
            groups=((tuple(events), SystemSetup()),),
            patient=with_region(PatientSetup(**(size | told)), label),
            day=local_day(events[0].started_at),
        )
        for events, label in _by_study(read.reports)
    ]
    found, reason = worked_out(jobs, detail="full")
    screening = _screening(read.reports)
    return Made(map=found.map if found else None, reason=reason, screening=screening, read=read)


def _patient(reports: list[DoseReport]) -> Patient:
    """The one patient of all reports, facts missing in one filled from another."""
    numbers = {report.patient.id for report in reports if report.patient.id}
    if len(numbers) > 1:
        raise InputError(
            field="reports",
            given=f"{len(numbers)} patients",
            accepted="reports of one patient; their skin doses are never added",
        )
    told: dict[str, Any] = {}
    for report in reports:
        for name in ("height_cm", "weight_kg", "sex"):
            told.setdefault(name, None)
            told[name] = told[name] if told[name] is not None else getattr(report.patient, name)
    return Patient(**told)


def _by_study(reports: list[DoseReport]) -> list[tuple[list[IrradiationEvent], str | None]]:
    """The unique events of each study and machine with the label of its procedure."""
    by_digest = {report.sha256: report for report in reports}
    groups: dict[tuple[str | None, ...], list[IrradiationEvent]] = {}
    labels: dict[tuple[str | None, ...], str | None] = {}
    for counted in merge_reports(reports).events:
        report = by_digest[counted.report_sha256]
        key = (report.report.study_instance_uid, report.equipment.serial, report.equipment.station)
        groups.setdefault(key, []).append(counted.event)
        labels.setdefault(key, report.procedure.label)
    ordered = sorted(groups.items(), key=lambda item: min((e.started_at or "" for e in item[1]), default=""))
    return [(events, labels[key]) for key, events in ordered]


def _screening(reports: list[DoseReport]) -> SkinRange | None:
    from dosetrack.radiation import radiation_account

    merged = merge_reports(reports)
    events = [counted.event for counted in merged.events]
    return estimated_skin_range(radiation_account(events, merged.stated, []), rough_geometry(events))


def _of_case(case_id: str, told: dict[str, Any], ledger: str | None, with_earlier: bool) -> Made:
    from dataclasses import replace

    workflow = opened_to_read(ledger)
    if with_earlier and told:
        fail(
            "--with-earlier takes each case as it was recorded; leave out the patient's options", WRONG_USAGE
        )
    try:
        view: SkinMapView
        if with_earlier:
            view = workflow.patient_skin_map(case_id)
        else:
            view = workflow.skin_map(case_id)
            if told:
                view = workflow.skin_map(case_id, setup_override=replace(view.setup, **told))
    except UnknownCaseError as error:
        fail(str(error), NO_SUCH_CASE)
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    return Made(map=view.map, reason=view.reason, screening=view.screening)


# many cases -----------------------------------------------------------------------------------


def _batch(
    first: str | None, last: str | None, *, ledger: str | None, workers: int | None, as_json: bool
) -> None:
    from dosetrack.cli._progress import progress_bar
    from dosetrack.services.skin_batch import skin_results

    if first and last and first > last:
        fail(f"--from {first} is after --to {last}", WRONG_USAGE)
    workflow = opened(ledger)
    with progress_bar("skin dose", unit="cases") as progress:
        found = list(
            skin_results(workflow, first_day=first, last_day=last, progress=progress, workers=workers)
        )
    if as_json:
        write_json({"cases": [result_document(one) for one in found], "cautions": list(CAUTIONS)})
        return
    for one in found:
        print(_line(one))


def result_document(result: SkinResult) -> dict[str, Any]:
    """One case of the batch, keys as for one map."""
    return {
        "id": result.case_id,
        "peak_skin_dose_mgy": result.peak_mgy,
        "range_mgy": None if result.low_mgy is None else [result.low_mgy, result.high_mgy],
        "peak_site": result.site,
        "mapped_fraction": result.mapped_fraction,
        "surface": result.surface,
        "reason": result.reason,
    }


def _line(result: SkinResult) -> str:
    from dosetrack.skin.wording import dose_words, range_words

    if result.peak_mgy is None or result.low_mgy is None or result.high_mgy is None:
        return f"{result.case_id}  no map: {result.reason}"
    return (
        f"{result.case_id}  {dose_words(result.peak_mgy)} "
        f"({range_words(result.low_mgy, result.high_mgy)})  {result.site}"
    )


# files ----------------------------------------------------------------------------------------


def _draw(made: Made, path: Path) -> None:
    if made.map is None:
        print(f"{path}: not drawn, there is no map", file=sys.stderr)
        return
    from dosetrack.reports.skin_picture import skin_picture

    _write(path, skin_picture(made.map))


def _write_arrays(made: Made, path: Path) -> None:
    if made.map is None:
        print(f"{path}: not written, there is no map", file=sys.stderr)
        return
    import io

    import numpy as np

    # The patient frame of the last case: origin at the isocentre while the table had not moved.
    found, surface = made.map, made.map.surface
    packed = io.BytesIO()
    np.savez_compressed(
        packed,
        dose_mgy=found.dose_mgy,
        points_mm=surface.points_mm - np.asarray(found.cases[-1].origin_mm),
        normals=surface.normals,
        area_mm2=surface.area_mm2,
    )
    _write(path, packed.getvalue())


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        fail(f"{path}: cannot be written ({error.strerror or error})", WRONG_USAGE)
