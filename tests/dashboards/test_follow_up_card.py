"""The call card on a real workflow: what it shows, and what each act records or refuses."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from dashboards import follow_up_acts as acts
from dashboards import follow_up_effects as fe
from dashboards.components import call_card
from dashboards.pages import follow_up_card
from dosetrack.followup.items import FollowUpItem, FollowUpState
from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.skin.grades import SCALE
from dosetrack.workflow import Workflow

from .conftest import SteppedClock
from .follow_up_fixtures import ended, pass_days
from .test_follow_up_page import words

WHO = "Cleo (invented)"


@pytest.fixture
def case_id(workflow: Workflow, clock: SteppedClock) -> str:
    return ended(workflow, clock, contrast_ml=260.0)


def card(workflow: Workflow, case_id: str) -> str:
    return " ".join(words(follow_up_card.layout(workflow, {"case": case_id})))


def skin_item(workflow: Workflow, case_id: str) -> Any:
    return workflow.follow_up_item(case_id, "skin")


def test_two_identifiers_stand_before_anything_else(workflow: Workflow, case_id: str) -> None:
    said = card(workflow, case_id)
    assert said.index(call_card.IDENTIFY) < said.index("Olga Moreira") < said.index("1955-03-02")
    assert said.index("1955-03-02") < said.index("Ka,r")
    assert "interpreter" in said
    assert "none asked for on record" in said


def test_a_case_without_items_says_so(workflow: Workflow, clock: SteppedClock) -> None:
    quiet = ended(workflow, clock, kerma_mgy=200.0)
    assert follow_up_card.NO_ITEM in card(workflow, quiet)


def test_the_skin_part_names_the_doctor_of_the_setting(workflow: Workflow, case_id: str) -> None:
    said = " ".join(words(follow_up_card.skin_part(workflow, case_id)))
    assert call_card.URGENT_MISSING in said
    workflow.change_setting(
        key="document.urgent_contact", scope="site", value="Dr Almeida (invented), 555 0199",
        valid_from="2026-01-01", actor=acts.checked_actor(WHO, "lead")[0], reason="test",
    )  # fmt: skip
    assert "Dr Almeida (invented), 555 0199" in " ".join(words(follow_up_card.skin_part(workflow, case_id)))


def test_without_a_map_the_possible_range_and_no_drawing(workflow: Workflow, case_id: str) -> None:
    said = " ".join(words(follow_up_card.skin_part(workflow, case_id)))
    assert "possible range" in said
    assert "from air kerma alone" in said
    assert "Predicted: not known." in said


def item(day: str) -> FollowUpItem:
    decided = FollowUpDecided("skin", "follow-up", (), (), "society", 0, "0")
    at: Any = None
    return FollowUpItem("1", "skin", decided, at, FollowUpState.TO_CALL, is_open=True, day=day)


# weeks and effects: Balter et al. 2010 as adapted in a JACC guideline, table 5; phases overlap
@pytest.mark.parametrize(
    ("on", "dose", "expected"),
    [
        ("2026-03-08", (3000.0, 4000.0), [("2 to 5 Gy", "prompt, weeks 0 to 2", "transient erythema")]),
        ("2026-04-20", (3000.0, 4000.0), [("2 to 5 Gy", "early, weeks 2 to 8", "epilation possible"),
                                          ("2 to 5 Gy", "midterm, weeks 6 to 52", "hair regrows")]),
        ("2026-03-30", (4000.0, 6000.0), [("2 to 5 Gy", "early, weeks 2 to 8", "epilation possible"),
                                          ("5 to 10 Gy", "early, weeks 2 to 8", "erythema; epilation")]),
    ],
    ids=["first week", "seventh week, two phases", "across an edge, two bands"],
)  # fmt: skip
def test_bands_by_dose_and_time(on: str, dose: tuple[float, float], expected: list[Any]) -> None:
    known = fe.KnownDose(*dose, "invented")
    found = fe.expected(item("2026-03-02"), known, on=date.fromisoformat(on))
    assert list(found.rows) == expected


def test_bands_name_their_sources_and_where_these_differ() -> None:
    found = fe.expected(item("2026-03-02"), fe.KnownDose(None, None, "not known"), on=date(2026, 3, 9))
    assert found.rows == ()
    said = " ".join(found.notes)
    assert "no prediction for this person" in said
    assert "weeks 8 to 40" in said
    assert "U.S. Food and Drug Administration 1994" in said


# acts ------------------------------------------------------------------------------------


def call(workflow: Workflow, case_id: str, **changes: Any) -> acts.Said:
    told = {"outcome": "reached", "note": None, "next_on": None, "who": WHO, **changes}
    return acts.call(workflow, [f"{case_id}|skin", f"{case_id}|kidney"], **told)


def test_one_call_is_kept_with_each_item_it_was_about(workflow: Workflow, case_id: str) -> None:
    assert call(workflow, case_id, note="all quiet", next_on="2026-12-24") == acts.Said(
        True, "Recorded: reached."
    )
    for kind in ("skin", "kidney"):
        one = workflow.follow_up_item(case_id, kind)
        assert one is not None
        assert [(a.outcome, a.note, a.next_on, a.by) for a in one.item.attempts] == [
            ("reached", "all quiet", "2026-12-24", WHO)
        ]
    assert "call: reached; all quiet; next step on 24 Dec 2026" in card(workflow, case_id)


@pytest.mark.parametrize(
    ("changes", "says"),
    [({"who": ""}, "Accepted: the name"), ({"next_on": "soon"}, "next step on")],
    ids=["no name", "no day"],
)
def test_a_call_that_cannot_be_kept_says_why(
    workflow: Workflow, case_id: str, changes: dict[str, str], says: str
) -> None:
    said = call(workflow, case_id, **changes)
    assert not said.is_done
    assert says in said.text
    assert skin_item(workflow, case_id).item.attempts == ()


def test_a_call_about_nothing_is_asked_about(workflow: Workflow) -> None:
    said = acts.call(workflow, [], outcome="reached", note=None, next_on=None, who=WHO)
    assert said == acts.Said(False, acts.ABOUT_MISSING)


def test_what_was_seen_is_kept_on_the_named_scale_against_the_predicted_place(
    workflow: Workflow, clock: SteppedClock, case_id: str
) -> None:
    pass_days(clock, 14)
    seen = acts.Seen(grade="2", place="right flank", is_predicted="no", photo="PX-1", urgent=["yes"])
    said = acts.see(workflow, case_id, seen, who=WHO)
    assert said.is_done
    assert "today" in said.text
    one = skin_item(workflow, case_id)
    kept = one.item.looks[0].seen
    assert (kept.grade, kept.scale, kept.place, kept.is_at_predicted_site) == (2, SCALE, "right flank", False)
    assert one.item.is_urgent
    shown = " ".join(words(follow_up_card.skin_part(workflow, case_id)))
    assert "right flank (not the predicted place)" in shown
    assert "photo PX-1" in card(workflow, case_id)


def test_an_estimate_needs_units_and_no_call_a_reason(workflow: Workflow, case_id: str) -> None:
    assert "unit" in acts.estimate(workflow, case_id, "call", acts.Estimated(peak="3.2"), who=WHO).text
    told = acts.Estimated(peak="3.2 Gy", low="2.1 Gy", high="4.9 Gy", method="film")
    assert not acts.estimate(workflow, case_id, "no call", told, who=WHO).is_done
    assert acts.estimate(workflow, case_id, "call", told, who=WHO).is_done
    estimate = skin_item(workflow, case_id).item.estimate
    assert (estimate.peak_skin_dose_mgy, estimate.low_mgy, estimate.high_mgy) == (3200.0, 2100.0, 4900.0)
    shown = " ".join(words(follow_up_card.skin_part(workflow, case_id)))
    assert "3.2 Gy, range 2.1–4.9 Gy, a physicist's estimate" in shown


def test_a_creatinine_is_kept_in_the_unit_of_the_laboratory(
    workflow: Workflow, clock: SteppedClock, case_id: str
) -> None:
    pass_days(clock, 3)
    said = acts.creatinine(
        workflow, case_id, value="1.10 mg/dL", taken_on="2026-11-27", is_sure=True, who=WHO
    )
    assert said.is_done
    assert workflow.case_view(case_id).case.creatinines[-1].value.value == "1.10"
    assert not acts.creatinine(workflow, case_id, value="x", taken_on=None, is_sure=False, who=WHO).is_done


def test_settling_asks_while_something_is_due_and_keeps_the_reason(workflow: Workflow, case_id: str) -> None:
    key = f"{case_id}|skin"
    told = {"is_opening": False, "reason": "seen by the family doctor", "who": WHO}
    asked = acts.end(workflow, key, is_sure=False, **told)
    assert not asked.is_done
    assert "Settle all the same?" in asked.text
    assert not acts.end(workflow, key, is_sure=True, **{**told, "reason": ""}).is_done
    assert acts.end(workflow, key, is_sure=True, **told) == acts.Said(True, "Settled.")
    assert "settled: seen by the family doctor" in card(workflow, case_id)
    again = acts.end(workflow, key, is_opening=True, reason="a blister", is_sure=False, who=WHO)
    assert again == acts.Said(True, "Opened again.")
    assert "Opened again: a blister" in card(workflow, case_id)


def test_contact_is_kept_and_a_day_of_death_stays(workflow: Workflow, case_id: str) -> None:
    call(workflow, case_id, outcome="deceased")
    reach = acts.Reach("555 0100", ("phone",), "", "Dr Brandt")
    assert acts.keep_contact(workflow, case_id, reach, who=WHO).is_done
    contact = skin_item(workflow, case_id).item.contact
    assert (contact.phone, contact.consents_to, contact.interpreter) == ("555 0100", ("phone",), None)
    assert contact.died_on == "2026-11-25"
    assert "The patient died on 2026-11-25: no call." in card(workflow, case_id)


def test_an_item_gets_an_owner(workflow: Workflow, case_id: str) -> None:
    assert acts.own(workflow, f"{case_id}|skin", owner=" Ines ", who=WHO).text == "Owner: Ines."
    assert skin_item(workflow, case_id).item.owner == "Ines"
