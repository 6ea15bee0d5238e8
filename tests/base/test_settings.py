"""Settings in force: procedure before room before site before default, each from its first day."""

from __future__ import annotations

import pytest

from dosetrack.errors import InputError
from dosetrack.settings import SettingChange, checked_scope, checked_value, definitions, resolve
from dosetrack.tables import constants

KEY = "levels.reference_air_kerma.first_mgy"


def change(
    seq: int, value: str, *, scope: str = "site", valid_from: str = "2026-01-01", key: str = KEY
) -> SettingChange:
    """A recorded change; only what differs between the cases is given."""
    return SettingChange(
        seq=seq,
        key=key,
        scope=scope,
        value=value,
        valid_from=valid_from,
        recorded_at="2026-01-01T08:00:00+00:00",
        actor="Physicist (invented)",
        reason=None,
        source=None,
    )


def test_without_changes_the_published_default_holds() -> None:
    settings = resolve([], day="2026-06-01")
    assert settings.text(KEY) == constants("notification_levels")["sir_kar_first"].value
    assert settings.origins[KEY] == "default"
    assert settings.seq == 0


def test_procedure_before_room_before_site() -> None:
    changes = [
        change(3, "2000", scope="procedure:TIPS"),
        change(2, "2500", scope="room:Room 2"),
        change(1, "2800"),
    ]
    in_force = {
        (room, procedure): resolve(changes, day="2026-06-01", room=room, procedure=procedure)
        for room in (None, "Room 1", "Room 2")
        for procedure in (None, "TIPS", "TACE")
    }
    assert in_force[(None, None)].number(KEY) == 2800
    assert in_force[("Room 1", "TACE")].number(KEY) == 2800
    assert in_force[("Room 2", None)].number(KEY) == 2500
    assert in_force[("Room 2", "TIPS")].number(KEY) == 2000
    assert in_force[("Room 1", "TIPS")].number(KEY) == 2000
    assert in_force[("Room 2", "TIPS")].origins[KEY] == "procedure:TIPS"
    assert in_force[("Room 2", "TACE")].origins[KEY] == "room:Room 2"


@pytest.mark.parametrize(
    ("day", "value"),
    [("2026-02-28", 3000), ("2026-03-01", 2800), ("2026-05-31", 2800), ("2026-06-01", 2500)],
)
def test_a_change_holds_from_its_first_day_on(day: str, value: float) -> None:
    # 3000 mGy: the default, SIR first notification of reference air kerma (from memory)
    changes = [change(1, "2500", valid_from="2026-06-01"), change(2, "2800", valid_from="2026-03-01")]
    assert resolve(changes, day=day).number(KEY) == value


def test_of_two_changes_for_one_day_the_later_entry_holds() -> None:
    assert resolve([change(5, "2100"), change(4, "2200")], day="2026-06-01").number(KEY) == 2100


def test_an_empty_value_goes_back_to_the_next_wider_scope() -> None:
    changes = [
        change(1, "2800"),
        change(2, "2500", scope="room:Room 2"),
        change(3, "", scope="room:Room 2", valid_from="2026-05-01"),
    ]
    assert resolve(changes, day="2026-04-30", room="Room 2").number(KEY) == 2500
    assert resolve(changes, day="2026-05-01", room="Room 2").number(KEY) == 2800


def test_the_order_in_which_changes_are_told_does_not_matter() -> None:
    changes = [
        change(1, "2800"),
        change(2, "2500", valid_from="2026-03-01"),
        change(3, "2600", scope="room:A"),
    ]
    forward = resolve(changes, day="2026-06-01", room="A")
    assert resolve(changes[::-1], day="2026-06-01", room="A") == forward


def test_an_unset_number_is_not_zero() -> None:
    settings = resolve([], day="2026-06-01")
    assert settings.number_or_none("radiation.calibration_factor") is None
    with pytest.raises(InputError, match="none yet"):
        settings.number("radiation.calibration_factor")


def test_unknown_key_is_refused() -> None:
    with pytest.raises(InputError, match="settings page"):
        resolve([], day="2026-06-01").text("levels.nothing")


def test_pairs_and_lines_leave_out_what_is_empty_or_no_pair() -> None:
    changes = [change(1, "AX1 = Room 1\n\n  AX2=Room 2 \nno pair", key="site.rooms")]
    settings = resolve(changes, day="2026-06-01")
    assert settings.pairs("site.rooms") == {"AX1": "Room 1", "AX2": "Room 2"}
    assert settings.lines("site.rooms") == ("AX1 = Room 1", "AX2=Room 2", "no pair")


@pytest.mark.parametrize(
    ("key", "given"),
    [
        (KEY, "-1"),
        (KEY, "0"),
        (KEY, "99"),
        (KEY, "20001"),
        (KEY, "nan"),
        (KEY, "inf"),
        (KEY, "3 Gy"),
        (KEY, "three"),
        ("contrast.show_esc_rows", "true"),
        ("kidney.creatinine_unit", "mmol/L"),
    ],
)
def test_a_value_outside_what_is_possible_is_refused_saying_what_is(key: str, given: str) -> None:
    with pytest.raises(InputError) as caught:
        checked_value(key, given)
    assert caught.value.accepted
    assert caught.value.given == given


@pytest.mark.parametrize(
    ("key", "given", "stored"),
    [
        (KEY, " 2500 ", "2500"),
        (KEY, "", ""),
        ("contrast.show_esc_rows", "yes", "yes"),
        ("kidney.creatinine_unit", "umol/L", "umol/L"),
    ],
)
def test_a_possible_value_is_stored_as_typed(key: str, given: str, stored: str) -> None:
    assert checked_value(key, given) == stored


@pytest.mark.parametrize("scope", ["site", "room:Room 2", "procedure:TIPS"])
def test_scopes_of_a_level(scope: str) -> None:
    assert checked_scope(KEY, scope) == scope


@pytest.mark.parametrize("scope", ["room:", "room", "ward:A", "", "procedure:"])
def test_an_unknown_scope_is_refused(scope: str) -> None:
    with pytest.raises(InputError, match="room:NAME"):
        checked_scope(KEY, scope)


def test_a_site_wide_setting_cannot_be_set_for_a_room() -> None:
    with pytest.raises(InputError):
        checked_scope("contrast.lookback_h", "room:Room 2")


def test_every_default_passes_its_own_check_and_names_its_source() -> None:
    for key, wanted in definitions().items():
        assert checked_value(key, wanted.default) == wanted.default
        assert bool(wanted.source) == bool(wanted.default), key
        assert wanted.scopes, key
        assert wanted.meaning, key
        if wanted.kind == "choice":
            assert wanted.choices, key
