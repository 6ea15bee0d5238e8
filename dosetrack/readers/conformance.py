"""How a dose report keeps to its template: PS3.16 TID 10001 with 10002 to 10007, 1002 to 1004, 1020, 1021.

The rules stand in `tables/template_rules.csv`: in which container an item may stand, by which
relationship, with which type of value, how often, in which unit, and when it is asked for. Public
verifiers check how a report is encoded, none this. A report that keeps to nothing is read all the
same; the check is for the machine's record.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from dosetrack.readers.codes import Code, Concept, concepts
from dosetrack.readers.enhanced_rdsr import is_enhanced
from dosetrack.readers.item_kinds import ItemKind, kind_of
from dosetrack.readers.rdsr import Reading
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import ContentItem
from dosetrack.readers.text import TextDecoder
from dosetrack.records.template import ItemCount, TemplateCheck, TemplateIssue
from dosetrack.tables import rows

ROOT = "x_ray_radiation_dose_report"
TOTALS = "accumulated_x_ray_dose_data"
EVENT = "irradiation_event_x_ray_data"
_NO_NAME = ("", "an item without a name")
_SECOND_HAND = frozenset({"mpps content", "copied from image attributes", "computed from image attributes"})
_ALSO_READ = frozenset(
    {
        "accumulated_x_ray_dose_data", "acquisition_plane", "acquisition_protocol", "calibration",
        "datetime_started", "device_observer_manufacturer", "device_observer_model_name",
        "device_observer_name", "device_observer_serial_number", "irradiation_event_type",
        "irradiation_event_uid", "irradiation_event_x_ray_data", "patient_orientation",
        "patient_orientation_modifier", "patient_table_relationship", "person_name",
        "person_role_in_procedure", "procedure_reported", "reference_point_definition",
        "scope_of_accumulation", "x_ray_filter_material", "x_ray_filter_type", "x_ray_filters",
    }
)  # fmt: skip
"""Concepts without a quantity that are read nevertheless."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of `template_rules.csv`."""

    place: str
    concept: str
    is_many: bool
    requirement: str
    condition: str
    unit: str
    relationship: str
    value_types: tuple[str, ...]


@cache
def rules() -> dict[str, dict[str, Rule]]:
    """Place -> concept -> rule."""
    found: dict[str, dict[str, Rule]] = {}
    for row in rows("template_rules"):
        found.setdefault(row["place"], {})[row["concept"]] = Rule(
            place=row["place"],
            concept=row["concept"],
            is_many=row["vm"] == "n",
            requirement=row["requirement"],
            condition=row["condition"],
            unit=row["unit"],
            relationship=row["relationship"],
            value_types=tuple(row["value_type"].split()),
        )
    return found


def check_source(source: Source) -> TemplateCheck | None:
    """What the report in `source` tells against its template; None for what is not of TID 10001.

    Raises
    ------
    Refusal
        As reading it does.
    """
    source.opened.refuse_if_cut()
    document, items, header = Reading(source, is_noting=True).content_and_header()
    if document != "x-ray radiation dose report" or is_enhanced(source.sop_class(), items):
        return None
    return _Checking(items, header.decoder).result()


class _Checking:
    """One report on its way to a check."""

    def __init__(self, items: list[ContentItem], decoder: TextDecoder) -> None:
        self._items = items
        self._decoder = decoder
        self._of: Counter[str] = Counter()
        self._missing: Counter[tuple[str, str]] = Counter()
        self._excess: Counter[tuple[str, str]] = Counter()
        self._wrong_units: dict[tuple[str, str], Counter[str]] = {}
        self._wrong_kinds: dict[tuple[str, str], Counter[str]] = {}
        self._unknown: Counter[tuple[str, str, str]] = Counter()
        self._sent: Counter[tuple[str, str]] = Counter()
        self._containers: Counter[tuple[str, str]] = Counter()
        self._report = _ReportFacts(items)

    def result(self) -> TemplateCheck:
        self._visit(ROOT, self._items)
        missing: list[TemplateIssue] = []
        conditional: list[TemplateIssue] = []
        for (place, key), count in self._missing.items():
            rule = rules()[place][key]
            issue = self._issue(place, key, count, _CONDITION_WORDS.get(rule.condition))
            (conditional if rule.condition else missing).append(issue)
        return TemplateCheck(
            template="TID 10001",
            missing=tuple(missing),
            conditional_missing=tuple(conditional),
            wrong_unit=tuple(
                self._issue(place, key, sum(units.values()), _units_note(place, key, units), of=self._sent)
                for (place, key), units in self._wrong_units.items()
            ),
            wrong_kind=tuple(
                self._issue(place, key, max(kinds.values()), "; ".join(kinds), of=self._sent)
                for (place, key), kinds in self._wrong_kinds.items()
            ),
            extra=tuple(
                self._issue(place, key, count, _extra_note(place, key))
                for (place, key), count in self._excess.items()
            ),
            unknown_items=tuple(
                TemplateIssue(place=place, item=name, code=code, count=count, of=self._of[place])
                for (place, code, name), count in self._unknown.items()
            ),
            sent=tuple(
                ItemCount(
                    place=place,
                    item=_named(key).name,
                    code=_code_of(key),
                    count=count,
                    in_containers=self._containers[place, key],
                    is_read=_is_read(key),
                )
                for (place, key), count in self._sent.items()
            ),
        )

    def _visit(self, place: str, children: Sequence[ContentItem]) -> None:
        """Check one container and what stands in it."""
        of_place = rules()[place]
        self._of[place] += 1
        here: Counter[str] = Counter()
        for item in children:
            name = item.name
            key = name.key if name is not None else None
            if name is None or key is None:
                self._unknown[(place, *self._named_by_file(name))] += 1
                continue
            here[key] += 1
            rule = of_place.get(key)
            if rule is not None and rule.unit and item.unit is not None and item.unit.value != rule.unit:
                self._wrong_units.setdefault((place, key), Counter())[item.unit.value] += 1
            notes = [] if rule is None else list(_kind_notes(kind_of(item), rule))
            if notes:
                self._wrong_kinds.setdefault((place, key), Counter()).update(notes)
            # in the root the device role is a plain item of TID 1004, elsewhere it holds those of TID 1021
            if key in rules() and key != ROOT and (place, key) != (ROOT, "device_role_in_procedure"):
                self._visit(key, item.children)
        for key, count in here.items():
            self._sent[place, key] += count
            self._containers[place, key] += 1
            rule = of_place.get(key)
            if rule is None or (count > 1 and not rule.is_many):
                self._excess[place, key] += 1
        facts = _Facts(self._report, here, children)
        for key, rule in of_place.items():
            if key not in here and rule.requirement in ("M", "MC") and _holds(rule.condition, facts):
                self._missing[place, key] += 1

    def _named_by_file(self, name: Code | None) -> tuple[str, str]:
        """(code and scheme, meaning) of a name that is not of the template, as sent."""
        if name is None:
            return _NO_NAME
        return f"{name.value} {name.scheme}".strip(), self._decoder.text(name.meaning) or ""

    def _issue(
        self,
        place: str,
        key: str,
        count: int,
        note: str | None,
        *,
        of: Counter[tuple[str, str]] | None = None,
    ) -> TemplateIssue:
        return TemplateIssue(
            place=place,
            item=_named(key).name,
            code=_code_of(key),
            count=count,
            of=self._of[place] if of is None else of[place, key],
            note=note,
        )


class _ReportFacts:
    """What conditions ask of the whole report."""

    def __init__(self, items: Sequence[ContentItem]) -> None:
        told = list(_words(items, "source_of_dose_information", "source_of_dose_information"))
        self.is_mpps_only = bool(told) and set(told) == {"mpps content"}
        self.is_direct = not told or not set(told) <= _SECOND_HAND
        events = [item for item in items if item.name is not None and item.name.key == EVENT]
        self.has_fluoroscopy = any(
            word == "fluoroscopy"
            for event in events
            for word in _words(event.children, "irradiation_event_type", "event_type")
        )


@dataclass(frozen=True, slots=True)
class _Facts:
    """What conditions ask: of the report and of the container."""

    report: _ReportFacts
    here: Counter[str]
    children: Sequence[ContentItem]

    def fluoro_mode(self) -> str | None:
        """Code of the fluoroscopy mode: 113630 continuous, 113631 pulsed (CID 10004)."""
        for item in self.children:
            if item.name is not None and item.name.key == "fluoro_mode" and isinstance(item.value, Code):
                return item.value.value
        return None


_PULSED, _CONTINUOUS = "113631", "113630"
_CONDITIONS: dict[str, tuple[str, Callable[[_Facts], bool]]] = {
    # word of the table: (as it is shown, whether it holds)
    "not-mpps-only": ("not all from procedure steps", lambda facts: not facts.report.is_mpps_only),
    "direct-source": ("not all second-hand", lambda facts: facts.report.is_direct),
    "fluoroscopy-events": ("there is fluoroscopy", lambda facts: facts.report.has_fluoroscopy),
    "pulsed": ("fluoroscopy is pulsed", lambda facts: facts.fluoro_mode() == _PULSED),
    "not-continuous": ("fluoroscopy is not continuous", lambda facts: facts.fluoro_mode() != _CONTINUOUS),
    "no-exposure": ("no exposure is told", lambda facts: "exposure" not in facts.here),
    "no-current-or-time": (
        "no tube current and exposure time are told",
        lambda facts: not {"x_ray_tube_current", "exposure_time"} <= facts.here.keys(),
    ),
    "kerma-told": (
        "reference air kerma is told",
        lambda facts: bool(facts.here.keys() & {"dose_rp", "dose_rp_total"}),
    ),
    "no-device-observer": ("no device observer is told", lambda f: "device_observer_uid" not in f.here),
    "no-person-observer": ("no person observer is told", lambda f: "person_observer_name" not in f.here),
}
_CONDITION_WORDS = {word: shown for word, (shown, _) in _CONDITIONS.items()}


def _holds(condition: str, facts: _Facts) -> bool:
    return not condition or _CONDITIONS[condition][1](facts)


def _words(items: Sequence[ContentItem], key: str, value_set: str) -> Iterator[str]:
    for item in items:
        if item.name is not None and item.name.key == key and isinstance(item.value, Code):
            yield item.value.word(value_set) or item.value.value


@cache
def _concepts_by_key() -> dict[str, tuple[str, Concept]]:
    """Key -> ('code scheme', concept), present codes before retired ones."""
    found: dict[str, tuple[str, Concept]] = {}
    for (code, scheme), concept in concepts().items():
        if scheme:
            found.setdefault(concept.key, (f"{code} {scheme}", concept))
    return found


def _code_of(key: str) -> str:
    return _concepts_by_key()[key][0]


def _named(key: str) -> Concept:
    return _concepts_by_key()[key][1]


def _is_read(key: str) -> bool:
    return _named(key).field is not None or key in _ALSO_READ


def _units_note(place: str, key: str, units: Counter[str]) -> str:
    kind = _named(key).kind
    sent = ", ".join(f"{unit or 'none'} ({count})" for unit, count in units.items())
    unread = [unit for unit in units if kind is not None and _unit(unit).factor(kind) is None]
    note = f"sent in {sent}; the template has {rules()[place][key].unit}"
    return f"{note}; not read: {', '.join(unread)}" if unread else note


def _kind_notes(kind: ItemKind, rule: Rule) -> Iterator[str]:
    """What of `kind` is not as `rule` has it."""
    if kind.relationship != rule.relationship:
        yield f"sent as {kind.relationship or 'nothing'}; the template has {rule.relationship}"
    if kind.value_type not in rule.value_types:
        yield f"sent as {kind.value_type or 'nothing'}; the template has {' or '.join(rule.value_types)}"


@cache
def _unit(value: str) -> Code:
    return Code(value=value, scheme="UCUM", meaning=b"")


def _extra_note(place: str, key: str) -> str:
    return "more than once" if key in rules()[place] else "not in this place of the template"
