"""The total filtration of an event: inherent part, aluminium and copper, what is left out."""

from __future__ import annotations

import pytest

from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.filtration import filter_findings, filtration_of
from dosetrack.skin.quality import quality_doubt
from dosetrack.tables import constants, rows


def event(*filters: Filter) -> IrradiationEvent:
    return IrradiationEvent(uid="1.2.3", filters=filters)


def keys(*filters: Filter) -> list[str]:
    return [one.key for one in filtration_of(event(*filters)).assumed]


def test_added_filters_come_on_top_of_an_assumed_inherent_one() -> None:
    al_mm, cu_mm, assumed = filtration_of(event(Filter("copper", 0.2, 0.2), Filter("aluminium", 1.0, 1.0)))
    assert (al_mm, cu_mm) == (4.0, 0.2)
    assert [one.text for one in assumed] == ["inherent filtration 3 mm Al (2.5 to 3.5; not reported)"]
    assert filter_findings(event(Filter("copper", 0.2, 0.2))) == ()


def test_two_filters_of_one_material_add() -> None:
    assert filtration_of(
        event(Filter("copper", 0.1, 0.1), Filter("copper", 0.2, 0.2))
    ).cu_mm == pytest.approx(0.3)


def test_no_filter_told_is_said_and_leaves_the_quality_in_doubt() -> None:
    told = filtration_of(event())
    assert (told.al_mm, told.cu_mm) == (3.0, 0.0)
    assert [one.key for one in told.assumed] == ["inherent-filtration", "beam-quality"]
    assert quality_doubt(told.assumed) >= constants("skin_factors")["doubt_beam-quality"].number


def test_a_wedge_counts_with_its_thin_end() -> None:
    told = filtration_of(event(Filter("copper", 0.1, 0.3)))
    assert told.cu_mm == 0.1
    assert "copper filter of 0.1 to 0.3 mm counted with its thin end" in [one.text for one in told.assumed]
    assert filtration_of(event(Filter("copper", 0.3, 0.1))).cu_mm == 0.1  # ends exchanged


def test_one_end_told_is_enough() -> None:
    assert filtration_of(event(Filter("copper", None, 0.3))).cu_mm == 0.3
    assert filtration_of(event(Filter("copper", 0.3, None))).cu_mm == 0.3


MATERIALS = sorted({row["word"] for row in rows("code_values") if row["set"] == "filter_material"})


@pytest.mark.parametrize("material", [*MATERIALS, "gadolinium", "a word of the report's own"])
def test_another_material_is_a_finding_and_an_assumption(material: str) -> None:
    one = Filter(material, 0.05, 0.05)
    if material in ("aluminium", "copper"):
        assert filter_findings(event(one)) == ()
        return
    told, found = filtration_of(event(one)), filter_findings(event(one))
    assert (told.al_mm, told.cu_mm) == (3.0, 0.0)
    assert f"filter of {material} left out" in [said.text for said in told.assumed]
    assert [(item.code, item.event_uid) for item in found] == [("filter-material-not-in-table", "1.2.3")]
    assert material in found[0].text
    assert quality_doubt(told.assumed) > quality_doubt(
        filtration_of(event(Filter("copper", 0.1, 0.1))).assumed
    )


def test_a_filter_of_no_thickness_says_nothing() -> None:
    assert keys(Filter("lead", 0.0, 0.0)) == ["inherent-filtration"]
    assert filter_findings(event(Filter("lead", 0.0, 0.0))) == ()


@pytest.mark.parametrize(
    "one",
    [Filter("copper", None, None), Filter("copper", -0.1, 0.2), Filter("aluminium", float("nan"), 1.0)],
    ids=str,
)
def test_a_thickness_that_cannot_be_used_is_a_finding(one: Filter) -> None:
    assert filtration_of(event(one))[:2] == (3.0, 0.0)
    assert keys(one) == ["inherent-filtration", "filter-material"]
    assert [found.code for found in filter_findings(event(one))] == ["filter-thickness-not-usable"]


def test_a_material_not_told_is_not_taken_for_one() -> None:
    assert filtration_of(event(Filter(None, 0.2, 0.2))).cu_mm == 0
    assert "unknown material" in filter_findings(event(Filter(None, 0.2, 0.2)))[0].text
