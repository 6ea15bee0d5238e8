"""The running case of a room as a gateway may see it: numbers and prompts, the person only where granted."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from dosetrack.alerts import Prompt, to_decide
from dosetrack.radiation import Tally

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView, Grant


def room_document(workflow: Workflow, grant: Grant, *, now: datetime) -> dict[str, Any]:
    """What `grant` may know of its room."""
    case_id = workflow.case_on(grant.room)
    view = workflow.case_view(case_id) if case_id is not None else None
    return {
        "room": grant.room,
        "now": _time(now),
        "position": view.position if view is not None else workflow.position(),
        "case": case_document(workflow, view, grant) if view is not None else None,
        "waiting": [
            {
                "entry_id": held.entry_id,
                "case_id": held.case_id,
                "sent_by": held.sent.feed,
                "happened_at": _time(held.at),
                "questions": list(held.sent.questions),
            }
            for held in workflow.held_in_room(grant.room)
        ],
    }


def case_document(workflow: Workflow, view: CaseView, grant: Grant) -> dict[str, Any]:
    """One case: totals as displayed, levels reached, prompts to decide, age of each feed."""
    case, radiation, feeds = view.case, view.radiation, view.feeds
    ages = (*feeds.ages, *workflow.silent_feeds(grant.room, feeds.ages))
    document: dict[str, Any] = {
        "case_id": case.id,
        "state": case.state.value,
        "started_at": case.started_at,
        "planes": [
            {
                "plane": plane.plane,
                "reference_air_kerma_mgy": _shown(plane.reference_air_kerma_mgy),
                "dose_area_product_gycm2": _shown(plane.dose_area_product_gycm2),
                "fluoroscopy_time_s": _shown(plane.fluoroscopy_time_s),
            }
            for plane in radiation.planes
        ],
        "dose_area_product_gycm2": _shown(radiation.dose_area_product_gycm2),
        "fluoroscopy_time_s": _shown(radiation.fluoroscopy_time_s),
        "contrast_ml": view.summary.contrast_ml,
        "iodine_g": view.summary.iodine_g,
        "contrast_headline": view.kidney.headline,
        "levels": [
            {
                "lane": level.lane,
                "quantity": level.quantity,
                "plane": level.plane,
                "name": level.name,
                "value": level.value,
                "level": level.level,
                "source": level.source,
            }
            for level in view.levels
        ],
        "prompts": [prompt_document(prompt) for prompt in to_decide(view.prompts)],
        "feeds": [
            {"kind": age.kind, "name": age.name, "last_at": _time(age.last_at) if age.last_at else None}
            for age in ages
        ],
        "is_stale": feeds.is_stale,
    }
    if grant.sees_patient:
        document["patient"] = {"id": case.patient.id, "name": case.patient.name}
    return document


def prompt_document(prompt: Prompt) -> dict[str, Any]:
    """A prompt as a gateway gets it."""
    return {
        "prompt_id": prompt.id,
        "lane": prompt.lane,
        "priority": prompt.priority,
        "headline": prompt.headline,
        "say": prompt.say,
        "raised_at": _time(prompt.raised_at),
    }


def _shown(tally: Tally) -> float | None:
    return tally.displayed.value if tally.displayed is not None else None


def _time(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")
