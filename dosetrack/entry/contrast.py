"""Typed injections: volume, concentration, dilution, agent and site."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from dosetrack.entry.answers import Question, Typed
from dosetrack.entry.bounds import bound, checked, is_inside
from dosetrack.errors import InputError, OutOfBoundsError
from dosetrack.records.entries import Agent, Injection, InjectionSite
from dosetrack.tables import constants
from dosetrack.units import parse_decimal, parse_quantity

_PERCENT = re.compile(r"([\d.,]+)\s*%")
_RATIO = re.compile(r"\d+\s*[:/]\s*\d+")
_UNDILUTED = ("", "undiluted", "neat", "full strength", "full-strength", "none", "100 %")
_HALF = ("1:1", "1 : 1", "half strength", "half-strength")
_AGENTS = {
    "": Agent.IODINATED,
    "iodinated": Agent.IODINATED,
    "contrast": Agent.IODINATED,
    "co2": Agent.CARBON_DIOXIDE,
    "co₂": Agent.CARBON_DIOXIDE,
    "carbon dioxide": Agent.CARBON_DIOXIDE,
    "gadolinium": Agent.GADOLINIUM,
    "gbca": Agent.GADOLINIUM,
    "saline": Agent.SALINE,
}
_PERCENT_OF_WHOLE = 100


def injection_from_text(
    volume: str,
    *,
    concentration: str | None = None,
    dilution: str | None = None,
    agent: str | None = None,
    site: str | None = None,
    route: str | None = None,
    run: str | None = None,
    from_injector: bool = False,
    volume_unit: str | None = None,
    usual_concentration_mgi_ml: float | None = None,
    given_so_far_ml: float = 0.0,
) -> Typed[Injection]:
    """One injection as typed.

    Parameters
    ----------
    volume : with its unit, e.g. '12 mL', or bare where `volume_unit` names one
    concentration : of the undiluted product; a bare number is mg I/mL, as labels print it
    dilution : '1:1', '50 %', 'half-strength', 'undiluted'; None is undiluted
    agent : 'iodinated' (default), 'CO2', 'gadolinium', 'saline'
    site : 'first-pass', 'second-pass', 'venous', 'not-intravascular', or a place such as 'coronary'
    from_injector : a power injector gave it; its bounds are wider
    usual_concentration_mgi_ml : taken where `concentration` is None [mg I/mL]
    given_so_far_ml : contrast of this case before this injection [mL]

    Raises
    ------
    InputError
        A text that cannot be used, a number without a unit, or an impossible one.
    """
    what = agent_from_text(agent)
    millilitres = parse_quantity(volume, "volume", field="volume", default_unit=volume_unit)
    questions = _volume_questions(millilitres, what, given=volume, from_injector=from_injector)
    strength, asked = _concentration(concentration, what, usual=usual_concentration_mgi_ml)
    if what is Agent.IODINATED:
        questions += _total_questions(given_so_far_ml + millilitres)
    injection = Injection(
        volume_ml=millilitres,
        concentration_mgi_ml=strength,
        contrast_fraction=contrast_fraction_from_text(dilution),
        agent=what,
        site=site_from_text(site),
        route=route,
        from_injector=from_injector,
        run=run,
    )
    return Typed(injection, questions=(*questions, *asked))


def contrast_fraction_from_text(text: str | None) -> float:
    """The part of a mixture that is contrast product, 0 to 1; None or '' is undiluted.

    '1:1', '50 %' and 'half-strength' mean the same. '1:2' can mean one part in two or in three and
    is refused.

    Examples
    --------
    >>> contrast_fraction_from_text("50 %")
    0.5
    """
    plain = " ".join((text or "").lower().split())
    if plain in _UNDILUTED:
        return 1.0
    if plain in _HALF:
        return 0.5
    percent = _PERCENT.fullmatch(plain)
    if percent is not None:
        part = parse_decimal(percent.group(1), field="dilution") / _PERCENT_OF_WHOLE
        if not 0 < part <= 1:
            raise OutOfBoundsError(field="dilution", given=text, accepted="above 0 % up to 100 %")
        return float(part)
    accepted = (
        "the part that is contrast as a percentage, e.g. '50 %'; also '1:1', 'half-strength', 'undiluted'"
    )
    if _RATIO.fullmatch(plain):
        accepted = f"{accepted}; '{plain}' can mean two mixtures"
    raise InputError(field="dilution", given=text, accepted=accepted)


def agent_from_text(text: str | None) -> Agent:
    """The agent named by `text`; None or '' is iodinated contrast."""
    try:
        return _AGENTS[" ".join((text or "").lower().split())]
    except KeyError:
        accepted = "iodinated, CO2 (carbon dioxide), gadolinium, saline"
        raise InputError(field="agent", given=text, accepted=accepted) from None


def site_from_text(text: str | None) -> InjectionSite:
    """The class of an injection site; None or '' is unknown. Places come from a packaged table."""
    plain = " ".join((text or "").lower().split())
    if not plain:
        return InjectionSite.UNKNOWN
    places = constants("injection_sites")
    if plain in places:
        return InjectionSite(places[plain].value)
    try:
        return InjectionSite(plain.replace(" ", "-"))
    except ValueError:
        accepted = f"{', '.join(InjectionSite)}, or a place: {', '.join(places)}"
        raise InputError(field="injection site", given=text, accepted=accepted) from None


def concentration_from_text(text: str) -> tuple[float, tuple[Question, ...]]:
    """Iodine concentration of a product for intravascular use [mg I/mL], and what to ask about it.

    A bare number is mg I/mL: labels print it so, and no other unit is in use for it.
    """
    value = parse_quantity(text, "iodine_concentration", field="concentration", default_unit="mg/mL")
    oral = bound("concentration_mgi_ml.oral")
    if is_inside(value, oral):
        raise OutOfBoundsError(
            field="concentration",
            given=text,
            accepted="a product for intravascular use; this strength is for oral use only",
        )
    hint = "a diluted product is entered with its own strength and the dilution beside it"
    return value, checked(
        value, "concentration_mgi_ml", field="concentration", given=text, unit="mg I/mL", hint=hint
    )


def duplicate_question(
    earlier: Sequence[tuple[datetime, Injection]], new: Injection, *, at: datetime
) -> Question | None:
    """The question whether `new` was entered twice: the same injection moments before or after."""
    window = bound("duplicate_injection")
    for when, injection in earlier:
        if injection == new and abs(at - when) <= timedelta(seconds=float(window.high)):
            text = f"{new.volume_ml:g} mL was entered a moment ago as well: was it given twice?"
            return Question("duplicate", "injection", text)
    return None


def _concentration(
    text: str | None, agent: Agent, *, usual: float | None
) -> tuple[float | None, tuple[Question, ...]]:
    is_given = text is not None and text.strip()
    if agent is not Agent.IODINATED:
        if is_given:
            raise InputError(field="concentration", given=text, accepted=f"none: {agent} carries no iodine")
        return None, ()
    if text is None or not is_given:
        return usual, ()
    return concentration_from_text(text)


def _volume_questions(
    millilitres: float, agent: Agent, *, given: str, from_injector: bool
) -> tuple[Question, ...]:
    if not millilitres > 0:
        raise OutOfBoundsError(field="volume", given=given, accepted="a volume above 0 mL")
    key = "injection_ml_power" if from_injector else "injection_ml_hand"
    if agent is Agent.CARBON_DIOXIDE:
        key = "injection_ml_gas"
    hint = "" if from_injector or agent is Agent.CARBON_DIOXIDE else "from a power injector? Say so"
    return checked(millilitres, key, field="volume", given=given, unit="mL", hint=hint)


def _total_questions(total_ml: float) -> tuple[Question, ...]:
    return checked(
        Decimal(repr(total_ml)), "case_ml", field="contrast of this case", given=f"{total_ml:g} mL", unit="mL"
    )
