"""Iodine arithmetic against product labels, and what does not count."""

from __future__ import annotations

import pytest

from dosetrack.kidney import ContrastGiven, EarlierContrast, contrast_totals
from dosetrack.kidney.iodine import iodine_g, volume_ml
from dosetrack.records.entries import Agent, Injection, InjectionSite, Knowledge


@pytest.mark.parametrize(
    ("neat_ml", "concentration", "grams"),
    # US labels of iohexol and iodixanol as restated by drug monograph pages
    [(250, 350, 87.5), (291, 300, 87.3), (70, 300, 21), (150, 300, 45), (80, 350, 28), (120, 240, 28.8)],
)
def test_iodine_as_labels_print_it(neat_ml: float, concentration: float, grams: float) -> None:
    assert iodine_g(neat_ml=neat_ml, concentration_mgi_ml=concentration) == pytest.approx(grams)
    assert volume_ml(iodine_g=grams, concentration_mgi_ml=concentration) == pytest.approx(neat_ml)


def test_a_one_to_one_mix_counts_half_its_volume() -> None:
    # 20 mL of a 1:1 mix of 300 mg I/mL: 10 mL neat, 3.0 g I (arithmetic)
    totals = contrast_totals([Injection(volume_ml=20, concentration_mgi_ml=300, contrast_fraction=0.5)])
    assert (totals.contrast_ml, totals.neat_ml, totals.iodine_g) == (20, 10, pytest.approx(3.0))
    assert totals.ml_350 == pytest.approx(3.0 / 0.350)


def test_gas_gadolinium_saline_and_other_spaces_are_kept_apart() -> None:
    totals = contrast_totals(
        [
            Injection(volume_ml=30, concentration_mgi_ml=320),
            Injection(volume_ml=40, agent=Agent.CARBON_DIOXIDE),
            Injection(volume_ml=50, agent=Agent.CARBON_DIOXIDE),
            Injection(volume_ml=15, agent=Agent.GADOLINIUM),
            Injection(volume_ml=10, agent=Agent.SALINE),
            Injection(volume_ml=7, concentration_mgi_ml=300, site=InjectionSite.NOT_INTRAVASCULAR),
        ]
    )
    assert (totals.contrast_ml, totals.injections) == (30, 1)
    assert totals.iodine_g == pytest.approx(9.6)
    assert (totals.carbon_dioxide_ml, totals.carbon_dioxide_injections) == (90, 2)
    assert (totals.gadolinium_ml, totals.saline_ml, totals.not_intravascular_ml) == (15, 10, 7)


def test_unknown_concentration_is_at_least_and_never_zero() -> None:
    some = contrast_totals([Injection(volume_ml=10, concentration_mgi_ml=300), Injection(volume_ml=5)])
    assert some.iodine_g == pytest.approx(3.0)
    assert not some.is_iodine_complete
    assert some.unknown_concentration_ml == 5
    none = contrast_totals([Injection(volume_ml=5)])
    assert none.iodine_g is None
    assert none.ml_350 is None
    assert none.neat_ml == 5


def test_no_injection_is_zero_iodine() -> None:
    assert contrast_totals([]).iodine_g == 0


@pytest.mark.parametrize(
    ("earlier", "words", "is_known"),
    [
        (EarlierContrast(), "118 mL now, earlier contrast not known", False),
        (EarlierContrast(Knowledge.NO), "118 mL now", True),
        (EarlierContrast(Knowledge.YES, 90, 27.0), "118 mL now + 90 mL earlier", True),
        (EarlierContrast(Knowledge.YES, 90), "118 mL now + 90 mL earlier", False),
        (EarlierContrast(Knowledge.YES), "118 mL now + amount not known earlier", False),
    ],
)
def test_earlier_contrast_is_a_labelled_second_part(
    earlier: EarlierContrast, words: str, is_known: bool
) -> None:
    now = contrast_totals([Injection(volume_ml=118, concentration_mgi_ml=320)])
    given = ContrastGiven(now, earlier)
    assert given.in_words() == words
    assert given.is_earlier_known is is_known
