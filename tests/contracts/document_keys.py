"""The keys of the JSON documents, frozen. More may be added by the program; none may go."""

from __future__ import annotations

READ = {"reports", "refused"}
REFUSED = {"file", "reason"}
REPORT = {
    "file", "sha256", "source", "report", "patient", "equipment", "procedure", "operators",
    "totals", "events", "findings",
}  # fmt: skip
IDENTITY = {
    "sop_class_uid", "sop_instance_uid", "study_instance_uid", "accession_number", "completion",
    "reported_at",
}  # fmt: skip
PATIENT = {"id", "id_issuer", "name", "sex", "birth_date", "weight_kg", "height_cm"}
EQUIPMENT = {"manufacturer", "model", "station", "serial", "institution"}
PROCEDURE = {"label", "code", "coding_scheme", "started_at", "ended_at"}
TOTAL = {
    "plane", "basis", "dose_area_product_gycm2", "reference_air_kerma_mgy", "fluoroscopy_time_s",
    "fluoroscopy_dose_area_product_gycm2", "fluoroscopy_reference_air_kerma_mgy",
    "acquisition_time_s", "acquisition_dose_area_product_gycm2",
    "acquisition_reference_air_kerma_mgy",
}  # fmt: skip
EVENT = {
    "uid", "plane", "type", "started_at", "protocol", "dose_area_product_gycm2",
    "reference_air_kerma_mgy", "duration_s", "pulses", "pulse_rate_hz", "frames", "kvp",
    "tube_current_ma", "pulse_width_ms", "exposure_uas", "filters", "primary_angle_deg",
    "secondary_angle_deg", "primary_end_angle_deg", "secondary_end_angle_deg",
    "source_to_isocenter_mm", "source_to_detector_mm", "source_to_reference_point_mm",
    "reference_point", "table_longitudinal_mm", "table_lateral_mm", "table_height_mm",
    "table_longitudinal_end_mm", "table_lateral_end_mm", "table_height_end_mm", "field_area_cm2",
    "field_height_mm", "field_width_mm", "patient_position", "column_angulation_deg", "table_rotation_deg",
    "table_head_tilt_deg", "table_cradle_tilt_deg", "table_x_to_isocenter_mm", "table_y_to_isocenter_mm",
    "table_z_to_isocenter_mm", "source_to_table_mm",
}  # fmt: skip
FILTER = {"material", "min_mm", "max_mm"}
FINDING = {"code", "severity", "text", "event_uid"}

INGEST = {"added", "already_held", "refused", "cases"}

CASE = {
    "id", "patient_id", "room", "procedure", "operators", "started_at", "state", "reports", "events",
    "dose_area_product_gycm2", "reference_air_kerma_mgy", "reference_air_kerma_by_plane_mgy",
    "fluoroscopy_time_s", "contrast_ml", "iodine_g", "findings",
}  # fmt: skip

SCHEDULE = {
    "source", "added", "changed", "unchanged", "withdrawn", "kept", "procedures", "refused",
}  # fmt: skip
PLANNED = {
    "key", "patient", "scheduled_at", "room", "procedure", "operators", "accession_number",
    "study_instance_uid", "source", "station",
}  # fmt: skip
REFUSED_LINE = {"file", "line", "column", "reason"}
RECEPTION = {
    "scheduled", "with_report", "with_case_only", "without_case", "cases_without_report",
    "reports_without_schedule",
}  # fmt: skip

KIDNEY = {"egfr", "limits", "leading", "remaining_ml", "findings"}
EGFR = {"formula", "value", "unit", "valid", "note"}
LIMIT = {"name", "source", "limit_ml", "limit_iodine_g", "used_fraction", "applies", "note"}
FORMULAS = {
    "CKD-EPI 2021", "CKD-EPI 2009", "MDRD-175", "Cockcroft-Gault, actual weight",
    "Cockcroft-Gault, ideal weight", "Cockcroft-Gault, adjusted weight", "bedside Schwartz",
}  # fmt: skip

DOCUMENT = {"case", "kind", "title", "text", "pdf", "cautions"}

FOLLOWUP = {"items"}
FOLLOWUP_ITEM = {"patient_id", "case_id", "kind", "tier", "reasons", "due", "state"}
FOLLOWUP_REASON = {"quantity", "value", "level", "source"}
CALL_LIST = {"on", "deaths_checked", "items", "not_called"}

AUDIT = {
    "procedures", "operators", "over_levels", "completeness", "follow_up", "percentile_intervals",
    "level_shares", "typical", "control_charts", "comparisons", "suspects",
}  # fmt: skip
AUDIT_FOLLOW_UP = {"on", "completeness", "trigger"}
AUDIT_PROCEDURE = {"procedure", "n", "quantities", "reference"}
AUDIT_OPERATOR = {"operator", "procedure", "n", "quantities"}
AUDIT_QUANTITY = {"n", "median", "p25", "p75"}

MACHINES = {"first_day", "last_day", "machines"}
MACHINE = {
    "name", "serial", "station", "manufacturers", "models", "rooms", "reports", "cases", "events", "drifts",
    "reference_points", "table_axes", "table_axes_verified", "angles", "calibration", "clock",
    "finding_counts", "conformance",
}  # fmt: skip

ALL_KEYS = (
    READ | REFUSED | REPORT | IDENTITY | PATIENT | EQUIPMENT | PROCEDURE | TOTAL | EVENT | FILTER
    | FINDING | INGEST | CASE | SCHEDULE | PLANNED | REFUSED_LINE | RECEPTION | KIDNEY | EGFR | LIMIT
    | DOCUMENT | FOLLOWUP | FOLLOWUP_ITEM | FOLLOWUP_REASON | CALL_LIST | AUDIT | AUDIT_FOLLOW_UP
    | AUDIT_PROCEDURE | AUDIT_OPERATOR
    | AUDIT_QUANTITY | MACHINES | MACHINE
)  # fmt: skip
