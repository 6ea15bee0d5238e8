"""A compact photon Monte Carlo of a water slab: backscatter by another hand than the tables'.

Cross sections and form factors are XrayDB's (Elam, and Waasmaier and Kirfel), not those the tables
were computed from. Photons fall at a right angle on one point of a slab without side walls; by
reciprocity what leaves it inside a square round that point is what the middle of a uniform square
field receives. Coherent scatter by the form factors of free atoms; incoherent by Klein-Nishina
times a scattering function 1 - exp(-a x^b) for each electron, whose a and b are fitted so that the
integral gives XrayDB's incoherent cross sections. No fluorescence, no electron transport.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xraydb
from numpy.typing import NDArray
from scipy.optimize import least_squares

FloatArray = NDArray[np.float64]
ELECTRON_REST_KEV = 510.999
KEV_ANGSTROM = 12.39842
WATER = {"H": 0.111898, "O": 0.888102}
AIR = {"C": 0.000124, "N": 0.755268, "O": 0.231781, "Ar": 0.012827}  # dry, NIST, from memory
# ICRP Publication 23, in the NIST list of compositions, from memory
ICRP_SKIN = {
    "H": 0.100588, "C": 0.228250, "N": 0.046420, "O": 0.619002, "Na": 0.00007, "Mg": 0.00006,
    "P": 0.00033, "S": 0.00159, "Cl": 0.00267, "K": 0.00085, "Ca": 0.00015, "Fe": 0.00001, "Zn": 0.00001,
}  # fmt: skip
ATOMS_OF_WATER = {"H": 2, "O": 1}
ENERGIES_KEV = np.arange(5.0, 151.0, 1.0)
COSINES = np.linspace(-1.0, 1.0, 2001)
QUANTILES = np.linspace(0.0, 1.0, 513)
GRAZING = 0.05
"""Below this cosine 1/cos is replaced by its mean, 2/GRAZING, for radiance even over angle."""


def cross_section(composition: dict[str, float], energy_kev: FloatArray, kind: str) -> FloatArray:
    """Mass attenuation coefficient [cm2/g]; kind: 'photo', 'coh', 'incoh' or 'total'."""
    return np.asarray(
        sum(
            share * xraydb.mu_elam(element, energy_kev * 1000, kind=kind)
            for element, share in composition.items()
        )
    )


def energy_transfer(composition: dict[str, float], energy_kev: FloatArray) -> FloatArray:
    """Mass energy transfer coefficient [cm2/g]; Compton electrons take Klein-Nishina's share."""
    angular = klein_nishina(energy_kev)
    taken = 1 - scattered_energy(energy_kev[:, None], COSINES) / energy_kev[:, None]
    share = np.trapezoid(angular * taken, COSINES) / np.trapezoid(angular, COSINES)
    incoherent = cross_section(composition, energy_kev, "incoh")
    return cross_section(composition, energy_kev, "photo") + incoherent * share


def scattered_energy(energy_kev: FloatArray, cosine: FloatArray) -> FloatArray:
    """Energy of a photon after Compton scatter by a free electron at rest [keV]."""
    return energy_kev / (1 + energy_kev / ELECTRON_REST_KEV * (1 - cosine))


def klein_nishina(energy_kev: FloatArray) -> FloatArray:
    """Klein-Nishina over cosine, shape (energies, cosines), arbitrary unit."""
    ratio = scattered_energy(energy_kev[:, None], COSINES) / energy_kev[:, None]
    return ratio**2 * (ratio + 1 / ratio - 1 + COSINES**2)


def momentum_transfer(energy_kev: FloatArray) -> FloatArray:
    """sin(theta/2) over wavelength, shape (energies, cosines) [1/angstrom]."""
    return np.sqrt((1 - COSINES) / 2) * energy_kev[:, None] / KEV_ANGSTROM


def _scattering_function(energy_kev: FloatArray) -> FloatArray:
    """Incoherent scattering of water for each electron, fitted to the cross sections."""
    angular, transfer = klein_nishina(energy_kev), momentum_transfer(energy_kev)
    free = np.trapezoid(angular, COSINES)
    bound = cross_section(WATER, energy_kev, "incoh")
    # the highest energy is nearest to free electrons; the scale is fitted with the shape
    scale = bound[-1] / free[-1]

    def missed(values: FloatArray) -> FloatArray:
        weight = 1 - np.exp(-values[0] * np.maximum(transfer, 1e-12) ** values[1])
        return np.asarray(values[2] * np.trapezoid(angular * weight, COSINES) * scale / bound - 1)

    fit = least_squares(missed, x0=np.array([5.0, 1.5, 1.0]))
    assert np.max(np.abs(missed(fit.x)[energy_kev >= 15])) < 0.02
    return 1 - np.exp(-fit.x[0] * np.maximum(transfer, 1e-12) ** fit.x[1])


def _coherent(energy_kev: FloatArray) -> FloatArray:
    transfer = momentum_transfer(energy_kev)
    factors = sum(
        number * np.reshape(xraydb.f0(element, transfer.ravel()), transfer.shape) ** 2
        for element, number in ATOMS_OF_WATER.items()
    )
    return np.asarray((1 + COSINES**2) * factors)


def _quantile_table(density: FloatArray) -> FloatArray:
    """Cosine over quantile for each energy, shape (energies, quantiles)."""
    steps = (density[:, 1:] + density[:, :-1]) / 2
    below = np.concatenate([np.zeros((len(density), 1)), np.cumsum(steps, axis=1)], axis=1)
    below /= below[:, -1:]
    return np.array([np.interp(QUANTILES, row, COSINES) for row in below])


@dataclass(frozen=True, slots=True, eq=False)
class Water:
    """What the transport needs, over `ENERGIES_KEV`."""

    total: FloatArray
    scattered: FloatArray
    coherent: FloatArray
    coherent_cosine: FloatArray
    compton_cosine: FloatArray

    @classmethod
    def make(cls) -> Water:
        """From XrayDB."""
        coherent = cross_section(WATER, ENERGIES_KEV, "coh")
        incoherent = cross_section(WATER, ENERGIES_KEV, "incoh")
        total = coherent + incoherent + cross_section(WATER, ENERGIES_KEV, "photo")
        angular = klein_nishina(ENERGIES_KEV) * _scattering_function(ENERGIES_KEV)
        return cls(
            total,
            (coherent + incoherent) / total,
            coherent / (coherent + incoherent),
            _quantile_table(_coherent(ENERGIES_KEV)),
            _quantile_table(angular),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Escaped:
    """What left the slab on the side it came in.

    reach_cm : half side of the smallest square round the point of entry that holds the exit [cm]
    weight : over the cosine, so that a sum is fluence for one photon
    energy_kev : [keV]
    number : photons started
    """

    reach_cm: FloatArray
    weight: FloatArray
    energy_kev: FloatArray
    number: int

    def kerma(self, transfer: FloatArray, *, side_cm: float) -> float:
        """Scattered kerma in the middle of a square field for one photon per cm2 [keV/g]."""
        inside = self.reach_cm <= side_cm / 2
        at_energy = np.interp(self.energy_kev[inside], ENERGIES_KEV, transfer)
        return float(np.sum(self.weight[inside] * self.energy_kev[inside] * at_energy) / self.number)


def scatter_back(
    water: Water, energies_kev: FloatArray, *, depth_cm: float, chance: np.random.Generator
) -> Escaped:
    """Follow photons of `energies_kev` until they leave the slab or hardly matter."""
    n = len(energies_kev)
    place, along = np.zeros((3, n)), np.zeros((3, n))
    along[2] = 1.0
    energy, weight = energies_kev.copy(), np.ones(n)
    out: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    while len(energy):
        step = -np.log(1 - chance.random(len(energy))) / np.interp(energy, ENERGIES_KEV, water.total)
        place = place + step * along
        up = place[2] < 0
        if up.any():
            back = place[2][up] / along[2][up]
            reach = np.maximum(*np.abs(place[:2, up] - back * along[:2, up]))
            cosine = -along[2][up]
            over = np.where(cosine < GRAZING, 2 / GRAZING, 1 / np.maximum(cosine, GRAZING))
            out.append((reach, weight[up] * over, energy[up]))
        weight = weight * np.interp(energy, ENERGIES_KEV, water.scattered)
        faint = weight < 0.05
        lives = ~faint | (chance.random(len(energy)) < 0.2)
        weight = np.where(faint, weight / 0.2, weight)
        stays = ~up & (place[2] < depth_cm) & lives & (energy > ENERGIES_KEV[0])
        place, along, energy, weight = place[:, stays], along[:, stays], energy[stays], weight[stays]
        if not len(energy):
            break
        is_coherent = chance.random(len(energy)) < np.interp(energy, ENERGIES_KEV, water.coherent)
        cosine = _cosine(water, energy, is_coherent, chance)
        energy = np.where(is_coherent, energy, scattered_energy(energy, cosine))
        along = _turned(along, cosine, 2 * np.pi * chance.random(len(energy)))
    reach, weight, energy = (np.concatenate(parts) for parts in zip(*out, strict=True))
    return Escaped(reach, weight, energy, n)


def _cosine(
    water: Water, energy: FloatArray, is_coherent: NDArray[np.bool_], chance: np.random.Generator
) -> FloatArray:
    row = (energy - ENERGIES_KEV[0]) / (ENERGIES_KEV[1] - ENERGIES_KEV[0]) + chance.random(len(energy))
    row = np.clip(row.astype(int), 0, len(ENERGIES_KEV) - 1)
    column = chance.random(len(energy)) * (len(QUANTILES) - 1)
    left = column.astype(int)
    table = np.where(is_coherent, water.coherent_cosine[row, left], water.compton_cosine[row, left])
    after = np.where(is_coherent, water.coherent_cosine[row, left + 1], water.compton_cosine[row, left + 1])
    return table + (column - left) * (after - table)


def _turned(along: FloatArray, cosine: FloatArray, azimuth: FloatArray) -> FloatArray:
    """Directions after scatter by `cosine`, turned by `azimuth` about the old ones."""
    sine = np.sqrt(np.maximum(0.0, 1 - cosine**2))
    x, y, z = along
    flat = np.sqrt(np.maximum(1e-14, 1 - z**2))
    c, s = sine * np.cos(azimuth), sine * np.sin(azimuth)
    upright = flat < 1e-6
    new_x = np.where(upright, c, x * cosine + (x * z * c - y * s) / flat)
    new_y = np.where(upright, s, y * cosine + (y * z * c + x * s) / flat)
    new_z = np.where(upright, np.sign(z) * cosine, z * cosine - flat * c)
    turned = np.array([new_x, new_y, new_z])
    return np.asarray(turned / np.linalg.norm(turned, axis=0))


def drawn_energies(
    energies_kev: FloatArray, fluence: FloatArray, number: int, chance: np.random.Generator
) -> FloatArray:
    """`number` photon energies of a spectrum, evenly over its cumulative fluence [keV]."""
    below = np.cumsum(fluence) / np.sum(fluence)
    even = (np.arange(number) + chance.random(number)) / number
    return np.asarray(energies_kev[np.minimum(np.searchsorted(below, even), len(below) - 1)])
