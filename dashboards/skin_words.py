"""What the pages say of a skin dose map: numbers, views and assumptions as words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboards import view_models as vm
from dashboards.view_models import Shown
from dosetrack.skin.wording import dose_and_unit, range_words, view_words

if TYPE_CHECKING:
    from dosetrack.skin.beam import Beam
    from dosetrack.skin.model import SkinMap
    from dosetrack.skin.setup import PatientSetup

OUTSIDE_EVERY_BEAM = "plain: outside every beam"
SEEN = "skin dose, estimate; seen from outside, cut open at the front"
CAUTION = "Estimate for follow-up decisions by licensed staff; local protocol applies."
NOT_VERIFIED = "table axes not verified on this system"
_AXES_KEY = "table-axes"
POSITION_WORDS = {
    "HFS": "head first, on the back",
    "HFP": "head first, on the front",
    "FFS": "feet first, on the back",
    "FFP": "feet first, on the front",
    "HFDL": "head first, on the left side",
    "HFDR": "head first, on the right side",
    "FFDL": "feet first, on the left side",
    "FFDR": "feet first, on the right side",
}


def ratios(skin_map: SkinMap) -> tuple[float, float] | None:
    """Low and high end of the peak over the peak; None without a peak."""
    if not skin_map.peak_mgy or skin_map.low_mgy is None or skin_map.high_mgy is None:
        return None
    return skin_map.low_mgy / skin_map.peak_mgy, skin_map.high_mgy / skin_map.peak_mgy


def range_of(skin_map: SkinMap, value_mgy: float) -> str | None:
    """The range of a dose elsewhere on the map, at the peak's relative range."""
    ends = ratios(skin_map)
    return range_words(value_mgy * ends[0], value_mgy * ends[1]) if ends else None


def peak(skin_map: SkinMap) -> Shown:
    """The peak with its range, in words and in italics."""
    label = "peak skin dose, estimate"
    if skin_map.peak_mgy is None:
        return vm.unknown(label, "no event could be placed on the skin")
    text, unit = dose_and_unit(skin_map.peak_mgy)
    told = range_of(skin_map, skin_map.peak_mgy)
    notes = (f"range {told} (k = 2)" if told else "range not known", skin_map.peak_site or "site not known")
    return Shown(label, text, unit, notes, is_estimated=True)


def is_axes_verified(skin_map: SkinMap) -> bool:
    """Whether the directions of the table were tried on every system of the map."""
    return all(a.key != _AXES_KEY for a in skin_map.assumed)


def assumed_words(skin_map: SkinMap) -> list[str]:
    """What was taken for granted, each once, in whole sentences."""
    return list(dict.fromkeys(_sentence(a.text) for a in skin_map.assumed))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def mapped(skin_map: SkinMap) -> str:
    """'96 %' of the air kerma on the map, rounded down; with what that means below the whole."""
    share = skin_map.mapped_fraction
    if share is None:
        return vm.NOT_KNOWN
    percent = f"{vm.down(share * 100)}\u202f%"
    return percent if share >= 1 else f"{percent}: the peak may be higher"


def beam_view(beam: Beam) -> str:
    """The view of a beam; of an arc its two ends."""
    return view_words(
        (beam.primary_angle_deg, beam.secondary_angle_deg),
        (beam.primary_end_angle_deg, beam.secondary_end_angle_deg),
    )


def view_head(skin_map: SkinMap) -> str:
    """What stands over the views: they are the machine's where the patient did not lie as it assumes."""
    return "view" if all(case.position == "HFS" for case in skin_map.cases) else "view, machine angles"


def kind(is_fluoroscopy: bool | None) -> str:
    """Fluoroscopy or acquisition."""
    if is_fluoroscopy is None:
        return "type not known"
    return "fluoroscopy" if is_fluoroscopy else "acquisition"


def percent(part: float, whole: float | None) -> str:
    """A share in whole percent: 'below 1 %' where it rounds to none."""
    if not whole:
        return vm.NOT_KNOWN
    share = 100 * part / whole
    return "below 1\u202f%" if 0 < share < 0.5 else f"{share:.0f}\u202f%"


def kinds(skin_map: SkinMap) -> str:
    """Fluoroscopy against acquisition at the peak: '62 % fluoroscopy, 38 % acquisition'."""
    share = skin_map.fluoroscopy_share
    if share is None:
        return "fluoroscopy and acquisition not told apart"
    return f"{percent(share, 1.0)} fluoroscopy, {percent(1.0 - share, 1.0)} acquisition"


def patient(setup: PatientSetup) -> str:
    """Size and position the map was made with."""
    size = [
        f"{setup.height_cm:g} cm" if setup.height_cm is not None else "height not known",
        f"{setup.weight_kg:g} kg" if setup.weight_kg is not None else "weight not known",
    ]
    lies = POSITION_WORDS.get(setup.position or "", "position as reported")
    arms = "arms not known" if setup.arms == "unknown" else f"arms {setup.arms}"
    return ", ".join([*size, lies, arms])


def area(area_cm2: float) -> str:
    """An area of skin in cm², never 0 where there is some."""
    if area_cm2 <= 0:
        return "none"
    return "below 1 cm²" if area_cm2 < 1 else f"{area_cm2:.0f} cm²"
