"""The range of peak skin dose of a case at this moment: from the map of what was reported, and the rest.

What the console shows beyond the reports held (a run since the last report) has no geometry. It could
all have gone to the patch of the peak, or none of it: the range takes in both.
"""

from __future__ import annotations

from dosetrack.cases import Case
from dosetrack.errors import InputError
from dosetrack.ledger import LedgerReader
from dosetrack.radiation import RadiationAccount
from dosetrack.skin.screening import SkinRange, estimated_skin_range, rough_geometry
from dosetrack.workflow.last_used import LastUsed
from dosetrack.workflow.results import SkinResult
from dosetrack.workflow.skin_jobs import job_of, result_of

_LEAST_MAPPED = 0.5
"""Below this share of the air kerma on the map the range from air kerma alone is the better one."""
_RESULTS_IN_MEMORY = 256


def skin_now(reader: LedgerReader, case: Case, account: RadiationAccount) -> SkinRange | None:
    """The range of peak skin dose; None while no air kerma is known."""
    events = [timed.counted.event for timed in case.events]
    screening = estimated_skin_range(account, rough_geometry(events))
    if screening is None or not any(event.primary_angle_deg is not None for event in events):
        return screening
    try:
        found = _result(reader, case)
    except InputError:  # the table axes of the room contradict each other; the map's own page says so
        return screening
    return with_map(screening, found, share_reported=_share_reported(account, events_mgy=_kerma(case)))


def with_map(screening: SkinRange, found: SkinResult, *, share_reported: float) -> SkinRange:
    """The range where events tell `share_reported` of the air kerma.

    The upper end adds what is not on the map as `screening` takes it: all on one spot. Where the map
    holds too little, `screening` itself.
    """
    if found.peak_mgy is None or found.low_mgy is None or found.high_mgy is None:
        return screening
    mapped = share_reported * (found.mapped_fraction or 0.0)
    if mapped < _LEAST_MAPPED:
        return screening
    beyond = screening.high_mgy * (1.0 - mapped)
    assumed = [f"skin dose map, {found.site}"]
    if mapped < 1.0:
        assumed.append(
            f"{1.0 - mapped:.0%} of the air kerma is not on the map; the upper end takes it on one spot"
        )
    return SkinRange(
        low_mgy=found.low_mgy, high_mgy=found.high_mgy + beyond, assumed=tuple(assumed), basis="map"
    )


def _kerma(case: Case) -> float:
    return sum(t.counted.event.reference_air_kerma_mgy or 0.0 for t in case.events)


def _share_reported(account: RadiationAccount, *, events_mgy: float) -> float:
    figures = [plane.reference_air_kerma_mgy.higher for plane in account.planes]
    known = sum(figure.value for figure in figures if figure is not None)
    return min(1.0, events_mgy / known) if known > 0 else 1.0


def _result(reader: LedgerReader, case: Case) -> SkinResult:
    job = job_of(reader, case)
    found = _RESULTS.get(job.made_from)
    if found is None:
        found = result_of(job)
        _RESULTS.remember(job.made_from, found)
    return found


_RESULTS: LastUsed[str, SkinResult] = LastUsed(_RESULTS_IN_MEMORY)
