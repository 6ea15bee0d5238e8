"""Sums of what was injected: contrast volume, undiluted volume and iodine.

Only iodinated contrast in the blood counts. Gas, gadolinium, saline and contrast elsewhere in the
body are added up apart. An injection without a concentration has unknown iodine, never zero.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dosetrack.records.entries import Agent, Injection, InjectionSite, Knowledge
from dosetrack.tables import constants

_MG_PER_G = 1000.0


@dataclass(frozen=True, slots=True)
class ContrastTotals:
    """Sums over injections. Volumes [mL], iodine [g].

    contrast_ml : iodinated contrast given into the blood, diluted or not
    neat_ml : the undiluted product in it; this is what volume limits are compared with
    iodine_g : its iodine where the concentration is known; None when it is known of no injection
    ml_350 : volume of a 350 mg I/mL product with the same iodine
    is_iodine_complete : False when an injection's concentration is unknown ('at least')
    unknown_concentration_ml : undiluted mL whose iodine is not known
    carbon_dioxide_ml : gas millilitres, never added to contrast
    """

    contrast_ml: float = 0.0
    neat_ml: float = 0.0
    iodine_g: float | None = 0.0
    ml_350: float | None = 0.0
    is_iodine_complete: bool = True
    injections: int = 0
    unknown_concentration_ml: float = 0.0
    carbon_dioxide_ml: float = 0.0
    carbon_dioxide_injections: int = 0
    gadolinium_ml: float = 0.0
    saline_ml: float = 0.0
    not_intravascular_ml: float = 0.0


@dataclass(frozen=True, slots=True)
class EarlierContrast:
    """Contrast of the look-back window before this case.

    knowledge : UNKNOWN until someone said or a case on record shows it
    neat_ml, iodine_g : None when the amount is not known [mL, g]
    given_at : ISO 8601 days or times, where known
    """

    knowledge: Knowledge = Knowledge.UNKNOWN
    neat_ml: float | None = None
    iodine_g: float | None = None
    given_at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ContrastGiven:
    """What counts against the limits: this case and, as a second part, the window before it."""

    now: ContrastTotals = ContrastTotals()
    earlier: EarlierContrast = EarlierContrast()

    @property
    def used_neat_ml(self) -> float:
        """Undiluted volume of both parts, as far as known [mL]."""
        return self.now.neat_ml + (self.earlier.neat_ml or 0.0)

    @property
    def used_iodine_g(self) -> float | None:
        """Iodine of both parts as far as known; None when it is known of neither [g]."""
        if self.now.iodine_g is None and not self.earlier.iodine_g:
            return None
        return (self.now.iodine_g or 0.0) + (self.earlier.iodine_g or 0.0)

    @property
    def unknown_iodine_ml(self) -> float:
        """Undiluted volume of both parts whose iodine is not known [mL]."""
        earlier = self.earlier.neat_ml or 0.0
        return self.now.unknown_concentration_ml + (earlier if self.earlier.iodine_g is None else 0.0)

    @property
    def is_complete(self) -> bool:
        """Every amount is known: else the used parts are 'at least'."""
        return self.now.is_iodine_complete and self.is_earlier_known

    @property
    def is_earlier_known(self) -> bool:
        """The window before this case is known, amount included."""
        if self.earlier.knowledge is Knowledge.YES:
            return self.earlier.neat_ml is not None and self.earlier.iodine_g is not None
        return self.earlier.knowledge is Knowledge.NO

    def in_words(self) -> str:
        """'118 mL now + 90 mL earlier', the earlier part by name when it is not known."""
        now = f"{self.now.neat_ml:g} mL now"
        if self.earlier.knowledge is Knowledge.YES:
            earlier = "amount not known" if self.earlier.neat_ml is None else f"{self.earlier.neat_ml:g} mL"
            return f"{now} + {earlier} earlier"
        if self.earlier.knowledge is Knowledge.NO:
            return now
        return f"{now}, earlier contrast not known"


def iodine_g(*, neat_ml: float, concentration_mgi_ml: float) -> float:
    """Iodine in a volume of undiluted product [g].

    Examples
    --------
    >>> iodine_g(neat_ml=250, concentration_mgi_ml=350)
    87.5
    """
    return neat_ml * concentration_mgi_ml / _MG_PER_G


def volume_ml(*, iodine_g: float, concentration_mgi_ml: float) -> float:
    """Undiluted volume that holds this iodine [mL]."""
    return iodine_g * _MG_PER_G / concentration_mgi_ml


def reference_concentration_mgi_ml() -> float:
    """The concentration volumes are expressed at for comparison: 350 mg I/mL."""
    return constants("contrast_limits")["esur10_volume_concentration"].number


def neat_volume_ml(injection: Injection) -> float:
    """The undiluted product in one injection [mL]."""
    return injection.volume_ml * injection.contrast_fraction


def counts(injection: Injection) -> bool:
    """The injection adds to contrast and iodine: iodinated, and into the blood."""
    return injection.agent is Agent.IODINATED and injection.site is not InjectionSite.NOT_INTRAVASCULAR


def contrast_totals(injections: Iterable[Injection]) -> ContrastTotals:
    """Sums over `injections`; parts that do not count are kept apart."""
    given = tuple(injections)
    counted = [one for one in given if counts(one)]
    known = [(one, one.concentration_mgi_ml) for one in counted if one.concentration_mgi_ml is not None]
    unknown = [one for one in counted if one.concentration_mgi_ml is None]
    iodine: float | None = 0.0 + sum(
        iodine_g(neat_ml=neat_volume_ml(one), concentration_mgi_ml=concentration)
        for one, concentration in known
    )
    if unknown and not known:
        iodine = None
    return ContrastTotals(
        contrast_ml=_sum_ml(counted),
        neat_ml=float(sum(neat_volume_ml(one) for one in counted)),
        iodine_g=iodine,
        ml_350=None if iodine is None else _ml_350(iodine),
        is_iodine_complete=not unknown,
        injections=len(counted),
        unknown_concentration_ml=float(sum(neat_volume_ml(one) for one in unknown)),
        carbon_dioxide_ml=_sum_ml(_of(given, Agent.CARBON_DIOXIDE)),
        carbon_dioxide_injections=len(_of(given, Agent.CARBON_DIOXIDE)),
        gadolinium_ml=_sum_ml(_of(given, Agent.GADOLINIUM)),
        saline_ml=_sum_ml(_of(given, Agent.SALINE)),
        not_intravascular_ml=_sum_ml(
            one for one in _of(given, Agent.IODINATED) if one.site is InjectionSite.NOT_INTRAVASCULAR
        ),
    )


def _ml_350(grams: float) -> float:
    return volume_ml(iodine_g=grams, concentration_mgi_ml=reference_concentration_mgi_ml())


def _of(given: tuple[Injection, ...], agent: Agent) -> list[Injection]:
    return [one for one in given if one.agent is agent]


def _sum_ml(injections: Iterable[Injection]) -> float:
    return float(sum(one.volume_ml for one in injections))
