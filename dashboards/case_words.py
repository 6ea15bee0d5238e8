"""What the pages say of one case: its two accounts as numbers ready to be shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dashboards import view_models as vm
from dashboards.view_models import Shown
from dosetrack.alerts import to_decide
from dosetrack.radiation import level_lines, level_settings
from dosetrack.records.entries import Knowledge
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.radiation import Figure, Forecast, PlaneAccount
    from dosetrack.records.report import Patient
    from dosetrack.skin.screening import SkinRange
    from dosetrack.workflow.results import CaseView

KERMA = "reference_air_kerma_mgy"
DAP = "dose_area_product_gycm2"
TIME = "fluoroscopy_time_s"
SKIN = "peak_skin_dose_mgy"
LIMIT_UNKNOWN = "limit unknown"


@dataclass(frozen=True, slots=True)
class Accounts:
    """The numbers of both lanes, in reading order."""

    kerma: Shown
    planes: tuple[Shown, ...]
    skin: Shown
    dose_area_product: Shown
    time: Shown
    contrast: Shown
    distance: Shown

    @property
    def four(self) -> tuple[Shown, Shown, Shown, Shown]:
        """The four numbers of the wall view."""
        return (self.kerma, self.skin, self.contrast, self.distance)


def accounts(view: CaseView, *, zone: ZoneInfo, decimals: int = 2) -> Accounts:
    """Both accounts of `view`; kermas in Gy with `decimals`."""
    is_stale = view.feeds.is_stale
    return Accounts(
        kerma=worst_kerma(view, zone=zone, decimals=decimals),
        planes=tuple(_aged(plane_kerma(view, p, decimals=decimals), is_stale) for p in other_planes(view)),
        skin=_aged(skin_dose(view), is_stale),
        dose_area_product=_aged(area_product(view), is_stale),
        time=_aged(beam_time(view), is_stale),
        contrast=contrast_given(view),
        distance=limit_distance(view),
    )


def _aged(shown: Shown, is_stale: bool) -> Shown:
    """A number of the radiation feed, marked while that feed is silent."""
    return replace(shown, is_stale=is_stale and not shown.is_unknown)


def levels_of(view: CaseView, quantity: str, value: float) -> list[float]:
    """The radiation levels around `value` that its shown digits must not cross, in its own unit."""
    ladder = level_lines(quantity, value, level_settings(view.settings))
    reached = [level.level for level in view.levels if level.quantity == quantity]
    return [*(line.value for line in (*view.radiation_lines, *ladder) if line.quantity == quantity), *reached]


def stale_note(view: CaseView, *, zone: ZoneInfo) -> str | None:
    """'no data since 10:44' while the radiation feed is silent, else None."""
    if not view.feeds.is_stale:
        return None
    last = newest_feed(view)
    return f"no data since {vm.clock_time(last, zone)}" if last else "no data yet"


def worst_kerma(view: CaseView, *, zone: ZoneInfo, decimals: int = 2) -> Shown:
    """Ka,r of the worst plane."""
    worst = view.radiation.worst_plane
    if worst is None:
        return vm.unknown("Ka,r", "no reading and no report yet")
    shown = plane_kerma(view, worst, decimals=decimals)
    note = stale_note(view, zone=zone)
    ahead = ahead_words(view.radiation_forecast)
    basis = vm.joined(*shown.notes, kerma_age(view), by=", ")
    notes: tuple[str, ...] = (note or basis, *([ahead] if ahead else []))
    return Shown(shown.label, shown.text, shown.unit, notes, is_stale=note is not None)


def kerma_age(view: CaseView) -> str | None:
    """How old the newest radiation number of a running case is: '2 min ago'."""
    last = newest_feed(view)
    return vm.ago(last, view.as_of) if last and view.case.is_open else None


def newest_feed(view: CaseView) -> datetime | None:
    """When the last reading or report came, whichever is later."""
    return max((t for t in (view.feeds.last_reading_at, view.feeds.last_report_at) if t), default=None)


def other_planes(view: CaseView) -> list[PlaneAccount]:
    """The planes beside the worst one."""
    return [p for p in view.radiation.planes if p is not view.radiation.worst_plane]


def plane_kerma(view: CaseView, plane: PlaneAccount, *, decimals: int = 2) -> Shown:
    """Ka,r of one plane with where it came from."""
    label = vm.joined("Ka,r", vm.plane_words(plane.plane), by=", ")
    figure = plane.reference_air_kerma_mgy.higher
    if figure is None:
        return vm.unknown(label)
    text, unit = vm.kerma(figure.value, levels=levels_of(view, KERMA, figure.value), decimals=decimals)
    return Shown(label, _at_least(figure, text), unit, (vm.basis_short(figure.basis),))


def _at_least(figure: Figure, text: str) -> str:
    return text if figure.is_complete else f"at least {text}"


def skin_dose(view: CaseView) -> Shown:
    """The upper end of the estimated skin dose, the whole range in its note."""
    label = "skin, est. upper"
    if view.skin is None:
        return vm.unknown(label, "no estimate yet")
    high = view.skin.high_mgy
    text, unit = vm.upper_kerma(high, levels=levels_of(view, SKIN, high))
    return Shown(label, text, unit, (f"range {skin_range(view.skin, view)}",), is_estimated=True)


def skin_range(skin: SkinRange, view: CaseView) -> str:
    """The whole range of the estimate, its end never shown on the other side of a level."""
    return vm.kerma_range(skin.low_mgy, skin.high_mgy, levels=levels_of(view, SKIN, skin.high_mgy))


def area_product(view: CaseView) -> Shown:
    """DAP over all planes."""
    figure = view.radiation.dose_area_product_gycm2.higher
    if figure is None:
        return vm.unknown("DAP")
    text, unit = vm.dose_area_product(figure.value, levels=levels_of(view, DAP, figure.value))
    return Shown("DAP", _at_least(figure, text), unit)


def beam_time(view: CaseView) -> Shown:
    """Fluoroscopy time over all planes."""
    figure = view.radiation.fluoroscopy_time_s.higher
    if figure is None:
        return vm.unknown("fluoroscopy time")
    text, unit = vm.minutes(figure.value, levels_s=levels_of(view, TIME, figure.value))
    return Shown("fluoroscopy time", _at_least(figure, text), unit)


def contrast_given(view: CaseView) -> Shown:
    """Contrast of this case as given, with its iodine and the earlier part in the notes."""
    given = view.kidney.given
    now = given.now
    limits = [row.limit_ml for row in view.kidney.limits if row.limit_ml is not None]
    text = vm.used_ml(now.contrast_ml, limits_ml=[] if given.earlier.neat_ml else limits)
    apart = (earlier_words(view), other_agents(view))
    if not now.injections and not view.case.is_open:
        ended = ("none entered", *apart)
        return vm.unknown("contrast given", *(note for note in ended if note))
    if not now.injections:
        none_yet = ("no injection entered yet", *apart)
        return Shown("contrast given", text, "mL", tuple(note for note in none_yet if note))
    iodine = f"{vm.iodine_g(now.iodine_g)} g I" if now.iodine_g is not None else "iodine not known"
    if now.iodine_g is not None and not now.is_iodine_complete:
        iodine = f"at least {iodine}"
    neat = f"{vm.used_ml(now.neat_ml)} mL undiluted" if now.neat_ml < now.contrast_ml else None
    notes = (vm.joined(iodine, neat), *apart)
    return Shown("contrast given", text, "mL", tuple(note for note in notes if note))


def earlier_words(view: CaseView) -> str | None:
    """The labelled second part: contrast of the look-back window before this case."""
    earlier = view.kidney.given.earlier
    if earlier.knowledge is Knowledge.UNKNOWN:
        return "earlier contrast not known"
    if earlier.knowledge is Knowledge.NO:
        return None
    if earlier.neat_ml is None:
        return "+ earlier contrast, amount not known"
    return f"+ {vm.used_ml(earlier.neat_ml)} mL earlier"


def other_agents(view: CaseView) -> str | None:
    """What was given and does not count as iodine, on a line of its own."""
    now = view.kidney.given.now
    gas = (
        f"carbon dioxide {vm.used_ml(now.carbon_dioxide_ml)} mL in {now.carbon_dioxide_injections}"
        if now.carbon_dioxide_injections
        else None
    )
    gadolinium = f"gadolinium {vm.used_ml(now.gadolinium_ml)} mL" if now.gadolinium_ml else None
    return vm.joined(gas, gadolinium) or None


def limit_distance(view: CaseView) -> Shown:
    """How far the case stands from the leading limit, or that the limit is not known."""
    kidney = view.kidney
    if kidney.remaining_ml is None or kidney.leading is None:
        if kidney.leading is not None:
            return vm.unknown(kidney.leading, kidney.headline)
        return Shown("contrast limit", LIMIT_UNKNOWN, notes=(kidney.reason or "",), is_unknown=True)
    amount, word = vm.distance_parts(kidney.remaining_ml)
    limit = f"limit {vm.limit_ml(kidney.leading_limit_ml)} mL"
    following = kidney.next_level
    ahead = f"next {following.name}: {vm.limit_ml(following.limit_ml)} mL" if following else None
    label = f"{word} {kidney.leading}"
    soon = ahead_words(view.contrast_forecast)
    notes = tuple(note for note in (limit, ahead, injections_words(view), soon) if note)
    if not amount:
        return Shown(kidney.leading, "reached", notes=notes)
    return Shown(label, amount, "mL", notes)


def injections_words(view: CaseView) -> str | None:
    """'2 × CrCl reached after about 2 injections of 6 mL', while the case runs."""
    return view.injections_ahead.in_words() if view.injections_ahead and view.case.is_open else None


def ahead_words(forecast: Forecast | None) -> str | None:
    """'Ka,r 4 Gy in 13–22 min'; None where no range can be told."""
    words = vm.forecast_words(forecast.clock_minutes) if forecast else None
    return f"{forecast.level.name} {words}" if forecast and words else None


def feed_words(view: CaseView) -> str:
    """How old the numbers are: 'console reading 8 s ago · report 2 min ago · Pump gateway 3 s ago'."""
    feeds = view.feeds
    gateways = (
        f"{age.name} {vm.ago(age.last_at, view.as_of)}" for age in feeds.ages if age.kind.endswith("gateway")
    )
    reading = f"console reading {vm.ago(feeds.last_reading_at, view.as_of)}"
    report = f"dose report {vm.ago(feeds.last_report_at, view.as_of)}"
    return vm.joined(reading, report, *gateways)


def short_identity(patient: Patient) -> str:
    """The least that prevents a mix-up at a distance: initials and the last digits of the number.

    Examples
    --------
    >>> from dosetrack.records.report import Patient
    >>> short_identity(Patient(id="30040417", name="Moreira^Olga"))
    'MO-417'
    """
    group = next((g for g in (patient.name or "").split("=") if g.replace("^", "").strip()), "")
    letters = "".join(part[0].upper() for part in group.replace("^", " ").split()[:2])
    digits = (patient.id or "")[-3:]
    return "-".join(part for part in (letters, digits) if part) or "patient not known"


def full_identity(patient: Patient) -> str:
    """Name, number and birth date, for near reading."""
    name = vm.person_name(patient.name)
    born = f"born {vm.day(patient.birth_date)}" if patient.birth_date else None
    return vm.joined(name, patient.id, born) or "patient not known"


def started_words(view: CaseView, *, zone: ZoneInfo) -> str:
    """'started 09:12', or that the case has not begun."""
    begun = view.case.started_instant
    return f"started {vm.clock_time(begun, zone)}" if begun else "not started"


def ending_words(view: CaseView) -> list[str]:
    """What is handed over at the end: both accounts, then what is still open."""
    zone = zone_named(view.time_zone)
    found = accounts(view, zone=zone)
    words = [shown.spoken for shown in (found.kerma, *found.planes, found.dose_area_product, found.contrast)]
    if view.skin is not None:
        words.append(f"skin dose, estimated {skin_range(view.skin, view)}")
    words.append(view.kidney.headline)
    waiting = len(to_decide(view.prompts))
    if waiting:
        words.append(f"{waiting} {'prompt' if waiting == 1 else 'prompts'} without an answer")
    if view.feeds.last_report_at is None:
        words.append("no dose report received yet")
    return words
