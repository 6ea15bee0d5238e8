"""Spectra of SpekPy for the tests: kerma-weighted means by another library than the tables' reader."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import spekpy
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ANODE_DEG = 12
"""The tables' recipe: tungsten, 12 degrees, 1 keV, 100 cm."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Fluence over photon energy [keV], and what SpekPy says of it."""

    energies_kev: FloatArray
    fluence: FloatArray
    mean_energy_kev: float
    behind: Any

    @property
    def hvl_mm_al(self) -> float:
        """First half-value layer [mm Al]."""
        return float(self.behind.get_hvl1())

    @property
    def hvl2_mm_al(self) -> float:
        """Second half-value layer [mm Al]."""
        return float(self.behind.get_hvl2())

    def transmission(self, al_mm: float) -> float:
        """Narrow-beam transmission of air kerma through `al_mm` of aluminium."""
        further = spekpy.Spek.clone(self.behind).filter("Al", al_mm)
        return float(further.get_kerma() / self.behind.get_kerma())

    def mean(self, at_energy: FloatArray, *, weight: FloatArray) -> float:
        """Mean of `at_energy` over energy fluence times `weight`."""
        by = self.fluence * self.energies_kev * weight
        return float(np.sum(by * at_energy) / np.sum(by))


@cache
def _unfiltered(kvp: float) -> Any:
    return spekpy.Spek(kvp=kvp, th=ANODE_DEG, dk=1, z=100)


@cache
def spectrum(kvp: float, al_mm: float, cu_mm: float) -> Spectrum:
    """The spectrum of the tables' recipe."""
    made = spekpy.Spek.clone(_unfiltered(kvp)).filter("Al", al_mm)
    if cu_mm:
        made.filter("Cu", cu_mm)
    energies, fluence = (np.asarray(one, dtype=np.float64) for one in made.get_spectrum())
    return Spectrum(energies, fluence, float(made.get_emean()), made)
