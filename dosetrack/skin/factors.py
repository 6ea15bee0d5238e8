"""Each factor of the skin dose of one beam at one point, alone and explained.

    dose = calibration x reference air kerma x inverse square x table x (backscatter x medium)

inside the beam on its entrance side, and nothing elsewhere. Air kerma is a scalar: a tilted patch of
skin gets no cosine. These functions are the explanation, one number at a time; the kernel works the
same product for many points at once and is tested against them.
"""

from __future__ import annotations

from functools import cache
from math import cos, exp, isfinite, log, radians

import numpy as np

from dosetrack.errors import InputError
from dosetrack.skin.quality import FieldFactors, Medium, check_medium
from dosetrack.skin.quality_grid import FloatArray
from dosetrack.tables import constants, rows


def inverse_square(*, source_to_reference_mm: float, source_to_skin_mm: float) -> float:
    """Air kerma at the skin over that at the reference point, both free in air.

    Parameters
    ----------
    source_to_reference_mm : focal spot to the reference point of the report [mm]
    source_to_skin_mm : focal spot to the point of the skin in a straight line, not the depth along
        the beam's axis [mm]

    References
    ----------
    Inverse square law for a point source without attenuation in air; common practice, no source.
    The air lost or gained (0.02 per metre near 80 kV) is left out.

    Examples
    --------
    >>> round(inverse_square(source_to_reference_mm=600, source_to_skin_mm=650), 4)
    0.8521
    """
    _above_zero("source to reference point [mm]", source_to_reference_mm)
    _above_zero("source to skin [mm]", source_to_skin_mm)
    return (source_to_reference_mm / source_to_skin_mm) ** 2


def slant_transmission(transmission: float, *, angle_deg: float) -> float:
    """Transmission of a level table top for a ray that crosses it at an angle, 0 to 1.

    Parameters
    ----------
    transmission : of a ray at a right angle, above 0, at most 1; 1 for a ray that misses the table
    angle_deg : between the ray and the vertical, 0 to below 90 [deg]

    References
    ----------
    Exponential attenuation over the longer path, T0^(1/cos): exact for one photon energy; in a
    real beam the path hardens the spectrum, so this is slightly low at steep angles.

    Examples
    --------
    At 60 degrees the path is twice as long.

    >>> round(slant_transmission(0.75, angle_deg=60), 4)
    0.5625
    """
    if not 0 < transmission <= 1:
        raise InputError(field="table transmission", given=transmission, accepted="above 0, at most 1")
    if not 0 <= angle_deg < 90:
        raise InputError(field="angle to the vertical [deg]", given=angle_deg, accepted="0 to below 90")
    return float(transmission ** (1 / cos(radians(angle_deg))))


def equivalent_square(*, width: float, height: float) -> float:
    """Side of the square field with the backscatter of a rectangle, 2ab/(a+b), in the unit given.

    References
    ----------
    Area over half perimeter, the rule of radiotherapy (common practice, no source). Against
    backscatter summed over rectangles by the Monte Carlo of `tables/README.md` within 1.1 %; the
    root of the area overestimates by up to 4 % at 4:1.

    Examples
    --------
    >>> equivalent_square(width=20, height=5)
    8.0
    """
    _above_zero("field width", width)
    _above_zero("field height", height)
    return 2 * width * height / (width + height)


def field_at_skin_mm(*, field_mm: float, source_to_detector_mm: float, source_to_skin_mm: float) -> float:
    """Side of the field where it meets the skin [mm].

    Parameters
    ----------
    field_mm : side at the detector plane [mm]
    source_to_detector_mm : focal spot to the detector plane [mm]
    source_to_skin_mm : focal spot to the point of the skin in a straight line [mm]

    References
    ----------
    Similar triangles from a point source. With the straight line in place of the depth along the
    axis the side is 4 % too large in the corner of a field of 40 cm, and the dose 0.4 %.

    Examples
    --------
    >>> field_at_skin_mm(field_mm=220, source_to_detector_mm=1050, source_to_skin_mm=630)
    132.0
    """
    _above_zero("field at the detector [mm]", field_mm)
    _above_zero("source to detector [mm]", source_to_detector_mm)
    _above_zero("source to skin [mm]", source_to_skin_mm)
    return field_mm * source_to_skin_mm / source_to_detector_mm


def backscatter_and_medium(factors: FieldFactors, *, side_cm: float) -> float:
    """Absorbed dose to the medium at the skin over air kerma free in air.

    Parameters
    ----------
    factors : of the beam's quality, from `quality.field_factors`
    side_cm : of the square field at the skin [cm]

    Notes
    -----
    Linear in the logarithm of the side between those of the table, its end value beyond. One
    product, not two factors, because scatter softens the spectrum that the medium ratio is
    taken over. How the table was computed, and what it leaves out: `tables/README.md`.

    Examples
    --------
    >>> from dosetrack.skin.beam import Beam
    >>> from dosetrack.skin.quality import field_factors
    >>> beam = Beam(10, 750, 1100, 160, 160, kvp=80, al_mm=3, cu_mm=0.2)
    >>> round(backscatter_and_medium(field_factors(beam), side_cm=20), 2)
    1.58
    """
    _above_zero("field side [cm]", side_cm)
    return float(np.interp(log(side_cm), np.log(factors.sides_cm), factors.medium_and_backscatter))


def calibrated_air_kerma_mgy(displayed_mgy: float, *, calibration_factor: float) -> float:
    """The displayed reference air kerma corrected for this system's meter [mGy].

    Parameters
    ----------
    displayed_mgy : as the system told it [mGy]
    calibration_factor : true over displayed, from the physicist's check; 1 where never checked

    References
    ----------
    The display may err by 35 % (IEC 60601-2-43 and 21 CFR 1020.32(k), from memory).

    Examples
    --------
    >>> calibrated_air_kerma_mgy(800, calibration_factor=0.95)
    760.0
    """
    if not (isfinite(displayed_mgy) and displayed_mgy >= 0):
        raise InputError(
            field="reference air kerma [mGy]", given=displayed_mgy, accepted="a number of at least 0"
        )
    _above_zero("calibration factor", calibration_factor)
    return displayed_mgy * calibration_factor


def kerma_ratio(energy_kev: float, *, medium: Medium) -> float:
    """Collision kerma in `medium` over that in air for photons of one energy.

    Parameters
    ----------
    energy_kev : inside the table, 10 to 150 keV [keV]

    Notes
    -----
    Ratio of energy transfer coefficients of `mu_en_ratio.csv`, logarithmic in energy and ratio
    between its rows; radiative loss is nil here. Soft tissue of ICRU 44 has no coefficients in
    the table and gets water's times the factor between them.

    Examples
    --------
    >>> round(kerma_ratio(60, medium="water"), 2)
    1.05
    """
    check_medium(medium)
    energies, columns = _energy_transfer()
    if not energies[0] <= energy_kev <= energies[-1]:
        accepted = f"{energies[0]:g} to {energies[-1]:g}"
        raise InputError(field="photon energy [keV]", given=energy_kev, accepted=accepted)
    ratio = columns["skin" if medium == "skin" else "water"] / columns["air"]
    at_energy = exp(float(np.interp(log(energy_kev), np.log(energies), np.log(ratio))))
    if medium == "soft tissue":
        at_energy *= constants("skin_factors")["soft_tissue_over_water"].number
    return at_energy


def water_factor_of_hvl(*, hvl_mm_al: float, side_cm: float) -> float:
    """Backscatter times medium ratio for water from the half-value layer alone.

    Parameters
    ----------
    hvl_mm_al : first half-value layer, 1.75 to 11.43 mm aluminium [mm]
    side_cm : of the square field at the skin, 5 to 35 cm [cm]

    Notes
    -----
    A closed fit to the table, rms 0.8 %, worst 2.2 %: for a physicist with a measured half-value
    layer and a pocket calculator, and as a check of the interpolation. The map uses the table.

    Examples
    --------
    >>> round(water_factor_of_hvl(hvl_mm_al=3.03, side_cm=10), 2)
    1.36
    """
    table = constants("skin_factors")
    for name, number, least, most in (
        (
            "half-value layer [mm Al]",
            hvl_mm_al,
            table["fit_least_hvl"].number,
            table["fit_greatest_hvl"].number,
        ),
        (
            "field side [cm]",
            side_cm,
            float(table["fit_reference_side"].low),
            float(table["fit_reference_side"].high),
        ),
    ):
        if not least <= number <= most:
            raise InputError(field=name, given=number, accepted=f"{least:g} to {most:g}")
    hardness, field = log(hvl_mm_al), log(side_cm / table["fit_reference_side"].number)
    return sum(table[f"fit_{i}_{j}"].number * hardness**i * field**j for i in range(4) for j in range(3))


def skin_dose_mgy(
    *,
    reference_air_kerma_mgy: float,
    source_to_reference_mm: float,
    source_to_skin_mm: float,
    transmission: float = 1.0,
    backscatter_and_medium: float,
    calibration_factor: float = 1.0,
) -> float:
    """Absorbed dose to a point of skin inside the beam, on its entrance side [mGy].

    Parameters
    ----------
    transmission : of the table for this ray, `slant_transmission`; 1 when the ray misses it
    backscatter_and_medium : for the quality and the field at the skin

    Examples
    --------
    Under the table, 630 mm from the focal spot; backscatter 1.30, medium 1.03.

    >>> round(skin_dose_mgy(reference_air_kerma_mgy=800, source_to_reference_mm=570,
    ...     source_to_skin_mm=630, transmission=0.80, backscatter_and_medium=1.30 * 1.03,
    ...     calibration_factor=0.95), 3)
    666.427
    """
    kerma = calibrated_air_kerma_mgy(reference_air_kerma_mgy, calibration_factor=calibration_factor)
    distance = inverse_square(
        source_to_reference_mm=source_to_reference_mm, source_to_skin_mm=source_to_skin_mm
    )
    _above_zero("backscatter times medium ratio", backscatter_and_medium)
    return kerma * distance * transmission * backscatter_and_medium


@cache
def _energy_transfer() -> tuple[FloatArray, dict[str, FloatArray]]:
    """(photon energies [keV], medium -> mass energy transfer coefficient [cm2/g])."""
    table = rows("mu_en_ratio")
    energies = np.array([float(row["energy_kev"]) for row in table])
    return energies, {
        medium: np.array([float(row[f"{medium}_cm2_g"]) for row in table])
        for medium in ("air", "water", "skin")
    }


def _above_zero(name: str, number: float) -> None:
    if not (isfinite(number) and number > 0):
        raise InputError(field=name, given=number, accepted="a number above 0")
