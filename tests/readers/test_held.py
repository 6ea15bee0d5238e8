"""A report read after an earlier one of its case is the report that a whole reading gives."""

from __future__ import annotations

import pickle
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from rdsr_files import SYNTAXES, EventPlan, accumulated, code, coded, event, item, num, report, saved

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report, read_report_after
from dosetrack.readers.held import HeldEvents

PLANS = [EventPlan(number=n, type="stationary" if n % 3 == 0 else "fluoroscopy") for n in range(1, 13)]


def file_of(plans: list[EventPlan], syntax: str = "explicit", *, undefined: bool = False, **header) -> bytes:
    total = {"113722": (f"{0.000123 * len(plans):.6f}", "Gy.m2")}
    whole = report([accumulated("single", total), *map(event, plans)], **header)
    return saved(whole, syntax, undefined=undefined)


def held_of(data: bytes, held: HeldEvents | None = None) -> HeldEvents:
    found = read_report_after(data, file="earlier.dcm", held=held).held
    assert found is not None
    return found


def taken_of(data: bytes, held: HeldEvents | None) -> int:
    """How many events were taken over, the report being the one of a whole reading."""
    after = read_report_after(data, file="later.dcm", held=held)
    assert after.report == read_report(data, file="later.dcm")
    return after.taken


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_events_told_before_are_taken_over(syntax: str, undefined: bool) -> None:
    earlier = file_of(PLANS[:9], syntax, undefined=undefined)
    later = file_of(PLANS, syntax, undefined=undefined)
    assert taken_of(earlier, None) == 0
    held = held_of(earlier)
    assert taken_of(later, held) == 9
    assert taken_of(later, held_of(later, held)) == 12  # what was taken over is held on
    assert taken_of(later, pickle.loads(pickle.dumps(held))) == 9  # another process may hold them


def test_an_event_told_otherwise_is_read() -> None:
    held = held_of(file_of(PLANS))
    changed = [*PLANS[:4], replace(PLANS[4], kerma_gy="0.00457"), *PLANS[5:]]  # same UID, plane and length
    after = read_report_after(file_of(changed), file="later.dcm", held=held)
    assert after.taken == 11
    assert after.report.events[4].reference_air_kerma_mgy == pytest.approx(4.57)


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
def test_order_repetition_and_absence_change_nothing(undefined: bool) -> None:
    held = held_of(file_of(PLANS, undefined=undefined))
    for plans in (PLANS[::-1], PLANS[3:], [*PLANS[:2], *PLANS[:2]], PLANS[::5]):
        assert taken_of(file_of(plans, undefined=undefined), held) == len(plans)


@pytest.mark.parametrize(
    "other",
    [
        file_of(PLANS, "implicit"),
        file_of(PLANS, "big-endian"),
        file_of(PLANS, SpecificCharacterSet="ISO_IR 192"),
        file_of(PLANS, TimezoneOffsetFromUTC="+0100"),
        saved(report([accumulated("single", {"113737": ("600", "mm")}), *map(event, PLANS)])),
        saved(report([accumulated("a", {"113722": ("1", "Gy.m2")}), *map(event, PLANS)])),
    ],
    ids=["syntax", "byte order", "character set", "offset", "reference point of the totals", "plane"],
)
def test_nothing_is_taken_over_where_bytes_are_read_otherwise(other: bytes) -> None:
    assert taken_of(other, held_of(file_of(PLANS))) == 0


def test_an_event_something_was_found_about_is_read_again() -> None:
    odd = replace(PLANS[0], extra=[num("113733", "9999", "kV"), coded("77", ("1", "99X", "x"))])
    held = held_of(file_of([odd, *PLANS[1:]]))
    assert taken_of(file_of([odd, *PLANS[1:]]), held) == 11


def test_persons_of_events_taken_over_are_operators() -> None:
    person = item(
        "CONTAINS", "PNAME", ("113870", "DCM", "Person Name"), PersonName="Authorizing^Ada",
        children=[coded("113875", ("113850", "DCM", "Irradiation Authorizing"), relation="HAS PROPERTIES")],
    )  # fmt: skip
    data = file_of([replace(PLANS[0], extra=[person]), replace(PLANS[1], extra=[person])])
    after = read_report_after(data, file="x", held=held_of(data))
    assert after.taken == 2
    assert after.report.operators == ("Authorizing^Ada",)
    assert after.report == read_report(data, file="x")


def test_text_that_had_to_be_guessed_is_read_again() -> None:
    data = file_of(PLANS[:2], SpecificCharacterSet="ISO_IR 192")
    guessed = data.replace("Zoë".encode(), b"Zo\xeb ")
    assert read_report_after(guessed, file="x", held=None).held is not None
    assert taken_of(guessed, held_of(guessed)) == 0


def test_what_is_refused_whole_is_refused_after_another_too() -> None:
    data = file_of(PLANS)
    held = held_of(data)
    for broken in (data[:-40], data[: len(data) // 2], b"", b"x" * 500):
        with pytest.raises(ReportRefusedError) as whole:
            read_report(broken, file="x")
        with pytest.raises(ReportRefusedError) as after:
            read_report_after(broken, file="x", held=held)
        assert after.value.reason.split(":")[0] == whole.value.reason.split(":")[0]


def test_other_objects_are_read_as_ever_and_hold_nothing() -> None:
    from pydicom.sequence import Sequence

    image = Dataset()
    image.SOPClassUID = "1.2.840.10008.5.1.4.1.1.12.1"
    image.SOPInstanceUID = "1.2.3"
    image.ImageAndFluoroscopyAreaDoseProduct = "1.5"
    image.add_new(0x7FE00010, "OW", b"\0\0")
    data = saved(image)
    assert read_report_after(data, file="x", held=None).held is None
    other = report([event(EventPlan())], ConceptNameCodeSequence=Sequence([code("11528-7", "LN", "Other")]))
    with pytest.raises(ReportRefusedError):
        read_report_after(saved(other), file="x", held=None)


numbers = st.integers(0, 11)


@settings(max_examples=25)
@given(
    before=st.lists(numbers, max_size=12),
    now=st.lists(numbers, min_size=1, max_size=12),
    changed=st.sets(numbers),
    undefined=st.booleans(),
    syntax=st.sampled_from(sorted(SYNTAXES)),
)
def test_any_two_reports(before, now, changed, undefined, syntax) -> None:
    earlier = file_of([PLANS[n] for n in before] or PLANS[:1], syntax, undefined=undefined)
    plans = [replace(PLANS[n], dap_gym2="0.00234") if n in changed else PLANS[n] for n in now]
    later = file_of(plans, syntax, undefined=undefined)
    expected = sum(n in before or (not before and n == 0) for n in now if n not in changed)
    assert taken_of(later, held_of(earlier)) == expected
