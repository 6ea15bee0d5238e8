"""An invented department behind the pages: settings that are kept in memory."""

import random
from datetime import date, timedelta
from types import SimpleNamespace

import pytest

from dosetrack.audit import AgeGroup, AuditCase, audit, audit_settings
from dosetrack.audit.measures import measure_rules, measures
from dosetrack.settings import SettingChange, checked_scope, checked_value, definitions, resolve

TODAY = "2026-11-25"


class FakeWorkflow:
    """As much of the workflow as the pages ask for; everyone and everything in it is invented."""

    def __init__(self, audit_cases=()):
        self.changes = []
        self.audit_cases = tuple(audit_cases)

    def position(self):
        return len(self.audit_cases) + len(self.changes)

    def months(self):
        return tuple(sorted({f"{case.day:%Y-%m}" for case in self.audit_cases}))

    def audit(self, *, first_day, last_day, room=None):
        cases = [c for c in self.audit_cases if room in (None, c.room)]
        days = {"first_day": date.fromisoformat(first_day), "last_day": date.fromisoformat(last_day)}
        return audit(cases, settings=audit_settings(self.settings()), **days)

    def audit_measures(self, *, first_day, last_day, room=None, with_comparisons=False):
        cases = [c for c in self.audit_cases if room in (None, c.room)]
        days = {"first_day": date.fromisoformat(first_day), "last_day": date.fromisoformat(last_day)}
        rules = measure_rules(self.settings())
        return measures(cases, rules=rules, with_comparisons=with_comparisons, **days)

    def today(self):
        return TODAY

    def rooms(self):
        return ("Room 1", "Room 2")

    def people(self, room):
        return ("Dr Invented One", "Dr Invented Two")

    def cases(self, *, first_day=None, last_day=None):
        return tuple(SimpleNamespace(procedure=name) for name in ("TIPS", "Liver embolisation", None, "TIPS"))

    def settings(self, *, room=None, procedure=None, day=None):
        return resolve(self.changes, day=day or TODAY, room=room, procedure=procedure)

    def setting_views(self, scope="site"):
        place, _, name = scope.partition(":")
        settings = self.settings(**({place: name} if name else {}))
        return tuple(
            SimpleNamespace(
                definition=wanted,
                value=settings.values[key],
                origin=settings.origins[key],
                history=tuple(c for c in reversed(self.changes) if c.key == key),
            )
            for key, wanted in definitions().items()
        )

    def change_setting(self, *, key, scope, value, valid_from, actor, reason, source=None):
        self.changes.append(
            SettingChange(
                seq=len(self.changes) + 1,
                key=key,
                scope=checked_scope(key, scope),
                value=checked_value(key, value),
                valid_from=valid_from,
                recorded_at=f"{TODAY}T09:00:00+00:00",
                actor=actor.name,
                reason=reason,
                source=source,
            )
        )


# procedure, cases a month, typical DAP [Gy·cm²], typical Ka,r [mGy], minutes, mL: invented
PROCEDURES = (
    ("TIPS", 3, 330.0, 1900.0, 42.0, 120.0),
    ("Liver embolisation", 6, 210.0, 1100.0, 24.0, 110.0),
    ("Uterine embolisation", 2, 120.0, 700.0, 22.0, 90.0),
    ("Biliary drainage", 5, 28.0, 180.0, 14.0, 35.0),
    ("Coronary intervention", 12, 60.0, 1000.0, 16.0, 150.0),
    ("Cerebral angiography", 6, 90.0, 600.0, 12.0, 130.0),
)
OPERATORS = ("Dr Invented One", "Dr Invented Two", "Dr Invented Three", "Dr Invented Four")


def invented_cases(months=14, seed=20261125):
    """Cases of an invented department up to October 2026, most recent month last."""
    chance = random.Random(seed)
    found = []
    for back in range(months - 1, -1, -1):
        number = 2026 * 12 + 9 - back
        first = date(number // 12, number % 12 + 1, 1)
        for procedure, n, *typical in PROCEDURES:
            for _ in range(max(0, n + chance.choice((-1, 0, 0, 1)))):
                found.append(_invented_case(len(found), first, procedure, typical, chance))
    return found


def _invented_case(number, first, procedure, typical, chance):
    size = chance.lognormvariate(0, 0.55)
    dap, kerma, minutes, ml = (value * size * chance.lognormvariate(0, 0.15) for value in typical)
    room = "Room 2" if procedure in ("Coronary intervention", "Cerebral angiography") else "Room 1"
    quantities = {
        "dose_area_product_gycm2": dap if chance.random() > 0.06 else None,
        "reference_air_kerma_mgy": kerma if room == "Room 1" or chance.random() > 0.2 else None,
        "fluoroscopy_time_s": minutes * 60,
        "contrast_ml": ml if chance.random() > 0.1 else None,
        "iodine_g": ml * 0.32 if chance.random() > 0.2 else None,
    }
    return AuditCase(
        id=f"invented-{number}",
        day=first + timedelta(days=chance.randrange(28)),
        procedure=procedure if chance.random() > 0.02 else None,
        room=room,
        operator=chance.choice(OPERATORS),
        quantities=quantities,
        reference_air_kerma_by_plane_mgy={"single": quantities["reference_air_kerma_mgy"]},
        age_group=AgeGroup.UNDER_18 if chance.random() < 0.01 else AgeGroup.ADULT,
    )


@pytest.fixture(scope="session")
def department():
    """Fourteen months of an invented department, and a page's view of it."""
    return FakeWorkflow(invented_cases())


@pytest.fixture
def workflow():
    return FakeWorkflow()


def _texts(component):
    if component is None or isinstance(component, bool):
        return
    if isinstance(component, (str, int, float)):
        yield str(component)
        return
    if isinstance(component, (list, tuple)):
        for child in component:
            yield from _texts(child)
        return
    for name in ("label", "description", "children"):
        yield from _texts(getattr(component, name, None))


@pytest.fixture
def words():
    """All the words of a component, in the order they stand."""
    return lambda component: " ".join(_texts(component))


@pytest.fixture
def found():
    """Every component of a layout that meets a condition."""

    def walk(component):
        if isinstance(component, (list, tuple)):
            for child in component:
                yield from walk(child)
        elif component is not None and not isinstance(component, (str, int, float)):
            yield component
            yield from walk(getattr(component, "children", None))

    return lambda layout, condition: [c for c in walk(layout) if condition(c)]
