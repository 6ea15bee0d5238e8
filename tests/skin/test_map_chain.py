"""Events of a report through placing, body and map: whatever is missing, the result is defined."""

from __future__ import annotations

from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.body import patient_surface
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.placing import placed_case
from dosetrack.skin.setup import PatientSetup, SystemSetup, TableAxes

VERIFIED = SystemSetup(
    table_axes=TableAxes(is_verified=True),
    calibration_factor=(("single", 1.05),),
    table_transmission=0.75,
    is_transmission_measured=True,
    table_half_width_mm=225.0,
    table_length_mm=2800.0,
    pad_mm=25.0,
    isocentre_height_mm=-80.0,
)
KNOWN = PatientSetup(
    height_cm=172.0, weight_kg=75.0, sex="M", position="HFS", region="abdomen", arms="raised"
)


def event(number: int, **given: object) -> IrradiationEvent:
    known: dict[str, object] = {
        "uid": f"1.{number}",
        "plane": "single",
        "type": "fluoroscopy",
        "started_at": f"2026-03-01T10:{number:02d}:00",
        "reference_air_kerma_mgy": 50.0,
        "dose_area_product_gycm2": 5.0,
        "kvp": 80.0,
        "filters": (Filter("copper", 0.2, 0.2),),
        "primary_angle_deg": 0.0,
        "secondary_angle_deg": 0.0,
        "source_to_isocenter_mm": 750.0,
        "source_to_detector_mm": 1100.0,
        "source_to_reference_point_mm": 600.0,
        "table_longitudinal_mm": 300.0,
        "table_lateral_mm": 10.0,
        "table_height_mm": -50.0,
        "field_width_mm": 160.0,
        "field_height_mm": 160.0,
        "patient_position": "HFS",
    }
    return IrradiationEvent(**{**known, **given})  # type: ignore[arg-type]


def mapped(events, *, system=VERIFIED, patient=KNOWN, spacing_mm=12.0, detail="full"):  # type: ignore[no-untyped-def]
    surface = patient_surface(patient, spacing_mm=spacing_mm)
    return skin_map(
        [placed_case(events, system=system, patient=patient, surface=surface)], surface, detail=detail
    )


def test_a_known_room_has_a_narrower_range_than_an_unknown_one() -> None:
    events = [event(n, primary_angle_deg=5.0 * n) for n in range(6)]
    known = mapped(events)
    unknown = mapped(events, system=SystemSetup(), patient=PatientSetup(height_cm=172.0, weight_kg=75.0))
    factors = [found.high_mgy / found.peak_mgy for found in (known, unknown)]
    # 13 % is the best that was published with all inputs controlled, 61 % the worst (Krajinovic et
    # al. 2021, abstract read); one report of an unknown room is near that end
    assert 1.13 < factors[0] < 1.30
    assert 1.45 < factors[1] < 1.75


def test_the_dose_under_the_table_by_hand() -> None:
    # on the axis, skin at pad height: the pad's top is 30 mm below the isocentre at the first event
    found = mapped([event(0, table_height_mm=-50.0)], spacing_mm=4.0)
    assert found.peak_mgy is not None
    # field of 10.5 cm on the skin; 80 kV, 3 mm Al, 0.2 mm Cu: 1.468 at 10 cm, 1.581 at 20 cm (computed
    # table of the physics sheet), in between about 1.475: (600/720)^2 x 0.75 x 1.05 x 1.475
    assert found.peak_mgy == pytest.approx(50 * (600 / 720) ** 2 * 0.75 * 1.05 * 1.475, rel=0.01)
    assert found.peak_site is not None
    assert "back" in found.peak_site


ODD = st.one_of(
    st.tuples(st.just("reference_air_kerma_mgy"), st.sampled_from([None, 0.0])),
    st.tuples(st.sampled_from(["primary_angle_deg", "secondary_angle_deg", "kvp"]), st.none()),
    st.tuples(st.just("primary_end_angle_deg"), st.floats(-180, 180)),
    st.tuples(
        st.sampled_from(
            [
                "source_to_isocenter_mm",
                "source_to_detector_mm",
                "source_to_reference_point_mm",
                "field_width_mm",
            ]
        ),
        st.one_of(st.none(), st.just(0.0), st.floats(50, 1500)),
    ),
    st.tuples(
        st.sampled_from(["table_height_mm", "table_longitudinal_mm", "table_lateral_mm"]),
        st.one_of(st.none(), st.floats(-400, 400)),
    ),
    st.tuples(st.just("kvp"), st.floats(40, 150)),
    st.tuples(st.just("patient_position"), st.sampled_from([None, "FFS", "HFP", "FFP", "HFDL"])),
)
"""Something missing or hard to believe in one event."""
ODD_EVENTS = st.lists(
    st.builds(
        lambda kerma, primary, secondary, odd: {
            "reference_air_kerma_mgy": kerma,
            "primary_angle_deg": primary,
            "secondary_angle_deg": secondary,
            **dict(odd),
        },
        st.floats(0.01, 500),
        st.floats(-100, 100),
        st.floats(-50, 50),
        st.lists(ODD, max_size=2),
    ),
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(
    given_events=ODD_EVENTS,
    height=st.one_of(st.none(), st.floats(60, 210)),
    weight=st.one_of(st.none(), st.floats(5, 200)),
)
def test_whatever_is_missing_the_result_is_defined(
    given_events: list[dict[str, object]], height: float | None, weight: float | None
) -> None:
    events = [event(n, **one) for n, one in enumerate(given_events)]
    found = mapped(
        events,
        system=SystemSetup(),
        patient=PatientSetup(height_cm=height, weight_kg=weight),
        spacing_mm=30.0,
    )
    assert sum(band.area_cm2 for band in found.bands) == pytest.approx(found.surface.area_mm2.sum() / 100)
    if found.peak_mgy is None:
        assert {"skin-nothing-placed", "skin-beams-miss-body"} & {f.code for f in found.findings}
        assert found.dose_mgy.max() == 0.0
        return
    assert found.low_mgy is not None
    assert found.high_mgy is not None
    assert 0 < found.low_mgy < found.peak_mgy < found.high_mgy
    assert isfinite(found.high_mgy)
    assert found.peak_mgy == found.dose_mgy.max()
    assert sum(one.peak_contribution_mgy for one in found.by_event) == pytest.approx(found.peak_mgy)
    assert found.mapped_fraction is not None
    assert 0 < found.mapped_fraction <= 1 + 1e-12
    is_lower = "skin-lower-estimate" in {f.code for f in found.findings}
    assert is_lower or found.mapped_fraction == pytest.approx(1.0)
    assert all(one.low_mgy <= one.high_mgy for one in found.influences)
