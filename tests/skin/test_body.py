"""The patient's skin as patches: areas, normals, the flat map, the mesh, what is built, the sheet."""

from __future__ import annotations

from math import pi, sqrt
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ellipe

from dosetrack.errors import InputError
from dosetrack.skin.body import (
    back_y,
    front_y,
    pad_contact,
    pad_direction,
    patient_surface,
    sheet,
)
from dosetrack.skin.body_size import BodySize
from dosetrack.skin.model import Surface
from dosetrack.skin.sections import Tube, head, trunk, volume_litre
from dosetrack.skin.setup import Arms, BodyRegion, PatientSetup, Position
from dosetrack.skin.tube_patches import tube_patches

ADULT = PatientSetup(height_cm=170, weight_kg=70, sex="M", arms="beside")
NAMES = ("trunk", "neck", "head", "left leg", "right leg", "left arm", "right arm")


@pytest.fixture(scope="module")
def body() -> Surface:
    return patient_surface(ADULT)


def of_part(surface: Surface, name: str) -> np.ndarray:
    return surface.part == surface.parts.index(name)


def test_parts_by_region() -> None:
    def parts(region: BodyRegion | None) -> tuple[str, ...]:
        return patient_surface(PatientSetup(170, 70, region=region), spacing_mm=30).parts

    assert parts("head") == parts("neck") == parts("chest") == ("trunk", "neck", "head")
    assert parts("abdomen") == ("trunk",)
    assert parts("pelvis") == parts("legs") == ("trunk", "left leg", "right leg")
    assert parts(None) == NAMES[:5]


@pytest.mark.parametrize(("arms", "count"), [("beside", 2), ("raised", 0), ("unknown", 0)])
def test_arms_are_drawn_only_where_they_are_known_to_lie_beside(arms: Arms, count: int) -> None:
    surface = patient_surface(PatientSetup(170, 70, arms=arms), spacing_mm=30)
    assert sum("arm" in name for name in surface.parts) == count
    assert "arms" in [one.key for one in surface.assumed]


def test_patches_are_of_the_size_asked_for(body: Surface) -> None:
    assert len(body.points_mm) >= 20_000
    assert float(np.median(body.area_mm2)) == pytest.approx(64, rel=0.15)
    assert float(body.area_mm2.max()) < 1.1 * 64


def test_left_is_plus_x_head_is_plus_z_and_the_back_lies_at_zero(body: Surface) -> None:
    x, y, z = body.points_mm.T
    assert (x[of_part(body, "left leg")] > 0).all()
    assert (x[of_part(body, "right arm")] < 0).all()
    assert z[of_part(body, "head")].min() > z[of_part(body, "trunk")].max()
    assert z.max() == pytest.approx(1700, abs=3)
    assert back_y(body) == pytest.approx(0, abs=0.1)
    assert y.max() <= 0.05


def test_right_mirrors_left(body: Surface) -> None:
    for left, right in (("left leg", "right leg"), ("left arm", "right arm")):
        mirrored = body.points_mm[of_part(body, right)] * (-1, 1, 1)
        ours = body.points_mm[of_part(body, left)]
        order = [np.lexsort(np.round(points, 3).T) for points in (mirrored, ours)]
        assert mirrored[order[0]] == pytest.approx(ours[order[1]], abs=2e-3)


def test_normals_are_of_unit_length_and_point_outwards(body: Surface) -> None:
    assert np.linalg.norm(body.normals, axis=1) == pytest.approx(1)
    for name in NAMES:
        mask = of_part(body, name)
        centre = body.points_mm[mask].mean(axis=0)
        assert (np.einsum("ic,ic->i", body.normals[mask], body.points_mm[mask] - centre) > 0).all(), name


def test_normals_are_those_of_the_mesh(body: Surface) -> None:
    """Every triangle is anticlockwise from outside and looks the way its corners do."""
    corners = body.points_mm[body.triangles]
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(face, axis=1)
    assert (length > 0).all()
    cosine = np.einsum("ic,ikc->ik", face / length[:, None], body.normals[body.triangles])
    assert cosine.min() > 0.8
    assert float(np.quantile(cosine, 0.01)) > 0.98


def test_mesh_is_a_closed_band_for_each_part(body: Surface) -> None:
    """No edge in more than two triangles; one open ring at each end, none at the crown; no part joined."""
    triangles = body.triangles
    assert triangles.min() == 0
    assert triangles.max() == len(body.points_mm) - 1
    assert (body.part[triangles] == body.part[triangles][:, :1]).all()
    edges = np.sort(
        np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1
    )
    unique, count = np.unique(edges, axis=0, return_counts=True)
    assert count.max() == 2
    for name in NAMES:
        open_edges = unique[(count == 1) & of_part(body, name)[unique[:, 0]]]
        around = len(
            np.unique(np.round(body.unrolled_mm[of_part(body, name)][:, 1], 6), return_counts=True)[1]
        )
        rings = 1 if name == "head" else 2
        per_ring = of_part(body, name).sum() // around
        assert len(open_edges) == rings * per_ring, name


@pytest.mark.parametrize("spacing_mm", [8.0, 20.0])
def test_areas_of_a_cylinder_a_cone_and_a_dome_in_closed_form(spacing_mm: float) -> None:
    wide, deep = 90.0, 60.0
    straight = np.array([(0.0, 1.0, 0.0, -60.0), (400.0, 1.0, 0.0, -60.0)])
    patches = tube_patches(Tube("leg", wide, deep, straight), spacing_mm)
    assert patches.area.sum() == pytest.approx(4 * wide * ellipe(1 - (deep / wide) ** 2) * 400, rel=2e-3)
    cone = np.array([(0.0, 0.5, 0.0, 0.0), (300.0, 1.0, 0.0, 0.0)])
    patches = tube_patches(Tube("leg", 80.0, 80.0, cone), spacing_mm)
    assert patches.area.sum() == pytest.approx(pi * (40 + 80) * sqrt(300**2 + 40**2), rel=1e-3)
    # upper half a half sphere, lower half a spheroid of vertical half axis 80 / sqrt(1 - 0.75²) cut at 80
    dome = np.array([(0.0, 0.75, 0.0, 0.0), (160.0, 0.0, 0.0, 0.0)])
    patches = tube_patches(Tube("head", 80.0, 80.0, dome, is_top_closed=True), spacing_mm)
    whole = 2 * pi * 80**2 + _spheroid_zone(80, 80 / sqrt(1 - 0.75**2), 80)
    assert patches.area.sum() == pytest.approx(whole, rel=3e-3)


def _spheroid_zone(a: float, c: float, height: float) -> float:
    """Area of a prolate spheroid of axes a, a, c from its equator to `height` (integral in closed form)."""
    k = sqrt(c**2 - a**2) / c**2
    s = k * height
    return 2 * pi * a / k / 2 * (s * sqrt(1 - s**2) + np.arcsin(s))


def test_area_of_the_trunk_is_that_of_a_fine_mesh_of_flat_triangles() -> None:
    """Corners taken from the section curve, areas by cross products, against the sum of the patches."""
    tube, _ = trunk(BodySize(170, 70, "male"))
    z, scale, x, y = (column[:, None] for column in tube.at(np.linspace(0, 1, 801))[0].T)
    q = np.linspace(0, 2 * pi, 801)
    across, deep = x + scale * tube.half_width_mm * np.sin(q), y + scale * tube.half_depth_mm * np.cos(q)
    corner = np.stack(np.broadcast_arrays(across, deep, z), axis=-1)
    diagonals = corner[1:, 1:] - corner[:-1, :-1], corner[1:, :-1] - corner[:-1, 1:]
    exact = np.linalg.norm(np.cross(*diagonals), axis=-1).sum() / 2
    assert tube_patches(tube, 8).area.sum() == pytest.approx(exact, rel=1e-3)


def test_volume_inside_the_skin_is_the_integral_of_the_sections() -> None:
    """Divergence theorem: one third of the sum of p.n dA, the flat ends added."""
    for tube in (trunk(BodySize(170, 70, "female"))[0], head(BodySize(170, 70, None))):
        patches = tube_patches(tube, 8)
        flux = float((np.einsum("ic,ic->i", patches.points, patches.normals) * patches.area).sum())
        ends, _ = tube.at(np.array([0.0, 1.0]))
        section = pi * tube.half_width_mm * tube.half_depth_mm * ends[:, 1] ** 2
        flux += ends[1, 0] * section[1] - ends[0, 0] * section[0]
        # patches of 8 mm against a curve of 75 mm at the crown
        assert flux / 3e6 == pytest.approx(volume_litre(tube), rel=4e-3)


def test_flat_map_keeps_distances_round_a_section(body: Surface) -> None:
    """Neighbours on a ring are as far apart on the map as on the skin; the whole is the perimeter."""
    trunk_patches = of_part(body, "trunk")
    z = body.unrolled_mm[trunk_patches][:, 1]
    level = z[np.abs(z - 1200).argmin()]
    ring = body.points_mm[trunk_patches][z == level]
    across = body.unrolled_mm[trunk_patches][z == level][:, 0]
    order = np.argsort(across)
    chords = np.linalg.norm(np.diff(ring[order], axis=0), axis=1)
    assert chords == pytest.approx(np.diff(across[order]), rel=2e-3)
    wide, deep = np.ptp(ring[:, 0]) / 2, np.ptp(ring[:, 1]) / 2
    perimeter = 4 * wide * ellipe(1 - (deep / wide) ** 2)
    assert np.ptp(across) * len(ring) / (len(ring) - 1) == pytest.approx(perimeter, rel=2e-3)


def test_flat_map_has_the_back_in_the_middle_and_left_on_the_positive_side(body: Surface) -> None:
    mask = of_part(body, "trunk")
    across = body.unrolled_mm[mask][:, 0]
    x, y, _ = body.points_mm[mask].T
    assert ((across > 0) == (x > 0)).all()
    assert y[np.abs(across) < 20].min() > -60
    assert y[np.abs(across) > 400].max() < -120
    assert (body.unrolled_mm[:, 1] == body.points_mm[:, 2]).all()


@pytest.mark.parametrize(("height_cm", "weight_kg"), [(170, 70), (50, 3), (150, 180), (200, 60)])
def test_strips_of_the_flat_map_never_overlap(height_cm: float, weight_kg: float) -> None:
    surface = patient_surface(PatientSetup(height_cm, weight_kg, arms="beside"), spacing_mm=10)
    boxes = []
    for name in surface.parts:
        places = surface.unrolled_mm[of_part(surface, name)]
        boxes.append((*places.min(axis=0), *places.max(axis=0)))
    for i, one in enumerate(boxes):
        for other in boxes[:i]:
            is_apart = one[0] > other[2] or other[0] > one[2] or one[1] > other[3] or other[1] > one[3]
            assert is_apart


@settings(max_examples=60, deadline=None)
@given(
    height_cm=st.floats(1, 300) | st.none() | st.floats(),
    weight_kg=st.floats(0.1, 500) | st.none() | st.floats(),
    sex=st.sampled_from(["M", "F", "O", None]),
    region=st.sampled_from([None, *get_args(BodyRegion)]),
    arms=st.sampled_from(get_args(Arms)),
    position=st.sampled_from([None, *get_args(Position)]),
    spacing_mm=st.sampled_from([15.0, 30.0, 60.0]),
)
def test_whatever_the_size_there_is_a_surface_without_holes_in_its_numbers(
    height_cm: float | None,
    weight_kg: float | None,
    sex: str | None,
    region: BodyRegion | None,
    arms: Arms,
    position: Position | None,
    spacing_mm: float,
) -> None:
    patient = PatientSetup(height_cm, weight_kg, sex, position=position, region=region, arms=arms)
    surface = patient_surface(patient, spacing_mm=spacing_mm)
    count = len(surface.points_mm)
    assert count > 0
    assert surface.points_mm.shape == surface.normals.shape == (count, 3)
    assert surface.unrolled_mm.shape == (count, 2)
    assert surface.area_mm2.shape == surface.part.shape == (count,)
    for array in (surface.points_mm, surface.normals, surface.area_mm2, surface.unrolled_mm):
        assert array.dtype == np.float64
        assert np.isfinite(array).all()
    assert (surface.area_mm2 > 0).all()
    assert surface.triangles.dtype == np.int32
    assert surface.triangles.max() < count
    assert set(surface.part.tolist()) == set(range(len(surface.parts)))
    assert surface.assumed
    assert surface.height_mm > 0
    if surface.kind == "sheet":
        assert "patient-size" in [one.key for one in surface.assumed]


@given(height_cm=st.floats(45, 220), index=st.floats(9, 90))
@settings(max_examples=25, deadline=None)
def test_every_part_is_convex_as_its_patches_are(height_cm: float, index: float) -> None:
    """No patch lies outside the plane that touches the skin at another patch of the same part."""
    patient = PatientSetup(height_cm, index * (height_cm / 100) ** 2, arms="beside")
    surface = patient_surface(patient, spacing_mm=60)
    for number in range(len(surface.parts)):
        mask = surface.part == number
        points, normals = surface.points_mm[mask], surface.normals[mask]
        above = points @ normals.T - np.einsum("ic,ic->i", points, normals)
        assert above.max() < 1e-6 * surface.height_mm


def test_the_same_patient_is_built_once_in_whatever_position_and_cannot_be_written_to() -> None:
    one = patient_surface(ADULT)
    turned = PatientSetup(170, 70, "M", position="HFP", arms="beside", shift_mm=(1, 2, 3))
    assert patient_surface(turned) is one
    with pytest.raises(ValueError, match="read-only"):
        one.points_mm[0, 0] = 0


@pytest.mark.parametrize(
    ("primary_deg", "secondary_deg"), [(0, 0), (30, 0), (-90, 0), (90, 0), (45, 25), (0, -35), (180, 0)]
)
def test_a_beam_through_the_trunk_lights_its_own_solid_angle(
    primary_deg: float, secondary_deg: float
) -> None:
    """The sum of cos dA / r² over the lit patches is the solid angle of the field, in closed form.

    Areas, normals and the entrance side of the skin stand or fall together here. Geometry as in the
    sheet of formulas: source 750 mm from the isocentre, detector at 1100 mm, field 240 x 240 mm there.
    """
    surface = patient_surface(PatientSetup(170, 90, "F", region="abdomen"), spacing_mm=3)
    points = surface.points_mm - (0, float(np.mean([back_y(surface), front_y(surface)])), 1150)
    a, s = np.radians([primary_deg, secondary_deg])
    d = np.array([np.sin(a) * np.cos(s), -np.cos(a) * np.cos(s), np.sin(s)])
    eu = np.array([np.cos(a), np.sin(a), 0])
    ev = np.array([-np.sin(a) * np.sin(s), np.cos(a) * np.sin(s), np.cos(s)])
    ray = points + 750 * d
    depth = ray @ d
    is_lit = (
        (np.abs(ray @ eu) * 1100 / depth <= 120)
        & (np.abs(ray @ ev) * 1100 / depth <= 120)
        & (np.einsum("ic,ic->i", ray, surface.normals) < 0)
    )
    r = np.linalg.norm(ray[is_lit], axis=1)
    facing = -np.einsum("ic,ic->i", ray[is_lit], surface.normals[is_lit])
    lit = float((facing * surface.area_mm2[is_lit] / r**3).sum())
    half = 120 / 1100
    assert lit == pytest.approx(4 * np.arcsin(half**2 / (1 + half**2)), rel=0.03)  # rim of whole patches


@pytest.mark.parametrize("spacing_mm", [0.0, -8.0, 1.0, 1000.0, float("nan")])
def test_a_spacing_that_cannot_be_used_is_refused(spacing_mm: float) -> None:
    with pytest.raises(InputError, match="2 to 60 mm"):
        patient_surface(ADULT, spacing_mm=spacing_mm)


def test_nothing_known_of_the_size_gives_a_sheet_that_says_so() -> None:
    surface = patient_surface(PatientSetup())
    assert surface.kind == "sheet"
    assert surface.parts == ("sheet",)
    assert [one.key for one in surface.assumed] == ["patient-size", "patient-height"]
    assert (surface.points_mm[:, 1] == 0).all()
    assert (surface.normals == (0, 1, 0)).all()
    assert surface.area_mm2.sum() == pytest.approx(600 * 1690)
    assert (surface.unrolled_mm == surface.points_mm[:, [0, 2]]).all()


def test_an_impossible_size_gives_a_finding_and_a_surface() -> None:
    small = patient_surface(PatientSetup(height_cm=20, weight_kg=70), spacing_mm=30)
    assert (small.kind, [one.code for one in small.findings]) == ("body", ["body-size-impossible"])
    heavy = patient_surface(PatientSetup(height_cm=170, weight_kg=400), spacing_mm=30)
    assert (heavy.kind, [one.code for one in heavy.findings]) == ("body", ["body-size-impossible"])
    both = patient_surface(PatientSetup(height_cm=20, weight_kg=400), spacing_mm=30)
    assert both.kind == "sheet"
    assert len(both.findings) == 2


@pytest.mark.parametrize(
    ("position", "outward"),
    [("HFS", (0, 1, 0)), ("FFP", (0, -1, 0)), ("HFDL", (1, 0, 0)), ("FFDR", (-1, 0, 0))],
)
def test_a_sheet_faces_the_table_in_every_position(position: Position, outward: tuple[int, ...]) -> None:
    surface = sheet(position=position, spacing_mm=20)
    assert pad_direction(position) == outward
    assert (surface.normals == outward).all()
    assert (surface.points_mm @ np.array(outward) == 0).all()
    corners = surface.points_mm[surface.triangles]
    face = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert (face @ np.array(outward) > 0).all()


def test_the_pad_is_under_the_back_the_front_or_a_side(body: Surface) -> None:
    assert pad_contact(body, "HFS") == pytest.approx((0, 0, 0), abs=0.1)
    x, y, z = pad_contact(body, "FFP")
    assert (x, z) == pytest.approx((0, 0), abs=1e-6)
    assert y == front_y(body) == pytest.approx(-2 * 124, abs=2)
    left, right = pad_contact(body, "HFDL"), pad_contact(body, "HFDR")
    assert left[0] == -right[0] == pytest.approx(191, abs=2)
    assert left[1] == pytest.approx(front_y(body) / 2, abs=0.5)
