"""Any events at all give a case, and all their air kerma is accounted for."""

from __future__ import annotations

from math import fsum, inf, isfinite, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.model import PlacedCase
from dosetrack.skin.setup import SystemSetup
from tests.skin.placing_events import codes, events, placed

NUMBERS = st.none() | st.floats(-1000, 2000) | st.sampled_from([0.0, nan, inf, -inf, 1e308])
ANY_EVENT = st.builds(
    IrradiationEvent,
    uid=st.none() | st.sampled_from(["1", "2"]),
    plane=st.sampled_from(["single", "a", "b", None]),
    type=st.sampled_from(["fluoroscopy", "rotational", None]),
    started_at=st.none() | st.sampled_from(["2026-03-01T10:00:00", "2026-03-01T11:00:00+01:00", "later"]),
    dose_area_product_gycm2=NUMBERS,
    reference_air_kerma_mgy=st.none()
    | st.floats(-5, 5000, allow_subnormal=False)
    | st.sampled_from([nan, inf, 1e-300]),
    kvp=NUMBERS,
    filters=st.sampled_from([(), (Filter("copper", nan, 0.2),), (Filter(None, None, None),)]),
    primary_angle_deg=NUMBERS,
    secondary_angle_deg=NUMBERS,
    primary_end_angle_deg=NUMBERS,
    secondary_end_angle_deg=NUMBERS,
    source_to_isocenter_mm=st.just(750.0) | NUMBERS,
    source_to_detector_mm=st.just(1100.0) | NUMBERS,
    source_to_reference_point_mm=NUMBERS,
    reference_point=st.sampled_from([None, "1cm-above-table", "30cm-from-detector", "15cm-from-isocenter"]),
    table_longitudinal_mm=NUMBERS,
    table_lateral_mm=NUMBERS,
    table_height_mm=NUMBERS,
    table_longitudinal_end_mm=NUMBERS,
    table_y_to_isocenter_mm=NUMBERS,
    field_area_cm2=NUMBERS,
    field_height_mm=NUMBERS,
    field_width_mm=NUMBERS,
    patient_position=st.sampled_from([None, "HFS", "FFS", "HFP", "FFDL", "upside down"]),
    column_angulation_deg=NUMBERS,
    table_rotation_deg=st.none() | st.just(0.0) | NUMBERS,
    source_to_table_mm=NUMBERS,
)


def kerma_in(told: list[IrradiationEvent]) -> float:
    """All air kerma that can be [mGy]."""
    kermas = [one.reference_air_kerma_mgy for one in told]
    return fsum(k for k in kermas if k is not None and isfinite(k) and k > 0)


@settings(max_examples=150, deadline=None)
@given(told=st.lists(ANY_EVENT, max_size=6), frame=st.sampled_from(["patient", "machine"]))
def test_any_events_give_a_case_that_accounts_for_all_air_kerma(
    told: list[IrradiationEvent], frame: str
) -> None:
    case: PlacedCase = placed(told, system=SystemSetup(angle_frame=frame))  # type: ignore[arg-type]
    mapped = fsum(one.beam.reference_air_kerma_mgy for one in case.beams)
    missed = fsum(one.reference_air_kerma_mgy or 0.0 for one in case.not_mapped)
    assert mapped + missed == pytest.approx(kerma_in(told), rel=1e-9, abs=1e-9)
    zeros = sum(one.reference_air_kerma_mgy == 0 for one in told)
    assert case.zero_dose_events <= zeros
    parts = len({(one.uid, one.plane, one.started_at) for one in case.beams})
    assert parts + len(case.not_mapped) + case.zero_dose_events <= len(told)
    whole = kerma_in(told)
    assert case.mapped_fraction == (pytest.approx(mapped / whole, abs=1e-9) if whole > 0 else None)
    assert bool(case.not_mapped) <= any(
        code in ("events-not-mapped", "beam-impossible") for code in codes(case)
    )


@given(st.permutations(events({}, {"primary_angle_deg": 10.0}, {"table_lateral_mm": 20.0})))
def test_the_order_in_which_events_come_does_not_matter(told: list[IrradiationEvent]) -> None:
    assert placed(told).beams == placed(sorted(told, key=lambda one: one.started_at or "")).beams
