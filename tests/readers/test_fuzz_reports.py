"""Damaged reports are read or refused with a sentence: no crash, no hang, no number that is not in the file.

The numbers are held against pydicom, which reads the damaged file on its own: each number of ours must be
one it finds in the same container, in the unit written there, or the mean or sum of several.
"""

from __future__ import annotations

import io
import math
import time
import warnings
from collections import Counter
from itertools import combinations

import pydicom
import pytest
from mutants import bases, mutants
from pydicom.dataset import Dataset
from test_read_report import FACTORS

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template, read_content, read_report, read_report_after
from dosetrack.readers.codes import concepts
from dosetrack.records.report import DoseReport, DoseTotal, IrradiationEvent
from dosetrack.units import unit_factor

MOST_SECONDS = 10.0
"""For one mutant in the long run: a guard against work that grows without bound, not a measurement."""
FIELDS = {field for field, _ in FACTORS.values()}
REPORTS = {"rdsr", "enhanced-rdsr", "patient-rdsr"}
FROM_TOTALS = {"source_to_reference_point_mm"}


def _raw(data: Dataset, tag: int) -> bytes:
    element = data.get_item(tag)
    value = getattr(element, "value", b"")
    return value if isinstance(value, bytes) else str(value or "").encode("latin-1", "replace")


def _text(data: Dataset, tag: int) -> str:
    return _raw(data, tag).strip(b" \0").decode("latin-1")


def _code(entry: Dataset) -> str:
    """Code value, long code value or URN code value: PS3.3 section 8.8."""
    return next((text for tag in (0x00080100, 0x00080119, 0x00080120) if (text := _text(entry, tag))), "")


def _numbers(container: Dataset) -> dict[str, list[float]]:
    """Field -> every number pydicom finds for it in `container`, in the house unit."""
    found: dict[str, list[float]] = {}
    for content in container.get("ContentSequence") or []:
        for name in content.get("ConceptNameCodeSequence") or []:
            concept = concepts().get((_code(name), _text(name, 0x00080102).upper()))
            if concept is None or concept.field is None or concept.kind is None:
                continue
            for measured in content.get("MeasuredValueSequence") or []:
                for unit in measured.get("MeasurementUnitsCodeSequence") or []:
                    factor = unit_factor(_code(unit), concept.kind)
                    if factor is not None:
                        for part in _raw(measured, 0x0040A30A).split(b"\\"):
                            try:
                                number = float(part.strip(b" \0").replace(b",", b"."))
                            except ValueError:
                                continue
                            found.setdefault(concept.field, []).append(number * factor.factor)
    return found


def _containers(data: bytes) -> dict[str, list[Dataset]] | None:
    """The containers pydicom finds by the code of their name; None where it cannot read the file."""
    found: dict[str, list[Dataset]] = {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            whole = pydicom.dcmread(io.BytesIO(data), force=True)
            for content in whole.ContentSequence:
                found.setdefault(_code(content.ConceptNameCodeSequence[0]), []).append(content)
            return found
    except Exception:  # whatever it says, it cannot serve as witness here
        return None


def _is_explained(number: float, candidates: list[float]) -> bool:
    """Whether `number` is one of `candidates`, or the mean or sum of some: the rest had no name or unit."""
    several = [some for size in range(1, len(candidates) + 1) for some in combinations(candidates, size)]
    told = [math.fsum(some) for some in several] + [math.fsum(some) / len(some) for some in several]
    return any(math.isclose(number, one, rel_tol=1e-12, abs_tol=1e-300) for one in told)


def _unexplained(ours: DoseReport, data: bytes) -> list[str] | None:
    """Numbers of ours that pydicom does not find; None where it finds other containers than ours."""
    theirs = _containers(data)
    if theirs is None:
        return None
    stated = [total for total in ours.totals if total.basis == "stated"]
    events, totals = theirs.get("113706", []), theirs.get("113702", [])
    if len(events) != len(ours.events) or len(totals) != len(stated):
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            of_totals = [_numbers(total) for total in totals]
            of_events = [_numbers(one) for one in events]
    except Exception:
        return None
    by_plane = {total.plane: numbers for total, numbers in zip(stated, of_totals, strict=True)}
    wrong = []
    for record, numbers in [
        *zip((*stated,), of_totals, strict=True),
        *zip(ours.events, of_events, strict=True),
    ]:
        wrong += _wrong(record, numbers, by_plane)
    return wrong


def _wrong(
    record: DoseTotal | IrradiationEvent,
    numbers: dict[str, list[float]],
    by_plane: dict[str, dict[str, list[float]]],
) -> list[str]:
    wrong = []
    for field in FIELDS:
        number = getattr(record, field, None)
        if number is None:
            continue
        candidates = numbers.get(field, [])[:8]
        if field in FROM_TOTALS and isinstance(record, IrradiationEvent):
            candidates += [one for total in by_plane.values() for one in total.get(field, [])]
        if field == "tube_current_ma":
            candidates += numbers.get("average_tube_current_ma", [])
        if not _is_explained(number, candidates):
            wrong.append(f"{field} {number!r} of {candidates}")
    return wrong


def _is_looked_at_again(data: bytes, ours: DoseReport, place: str) -> None:
    """What was read is refused neither by its template check nor when all of it is shown."""
    try:
        check, content = check_template(data, file="mutant"), read_content(data, file="mutant")
    except ReportRefusedError as refused:
        pytest.fail(f"{place}: read, then refused: {refused.reason}")
    assert check is None or ours.source == "rdsr", place
    assert (content is not None) == (ours.source in REPORTS), place


def run(seed: int, count: int, *, every: int, most_seconds: float | None = None) -> Counter[str]:
    """Read `count` mutants, each `every`th against pydicom; how many came out how."""
    held = [read_report_after(base.file(base.body), file="base", held=None).held for base in bases()]
    came: Counter[str] = Counter()
    for number, (kind, data) in enumerate(mutants(seed, count)):
        place = f"seed {seed}, mutant {number} ({kind})"
        started = time.monotonic()
        try:
            ours = read_report(data, file="mutant")
        except ReportRefusedError as refused:
            reason = refused.reason
        else:
            reason = None
        if reason is not None:
            assert reason.strip() and "\n" not in reason, place  # noqa: PT018
            came["refused"] += 1
            with pytest.raises(ReportRefusedError):
                read_report_after(data, file="mutant", held=held[number % len(held)])
            continue
        came["read"] += 1
        _is_looked_at_again(data, ours, place)
        # read after a whole report, whichever of its events are damaged here, it is the same report
        for earlier in held[number % 2 :: 2]:
            after = read_report_after(data, file="mutant", held=earlier)
            assert after.report == ours, place
            came["taken over"] += after.taken
        if most_seconds is not None:
            assert time.monotonic() - started < most_seconds, place
        if came["read"] % every == 0:
            wrong = _unexplained(ours, data)
            came["no witness" if wrong is None else "compared"] += 1
            assert not wrong, f"{place}: {wrong}"
    return came


def test_the_bases_are_read_as_pydicom_reads_them() -> None:
    for base in bases():
        data = base.file(base.body)
        assert _unexplained(read_report(data, file="base"), data) == []
        assert len(base.elements) > 700


def test_mutants_are_read_or_refused_and_no_number_is_wrong() -> None:
    came = run(seed=5, count=2000, every=6)
    assert min(came["read"], came["refused"]) > 300  # both ways out are met
    assert came["compared"] > 40
    assert came["taken over"] > 100


@pytest.mark.long
def test_many_mutants_are_read_or_refused_and_no_number_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    came: Counter[str] = Counter()
    for seed in range(100, 122):
        came += run(seed=seed, count=1000, every=2, most_seconds=MOST_SECONDS)
        with capsys.disabled():
            print(f"seed {seed}: {dict(came)}", flush=True)
    assert came["read"] + came["refused"] == 22_000
    assert came["compared"] > 2000
