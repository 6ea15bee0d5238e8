"""What the papers of one case are written from, gathered at one ledger position."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from dosetrack.cases import CaseState
from dosetrack.errors import InputError
from dosetrack.followup import decide_kidney, decide_skin
from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.tables import edition
from dosetrack.times import zone_named
from dosetrack.version import VERSION
from dosetrack.workflow.follow_up_case import settings_of_day
from dosetrack.workflow.follow_up_facts import kidney_facts_of, skin_facts_of
from dosetrack.workflow.reading import Reading
from dosetrack.workflow.skin_maps import SkinMaps

if TYPE_CHECKING:  # the papers bring the PDF library only where they are made
    from dosetrack.reports.case_paper import CasePaper, SkinFacts, TimelineLine
    from dosetrack.workflow.results import CaseView


class Papers(Reading, SkinMaps):
    """Calls that gather what is printed."""

    def case_document(self, case_id: str, *, printed_at: datetime | None = None) -> CasePaper:
        """Everything the papers of one case say. UnknownCaseError when there is none with this id.

        Parameters
        ----------
        printed_at : zone-aware; None: now
        """
        from dosetrack.reports.case_paper import CasePaper

        view = self.case_view(case_id)
        return CasePaper(
            case=view.case,
            radiation=view.radiation,
            kidney=view.kidney,
            levels=view.levels,
            prompts=view.prompts,
            findings=view.findings,
            differences=view.reconciliation.differences,
            undecided=view.reconciliation.undecided,
            timeline=_timeline(view),
            earlier_cases=len(view.earlier.radiation),
            earlier_days=view.earlier.radiation_days,
            skin=self._skin_facts(case_id),
            settings=view.settings,
            zone=zone_named(view.time_zone),
            position=view.position,
            printed_at=printed_at or self._clock(),
            software_version=VERSION,
            tables_edition=edition(),
            by_the_rules=self._by_the_rules(view),
        )

    def _by_the_rules(self, view: CaseView) -> tuple[FollowUpDecided, ...]:
        """What the rules say of an ended case today; where nothing is due nothing is recorded."""
        if view.case.state not in (CaseState.ENDED, CaseState.CLOSED):
            return ()
        today = self._clock().astimezone(zone_named(view.time_zone)).date()
        with self.ledger.reading() as reader:
            settings = settings_of_day(reader, view.case)
            skin = skin_facts_of(reader, view.case, settings)
            kidney = kidney_facts_of(reader, view.case, settings)
        return (
            *((decide_skin(skin, settings, on=today),) if skin else ()),
            *((decide_kidney(kidney, settings, on=today),) if kidney else ()),
        )

    def _skin_facts(self, case_id: str) -> SkinFacts:
        from dosetrack.reports.case_paper import SkinFacts

        try:
            found = self.skin_map(case_id)
        except InputError as error:  # the table axes of its room contradict each other
            return SkinFacts(
                map=None, reason=str(error), screening=None, setup=PatientSetup(), system=SystemSetup()
            )
        return SkinFacts(
            map=found.map,
            reason=found.reason,
            screening=found.screening,
            setup=found.setup,
            system=found.system,
        )


def _timeline(view: CaseView) -> tuple[TimelineLine, ...]:
    from dosetrack.reports.case_paper import TimelineLine

    return tuple(
        TimelineLine(
            at=row.at,
            text=row.text,
            by=row.by.name,
            role=row.by.role.value,
            reason=row.reason,
            is_replaced=row.replaced_by is not None,
        )
        for row in view.timeline
    )
