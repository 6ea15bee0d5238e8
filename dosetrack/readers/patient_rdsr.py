"""Patient radiation dose reports (PS3.16 TID 10030 to 10034): estimates, told as findings.

They are made by software after the fact: organ or skin doses by some model and method. They are no
totals of the machine and become none; each estimate is one finding, in the number and unit sent.
Methods stand where TID 10033 has them; the rest of the structure inside an estimate is from memory,
so every number with a unit of dose inside it is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.codes import Code
from dosetrack.readers.header import Header
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import ContentItem
from dosetrack.readers.text import TextDecoder
from dosetrack.records.report import DoseReport

_UNITS = ("Gy", "Sv")
_METHODS = (
    "radiation_dose_estimate_methodology",
    "radiation_dose_estimate_method",
    "radiation_dose_estimate_method_type",
    "patient_model_type",
    "radiation_transport_model_type",
)
_PLACES = ("finding_site", "target_region")


@dataclass(frozen=True, slots=True)
class _Estimate:
    """What holds for the numbers below: the name of the estimate, where, by which method and model."""

    name: str | None = None
    place: str | None = None
    methods: tuple[str, ...] = ()


def patient_report(source: Source, header: Header, items: Sequence[ContentItem]) -> DoseReport:
    """The patient dose report whose root holds `items`: identity, and estimates as findings."""
    estimates = [found for item in items for found in _estimates([item], _Estimate(), header.decoder)]
    report = DoseReport(
        file=source.file,
        sha256=source.sha256,
        source="patient-rdsr",
        report=source.identified(header.identity()),
        patient=header.patient(),
        equipment=header.equipment({}),
        procedure=header.procedure(protocol=header.text(0x00181030), started_at=None, ended_at=None),
        operators=header.names(0x00081050) or header.names(0x00081070),
    )
    findings = (
        *header.findings,
        *source.findings(),
        *(estimates or [finding(FindingCode.PATIENT_DOSE_NONE)]),
        *header.guessed_text(),
    )
    return replace(report, findings=findings)


def _estimates(items: Sequence[ContentItem], above: _Estimate, decoder: TextDecoder) -> Iterator[Finding]:
    """A finding for each dose among `items` and below; what stands beside a number describes it."""
    here = _described(items, above, decoder)
    for item in items:
        if item.unit is not None and _is_dose(item.unit):
            yield _told(item, _described(item.children, here, decoder), decoder)
        elif item.children:
            yield from _estimates(item.children, here, decoder)


def _is_dose(unit: Code) -> bool:
    return unit.value.endswith(_UNITS) and unit.scheme in ("UCUM", "")


def _described(items: Sequence[ContentItem], above: _Estimate, decoder: TextDecoder) -> _Estimate:
    name, place, methods = above.name, above.place, list(above.methods)
    for item in items:
        key = item.name.key if item.name is not None else None
        text = _text(item, decoder)
        if key == "radiation_dose_estimate_name":
            name = text or name
        elif key in _PLACES:
            place = text or place
        elif key in _METHODS:
            below = _described(item.children, _Estimate(), decoder).methods
            methods += [word for word in (text, *below) if word and word not in methods]
        elif key == "patient_radiation_dose_model":  # TID 10033 row 5
            methods += _described(item.children, _Estimate(), decoder).methods
    return _Estimate(name, place, tuple(methods))


def _text(item: ContentItem, decoder: TextDecoder) -> str | None:
    if isinstance(item.value, Code):
        return decoder.text(item.value.meaning) or item.value.value
    return decoder.text(item.value) if item.value is not None else None


def _told(item: ContentItem, about: _Estimate, decoder: TextDecoder) -> Finding:
    quantity = "dose"
    if item.name is not None:
        concept = item.name.concept
        quantity = concept.name if concept is not None else decoder.text(item.name.meaning) or item.name.value
    raw = decoder.text(item.value) if isinstance(item.value, bytes) else None
    if about.name is not None:
        quantity = f"{about.name}, {quantity}"
    assert item.unit is not None
    return finding(
        FindingCode.PATIENT_DOSE_ESTIMATE,
        quantity=quantity,
        place=f" of {about.place}" if about.place else "",
        value=raw or "not known",
        unit=item.unit.value,
        method=f" ({'; '.join(about.methods)})" if about.methods else "",
    )
