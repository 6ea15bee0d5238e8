"""Study and machine are found in every encoding without reading the rest."""

from __future__ import annotations

import pytest
from rdsr_files import SYNTAXES, EventPlan, accumulated, event, report, saved

from dosetrack.readers.series import series_of

STUDY = "1.2.826.0.1.3680043.10.999.77"


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_in_every_encoding(syntax: str, undefined: bool) -> None:
    whole = report(
        [accumulated("single", {}), *(event(EventPlan(number=n)) for n in range(200))],
        StudyInstanceUID=STUDY, StationName="ROOM 1", DeviceSerialNumber="S1", Manufacturer="Invented",
    )  # fmt: skip
    data = saved(whole, syntax, undefined=undefined)
    assert series_of(data) == (STUDY.encode(), b"Invented", b"ROOM 1", b"S1")
    whole.StationName = "ROOM 2"
    del whole.DeviceSerialNumber
    assert series_of(saved(whole, syntax)) == (STUDY.encode(), b"Invented", b"ROOM 2", b"")
    del whole.StudyInstanceUID
    assert series_of(saved(whole, syntax)) is None
