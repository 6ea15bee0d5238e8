"""Enhanced x-ray radiation dose reports (PS3.16 TID 10040 to 10054): what is read of them.

The enhanced report says each thing in a container of its own, and output, technique and geometry as
functions of time. Its accumulated dose (TID 10041) and event summaries (TID 10042) are unfolded here
into the shape of TID 10002 and 10003 and read as those, by code and coded unit: air kerma may come
in mGy. Irradiation details (TID 10043) stand for the events only where no summary is given; their
geometry is not used. TID 10041 names the x-ray source in words where TID 10002 has a coded plane.
Structure of TID 10042 from memory: every container inside is opened, wherever it stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.sr_items import ContentItem

ENHANCED_DOSE_REPORT = "1.2.840.10008.5.1.4.1.1.88.76"
_PARTS = frozenset({"accumulated_dose_data", "irradiation_event_summary_data", "irradiation_details"})
_KEPT_FOLDED = frozenset({"x_ray_filters", "calibration"})
"""Containers that the readers of totals and events open themselves."""


def is_enhanced(sop_class: str | None, items: Sequence[ContentItem]) -> bool:
    """Whether a dose report is an enhanced one, by its SOP class or by what its root contains."""
    return sop_class == ENHANCED_DOSE_REPORT or any(
        item.name is not None and item.name.key in _PARTS for item in items
    )


def unfolded(container: ContentItem) -> ContentItem:
    """`container` with the items of the containers inside it as its own, in their order."""
    return container._replace(children=list(_unfolded(container.children)))


def _unfolded(children: Sequence[ContentItem]) -> Iterator[ContentItem]:
    for child in children:
        key = child.name.key if child.name is not None else None
        is_container = child.value is None and child.unit is None and child.qualifier is None
        if is_container and child.children and key not in _KEPT_FOLDED:
            yield child._replace(children=[])
            yield from _unfolded(child.children)
        else:
            yield child


def exposures_of(events: Sequence[ContentItem], details: Sequence[ContentItem]) -> Sequence[ContentItem]:
    """The containers that tell the exposures: `events`, else those `details` that tell a dose."""
    return events or [detail for detail in details if any(map(_is_of_an_event, detail.children))]


def _is_of_an_event(item: ContentItem) -> bool:
    concept = item.name.concept if item.name is not None else None
    return concept is not None and concept.field is not None and "event" in concept.places


def of_the_details(details: Sequence[ContentItem], *, is_enhanced: bool) -> list[Finding]:
    """That the geometry of an enhanced report is not used."""
    return [finding(FindingCode.GEOMETRY_NOT_USED, count=len(details))] if is_enhanced else []
