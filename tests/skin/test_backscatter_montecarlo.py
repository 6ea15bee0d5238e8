"""The table of backscatter against a Monte Carlo of another structure on other cross sections.

Tolerance 2 %: the two sets of cross sections differ by about 1 % in what scatters, and the
statistical error of a run is about 0.2 %.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from dosetrack.skin.beam import Beam
from dosetrack.skin.factors import backscatter_and_medium
from dosetrack.skin.quality import Medium, field_factors
from dosetrack.tables import constants
from tests.skin.photon_montecarlo import (
    AIR,
    ENERGIES_KEV,
    ICRP_SKIN,
    WATER,
    Escaped,
    FloatArray,
    Water,
    drawn_energies,
    energy_transfer,
    scatter_back,
)
from tests.skin.published_spectra import Spectrum, spectrum

DEPTH_CM = 15.0
SEED = 20261125
WITHIN = 0.02
A_FEW = [(80.0, 3.0, 0.0), (105.0, 3.3, 0.25)]
MANY = [
    (50.0, 2.5, 0.0), (60.0, 3.0, 0.0), (70.0, 3.0, 0.1), (80.0, 3.0, 0.0), (80.0, 3.0, 0.2),
    (100.0, 3.0, 0.0), (100.0, 3.0, 0.3), (120.0, 3.0, 0.1), (125.0, 4.5, 0.9),
    (55.0, 2.7, 0.05), (85.0, 4.0, 0.5), (115.0, 3.6, 0.75),
]  # fmt: skip


@cache
def water() -> Water:
    return Water.make()


@cache
def transfer(medium: str) -> FloatArray:
    return energy_transfer({"air": AIR, "water": WATER, "skin": ICRP_SKIN}[medium], ENERGIES_KEV)


def ratio(beam: Spectrum, back: Escaped, medium: str, *, side_cm: float) -> float:
    """Dose to `medium` with the slab there over air kerma without."""

    def primary(of: str) -> float:
        at_energy = np.interp(beam.energies_kev, ENERGIES_KEV, transfer(of))
        return float(np.sum(beam.fluence * beam.energies_kev * at_energy) / np.sum(beam.fluence))

    return (primary(medium) + back.kerma(transfer(medium), side_cm=side_cm)) / primary("air")


def compare(
    quality: tuple[float, float, float], *, photons: int, sides_cm: tuple[float, ...], within: float = WITHIN
) -> None:
    kvp, al_mm, cu_mm = quality
    beam, chance = spectrum(*quality), np.random.default_rng(SEED)
    energies = drawn_energies(beam.energies_kev, beam.fluence, photons, chance)
    back = scatter_back(water(), energies, depth_cm=DEPTH_CM, chance=chance)
    for side in sides_cm:
        of_air = field_factors(
            Beam(1, 750, 1100, 160, 160, kvp=kvp, al_mm=al_mm, cu_mm=cu_mm, medium_ratio=1.0)
        )
        assert backscatter_and_medium(of_air, side_cm=side) == pytest.approx(
            ratio(beam, back, "air", side_cm=side), rel=within
        )
        media: tuple[Medium, ...] = ("water", "skin")
        for medium in media:
            curve = field_factors(
                Beam(1, 750, 1100, 160, 160, kvp=kvp, al_mm=al_mm, cu_mm=cu_mm), medium=medium
            )
            assert backscatter_and_medium(curve, side_cm=side) == pytest.approx(
                ratio(beam, back, medium, side_cm=side), rel=within
            )


@pytest.mark.parametrize("quality", A_FEW, ids=str)
def test_a_few_qualities_in_a_short_run(quality: tuple[float, float, float]) -> None:
    compare(quality, photons=100_000, sides_cm=(5, 10, 20, 30))


@pytest.mark.long
@pytest.mark.parametrize("quality", MANY, ids=str)
def test_many_qualities_and_fields_in_a_long_run(quality: tuple[float, float, float]) -> None:
    compare(quality, photons=2_000_000, sides_cm=(1, 2, 4, 5, 7, 10, 14, 20, 25, 30, 35))


@pytest.mark.long
@pytest.mark.parametrize(
    "quality", [(40, 3, 0), (140, 3, 0.1), (80, 1.5, 0), (80, 8, 0), (80, 3, 1.5), (60, 6, 0.2)], ids=str
)
def test_the_doubt_outside_the_table_covers_what_its_edge_misses(quality: tuple[float, float, float]) -> None:
    """The edge of the table stands in for these: within twice the doubt it adds."""
    doubt = constants("skin_factors")["doubt_beam-quality-outside-table"].number
    compare(quality, photons=400_000, sides_cm=(2, 5, 10, 20, 30), within=2 * doubt)


def test_energy_is_not_made_and_free_electrons_scatter_as_compton_says() -> None:
    """Of 60 keV photons none comes back with more, nor below what one scatter by 180 degrees many times
    over leaves; the albedo of energy of water lies between 0 and 1.
    """
    energies = np.full(50_000, 60.0)
    back = scatter_back(water(), energies, depth_cm=DEPTH_CM, chance=np.random.default_rng(SEED))
    assert back.energy_kev.max() <= 60.0
    assert back.energy_kev.min() >= ENERGIES_KEV[0]
    once_back = 60.0 / (1 + 2 * 60.0 / 510.999)
    assert np.average(back.energy_kev, weights=back.weight) > once_back - 10
