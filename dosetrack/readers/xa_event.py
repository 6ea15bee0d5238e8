"""The irradiation event an image shows, from the attributes of its header."""

from __future__ import annotations

from typing import cast

from dosetrack.findings import Finding, FindingCode, FindingKind, finding
from dosetrack.readers.header import Header
from dosetrack.readers.header_attributes import AttributeReader
from dosetrack.readers.image_elements import ImageElements
from dosetrack.readers.text import iso_date_and_time, iso_datetime
from dosetrack.readers.xa_filters import filters_of
from dosetrack.records.report import IrradiationEvent, PlaneName
from dosetrack.tables import constants

_EVENT_UID = 0x00083010
_SOP_INSTANCE = 0x00080018
_IMAGE_TYPE = 0x00080008
_PLANE_IDENTIFICATION = 0x00189457
_RADIATION_SETTING = 0x00181155
_POSITIONER_MOTION = 0x00181500
_TABLE_MOTION = 0x00181134
_FIELD_SHAPE = 0x00181147
_PATIENT_POSITION = 0x00185100
_FRAME_STARTED = 0x00189074

_PLANES = {
    # value 3 of Image Type, PS3.3 section C.8.7.1.1.1, and Plane Identification, section C.8.19.3
    "SINGLE PLANE": "single", "BIPLANE A": "a", "BIPLANE B": "b",
    "MONOPLANE": "single", "PLANE A": "a", "PLANE B": "b",
}  # fmt: skip
_POSITIONS = frozenset({"HFS", "HFP", "HFDL", "HFDR", "FFS", "FFP", "FFDL", "FFDR"})
_MEANS = (
    "kvp", "tube_current_ma", "pulse_width_ms", "source_to_isocenter_mm", "source_to_detector_mm",
)  # fmt: skip
_WHOLES = ("dose_area_product_gycm2", "exposure_uas")
_MOVED = {
    # position: (where it ends, increments from the first frame or None)
    "primary_angle_deg": ("primary_end_angle_deg", "primary_increments_deg"),
    "secondary_angle_deg": ("secondary_end_angle_deg", "secondary_increments_deg"),
    "table_longitudinal_mm": ("table_longitudinal_end_mm", None),
    "table_lateral_mm": ("table_lateral_end_mm", None),
    "table_height_mm": ("table_height_end_mm", None),
}
_AT_THE_START = (
    "column_angulation_deg", "table_rotation_deg", "table_head_tilt_deg", "table_cradle_tilt_deg",
    "table_x_to_isocenter_mm", "table_y_to_isocenter_mm", "table_z_to_isocenter_mm",
)  # fmt: skip
_MS = 1000.0


class ImageReader:
    """Reads the one event of an image whose header is `header`.

    Attributes
    ----------
    protocol, started_at : of the acquisition, as sent
    numbers : reads the numbers, and holds what was unusual about them
    findings : what else was unusual
    """

    def __init__(self, header: Header) -> None:
        self.findings: list[Finding] = []
        self.protocol = header.text(0x00181030) or header.text(0x00189423) or header.text(0x0008103E)
        self._header = header
        self._image = ImageElements.of(header)
        told = [uid for uid in self._raw(_EVENT_UID).replace(b"\0", b" ").split(b"\\") if uid.strip()]
        self._told = [uid.strip().decode("ascii", "replace") for uid in told]
        self._uid = self._told[0] if self._told else header.uid(_SOP_INSTANCE)
        self.numbers = AttributeReader(header.walker, event_uid=self._uid)
        self.started_at = self._started_at()

    def events(self) -> tuple[IrradiationEvent, ...]:
        """The one event; none where the image only shows again what others show."""
        kinds = self._header.words(_IMAGE_TYPE)
        if not self._told and ("DERIVED" in kinds[:1] or "SECONDARY" in kinds[1:2]):
            self._tell(FindingCode.IMAGE_DERIVED)
            return ()
        if not self._told:
            self._tell(FindingCode.EVENT_UID_SYNTHETIC, document="image")
        if len(self._told) > 1:
            self._tell(FindingCode.IMAGE_OF_SEVERAL_EVENTS, count=len(self._told))
        named = self._header.word(_PLANE_IDENTIFICATION) or next(iter(kinds[2:3]), "")
        plane = cast("PlaneName | None", _PLANES.get(named))
        if plane is None:
            self._tell(FindingCode.EVENT_PLANE_UNKNOWN, number=1)
        entrance = self.numbers.value("entrance_dose_mgy", self._image.shared)
        if entrance is not None:
            self._tell(FindingCode.ENTRANCE_DOSE_NOT_USED, dose=f"{entrance:g}")
        fields = self._quantities()
        self._times(fields)
        self._positions(fields)
        self._field(fields)
        filters, reversed_ones = filters_of(
            self._header, self.numbers, self._image.shared, event_uid=self._uid
        )
        self.findings.extend(reversed_ones)
        position = self._header.word(_PATIENT_POSITION)
        event = IrradiationEvent(
            uid=self._uid,
            plane=plane,
            type=self._type(fields),
            started_at=self.started_at,
            protocol=self.protocol,
            filters=filters,
            patient_position=position if position in _POSITIONS else None,
            **fields,  # type: ignore[arg-type]
        )
        return (event,)

    def _raw(self, tag: int) -> bytes:
        return self._header.raw(tag, self._image.first(tag))

    def _tell(self, kind: FindingKind, **facts: object) -> None:
        self.findings.append(finding(kind, event_uid=self._uid, **facts))

    def _started_at(self) -> str | None:
        header, offset = self._header, self._header.offset
        raw = header.raw(0x0008002A) or self._raw(_FRAME_STARTED)
        return (
            iso_datetime(raw, offset=offset)
            or iso_date_and_time(header.raw(0x00080022), header.raw(0x00080032), offset=offset)
            or iso_date_and_time(header.raw(0x00080023), header.raw(0x00080033), offset=offset)
        )

    def _quantities(self) -> dict[str, float | None]:
        """What holds for the whole image, the mean over its frames where each tells its own."""
        fields = {name: self.numbers.value(name, self._image.shared) for name in _WHOLES}
        if fields["dose_area_product_gycm2"] is None:
            self._tell(FindingCode.IMAGE_DOSE_MISSING)
        return fields | {name: self._image.mean(self.numbers, name) for name in _MEANS}

    def _times(self, fields: dict[str, float | None]) -> None:
        """Frames, duration and rate: told, or from the time between frames; each frame stands for one."""
        shared, numbers = self._image.shared, self.numbers
        frames = numbers.value("frames", shared)
        frames = 1.0 if frames is None else frames  # PS3.3 section C.7.6.6: absent from single images
        fields["frames"] = frames
        fields["duration_s"] = numbers.value("duration_s", shared)
        if frames <= 1.0:
            exposed_ms = self._image.mean(numbers, "exposure_time_ms")
            if fields["duration_s"] is None and exposed_ms is not None:
                fields["duration_s"] = exposed_ms / _MS
            return
        apart_ms = self._frame_time_ms(frames)
        if apart_ms:
            fields["pulse_rate_hz"] = _MS / apart_ms
            if fields["duration_s"] is None:
                fields["duration_s"] = frames * apart_ms / _MS
                self._tell(FindingCode.DURATION_FROM_FRAMES, frames=f"{frames:g}", apart=f"{apart_ms:g}")

    def _frame_time_ms(self, frames: float) -> float | None:
        """The mean time between two frames [ms]; None where it is not told."""
        shared, numbers = self._image.shared, self.numbers
        apart = numbers.value("frame_time_ms", shared)
        if apart:
            return apart
        vector = numbers.values("frame_time_vector_ms", shared)
        if len(vector) == frames and sum(vector[1:]) > 0.0:
            return sum(vector[1:]) / (len(vector) - 1)  # the first is zero: no frame stands before it
        rate = numbers.value("pulse_rate_hz", shared)
        return _MS / rate if rate else None

    def _positions(self, fields: dict[str, float | None]) -> None:
        for name, (end, increments) in _MOVED.items():
            start = self.numbers.value(name, self._image.shared)
            if start is None:
                each = self._image.per_frame(self.numbers, name)
                if each:
                    fields[name] = each[0]
                    fields[end] = each[-1] if each[-1] != each[0] else None
                continue
            fields[name] = start
            if increments is not None and self._header.word(_POSITIONER_MOTION) == "DYNAMIC":
                fields[end] = self._end_angle(start, increments, fields["frames"])

        for name in _AT_THE_START:
            fields[name] = self.numbers.value(name, self._image.shared)
            if fields[name] is None:
                fields[name] = next(iter(self._image.per_frame(self.numbers, name)), None)

    def _end_angle(self, start: float, name: str, frames: float | None) -> float | None:
        """Where a moving positioner ends; None where its increments do not tell."""
        steps = self.numbers.values(name, self._image.shared)
        if not steps:
            return None
        is_constant = len(steps) > 2 and steps[-1] != 0.0 and len(set(steps[1:])) == 1
        if len(steps) != frames or is_constant:  # not one place per frame, or steps instead of places
            self._tell(FindingCode.END_ANGLE_UNCLEAR)
            return None
        return start + steps[-1]

    def _type(self, fields: dict[str, float | None]) -> str:
        if self._header.word(_RADIATION_SETTING) == "SC":
            return "fluoroscopy"
        motion = self._header.word(_POSITIONER_MOTION)
        if motion == "DYNAMIC" or (motion is None and self._turned(fields)):
            return "rotational"
        return "stepping" if self._header.word(_TABLE_MOTION) == "DYNAMIC" else "stationary"

    def _turned(self, fields: dict[str, float | None]) -> bool:
        least = constants("plausibility")["image_rotation_least"].number
        for name in ("primary_angle_deg", "secondary_angle_deg"):
            start, end = fields.get(name), fields.get(_MOVED[name][0])
            if start is not None and end is not None and abs(end - start) >= least:
                return True
        return False

    def _field(self, fields: dict[str, float | None]) -> None:
        """The field at the detector plane: the collimator's, else a round or square field of view."""
        size = self._collimated()
        if size is None:
            view = self.numbers.values("field_of_view_mm", self._image.first(0x00181149))
            is_round = "ROUND" in self._header.words(_FIELD_SHAPE, self._image.first(_FIELD_SHAPE))
            if view and (is_round or len(set(view)) == 1):
                size = (view[0], view[0])
                self._tell(FindingCode.FIELD_FROM_FIELD_OF_VIEW)
        if size is not None:
            fields["field_height_mm"], fields["field_width_mm"] = size

    def _collimated(self) -> tuple[float, float] | None:
        """(height, width) of the collimator's opening at the detector plane [mm]; None where untold."""
        numbers, image = self.numbers, self._image
        spacing = numbers.values("imager_pixel_spacing_mm", image.first(0x00181164))
        if len(spacing) != 2:
            return None
        edges = {
            side: numbers.value(f"collimator_{side}", image.first(0x00181702))
            for side in ("left", "right", "upper", "lower")
        }
        left, right, upper, lower = edges.values()
        if left is not None and right is not None and upper is not None and lower is not None:
            height, width = (lower - upper) * spacing[0], (right - left) * spacing[1]
            return (height, width) if height > 0.0 and width > 0.0 else None
        radius = numbers.value("collimator_radius", image.first(0x00181712))
        return (2.0 * radius * spacing[0], 2.0 * radius * spacing[1]) if radius else None
