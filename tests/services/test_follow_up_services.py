"""Maps for decisions after an ingest and in a server; the list of deaths; the invented history."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dosetrack.errors import InputError
from dosetrack.exchange.department import follow_up_history
from dosetrack.records.entries import Creatinine
from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.records.report import Patient
from dosetrack.services.follow_up_settle import MapSettler, settle_maps
from dosetrack.services.patient_index import FileOfDeaths, ask_patient_index
from dosetrack.workflow import SYSTEM, Workflow, open_workflow
from tests.workflow.invented import Clock, dose_report
from tests.workflow.skin_cases import straight_event


@pytest.fixture
def workflow(tmp_path: Path) -> Iterator[Workflow]:
    opened = open_workflow(f"sqlite:///{tmp_path / 'ledger.sqlite'}", create=True, clock=Clock())
    yield opened
    opened.ledger.close()


def take_in(workflow: Workflow, number: int, kerma: float) -> str:
    shot = replace(straight_event(number, kerma=kerma), started_at="2026-03-01T09:00:00")
    data = dose_report(
        f"s{number}",
        [shot],
        accession=f"S-{number}",
        study=f"1.2.826.0.1.3680043.10.999.9.{number}",
        started="2026-03-01T09:00:00",
    )
    return workflow.take_in_bytes(data, file=f"{number}.dcm").case_id


def test_only_cases_that_matter_get_a_map(workflow: Workflow) -> None:
    """By air kerma alone 2.4 Gy may pass 3 Gy of skin dose; 0.1 Gy never comes near half of it."""
    high = take_in(workflow, 1, 2400.0)
    workflow.take_in_bytes(
        dose_report(
            "low", [straight_event(9, kerma=100.0)], accession="L", study="1.2.3.9", patient=Patient(id="P9")
        ),
        file="low.dcm",
    )
    told: list[tuple[int, int]] = []
    assert settle_maps(workflow, progress=lambda done, of: told.append((done, of))) == 1
    assert told == [(1, 1)]
    assert workflow.skin_result(high) is not None
    assert settle_maps(workflow) == 0


def test_a_server_settles_what_comes_and_what_was_left(workflow: Workflow) -> None:
    first = take_in(workflow, 1, 2400.0)
    settler = MapSettler(workflow)
    assert settler.step() == 1
    assert workflow.skin_result(first) is not None
    assert settler.step() == 0
    second = take_in(workflow, 2, 2600.0)
    assert settler.step(at_most=5) >= 1
    assert workflow.skin_result(second) is not None


def test_list_of_deaths_is_asked_by_number_and_issuer(tmp_path: Path) -> None:
    path = tmp_path / "deaths.csv"
    path.write_text("patient_id,patient_issuer,died_on\nP1,INVENTED,2026-03-10\nP2,,2028-02-29\n")
    found = FileOfDeaths(path).died([("P1", "INVENTED"), ("P1", "OTHER"), ("P2", "ANY"), ("P3", None)])
    assert found == {("P1", "INVENTED"): "2026-03-10", ("P2", "ANY"): "2028-02-29"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("patient_id,died_on\nP1,2026-03-10\n", "no column patient_issuer"),
        ("patient_id,patient_issuer,died_on\nP1,,2026-02-29\n", "line 2"),
        (None, "No such file"),
    ],
)
def test_a_list_that_cannot_be_read_says_what_is_wrong(tmp_path: Path, text: str | None, said: str) -> None:
    path = tmp_path / "deaths.csv"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=said):
        FileOfDeaths(path).died([("P1", None)])


def test_the_setting_names_the_list(workflow: Workflow, tmp_path: Path) -> None:
    ask_patient_index(workflow)
    assert workflow.patient_index is None
    path = tmp_path / "deaths.csv"
    path.write_text("patient_id,patient_issuer,died_on\n")
    workflow.change_setting(
        key="follow_up.deaths_file",
        scope="site",
        value=str(path),
        valid_from="2026-01-01",
        actor=SYSTEM,
        reason="invented",
    )
    ask_patient_index(workflow)
    assert workflow.call_list().deaths_checked.startswith("Deaths checked: list of deaths deaths.csv, as of ")


@pytest.mark.parametrize("number", range(40))
def test_invented_histories_stand_still_and_end_before_today(number: int) -> None:
    decided = FollowUpDecided("skin", "follow-up", (), ("2026-03-16", "2026-04-01"), "society", 0, "0")
    until = date(2026, 3, 30)
    first = follow_up_history(decided, case_key=str(number), until=until)
    assert first == follow_up_history(decided, case_key=str(number), until=until)
    assert all(step.happened_at.date() < until for step in first)
    kidney = FollowUpDecided("kidney", "follow-up", (), ("2026-03-04", "2026-03-05"), "society", 0, "0")
    baseline = Creatinine("1.0", "mg/dL", "2026-03-01")
    assert all(
        "Invented" in step.actor.name
        for step in follow_up_history(kidney, case_key=str(number), until=until, baseline=baseline)
    )
