"""X-ray filters as header attributes tell them: lists of materials and of thicknesses, side by side."""

from __future__ import annotations

from collections.abc import Mapping

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.codes import words_by_name
from dosetrack.readers.elements import Span
from dosetrack.readers.header import Header
from dosetrack.readers.header_attributes import AttributeReader
from dosetrack.records.report import Filter

_TYPE = 0x00181160
_MATERIAL = 0x00187050
_NONE = ("NONE", "NO FILTER")


def filters_of(
    header: Header, numbers: AttributeReader, elements: Mapping[int, Span], *, event_uid: str | None
) -> tuple[tuple[Filter, ...], list[Finding]]:
    """(the filters told in `elements`, findings about them); thicknesses go by place with materials."""
    told = dict(elements)
    if header.word(_TYPE, told) in _NONE:
        return (), []
    materials = header.words(_MATERIAL, told)
    least = numbers.values("filter_min_mm", told)
    greatest = numbers.values("filter_max_mm", told)
    if materials:  # a list of another length does not say which material it is of
        least = least if len(least) == len(materials) else []
        greatest = greatest if len(greatest) == len(materials) else []
    names = words_by_name("filter_material")
    filters, findings = [], []
    for index in range(max(len(materials), len(least), len(greatest))):
        sent = materials[index] if index < len(materials) else ""
        if sent in _NONE:
            continue
        one = Filter(
            material=names.get(sent.casefold(), sent.lower()) or None,
            min_mm=least[index] if index < len(least) else None,
            max_mm=greatest[index] if index < len(greatest) else None,
        )
        if one.min_mm is not None and one.max_mm is not None and one.min_mm > one.max_mm:
            facts = {"least": one.min_mm, "greatest": one.max_mm, "count": 1, "of": 1}
            findings.append(finding(FindingCode.FILTER_THICKNESS_REVERSED, event_uid=event_uid, **facts))
        filters.append(one)
    return tuple(filters), findings
