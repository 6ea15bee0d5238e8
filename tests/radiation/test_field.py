"""Focal spot to reference point: as sent where plausible, else by the definition of the point."""

from __future__ import annotations

import pytest

from dosetrack.radiation.field import reference_distance_mm
from dosetrack.records.report import IrradiationEvent


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        pytest.param({"source_to_reference_point_mm": 620.0}, 620.0, id="as sent"),
        pytest.param({"source_to_reference_point_mm": 62.0}, 600.0, id="as sent cannot be"),
        # DICOM CID 10025: 113860 is 15 cm from the isocentre, 113861 is 30 cm before the image receptor
        pytest.param({"reference_point": "15cm-from-isocenter"}, 600.0, id="from the isocentre"),
        pytest.param({"reference_point": "30cm-from-detector"}, 700.0, id="before the receptor"),
        pytest.param({}, 600.0, id="nothing told"),
        pytest.param({"source_to_isocenter_mm": None}, None, id="no distance at all"),
    ],
)
def test_reference_distance(facts: dict[str, object], expected: float | None) -> None:
    told = {"source_to_isocenter_mm": 750.0, "source_to_detector_mm": 1000.0} | facts
    assert reference_distance_mm(IrradiationEvent(**told)) == expected  # type: ignore[arg-type]
