"""Radiation levels a case has reached, and the levels ahead of it.

A level prompts a decision; it is not a limit. Which value speaks for which level:

- reference air kerma: each plane on its own; the sum over planes only tells 'may be above';
- dose-area product: over all planes, the level scaled down by the collimated field;
- fluoroscopy time: only where reference air kerma and dose-area product are both missing;
- skin dose: the upper end of the estimated range.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, field
from math import isclose

from dosetrack.radiation.account import DAP, FLOAT_NOISE, KERMA, TIME, Figure, RadiationAccount
from dosetrack.radiation.field import dap_scale
from dosetrack.radiation.level_settings import PSD, Ladder, LevelSettings
from dosetrack.radiation.wording import level_name, level_phrase
from dosetrack.records.levels import LevelLine, LevelReached, Tier

_SUM = "sum"
_UNTOLD = frozenset({"single", "all"})
_MOST_RUNGS = 1000


@dataclass(frozen=True, slots=True)
class LevelValues:
    """The values that levels read.

    reference_air_kerma_mgy : plane -> figure, planes without one left out
    reference_air_kerma_sum_mgy : the labelled sum over planes
    skin_upper_mgy : upper end of the estimated peak skin dose
    skin_basis : 'estimated' from air kerma alone, or 'map'
    field_cm2 : collimated field that scales the DAP levels; None: unscaled
    planes_apart : True when the beams of the planes are known not to overlap on skin
    """

    reference_air_kerma_mgy: Mapping[str, Figure] = field(default_factory=dict)
    reference_air_kerma_sum_mgy: Figure | None = None
    dose_area_product_gycm2: Figure | None = None
    fluoroscopy_time_s: Figure | None = None
    skin_upper_mgy: float | None = None
    skin_basis: str = "estimated"
    field_cm2: float | None = None
    planes_apart: bool = False


@dataclass(frozen=True, slots=True)
class Rung:
    """One level of a ladder, as published (`nominal`) and as applied (`level`)."""

    nominal: float
    level: float
    tier: Tier


def level_values(
    account: RadiationAccount,
    *,
    field_cm2: float | None = None,
    skin_upper_mgy: float | None = None,
    skin_basis: str = "estimated",
    planes_apart: bool = False,
) -> LevelValues:
    """The values of `account` that levels read: the higher of displayed and corrected, named."""
    kerma: dict[str, Figure] = {
        p.plane: f for p in account.planes if (f := p.reference_air_kerma_mgy.higher) is not None
    }
    total = account.reference_air_kerma_sum_mgy.higher
    if not kerma and total is not None:  # no source told the planes apart
        kerma = {"all": total}
    return LevelValues(
        reference_air_kerma_mgy=kerma,
        reference_air_kerma_sum_mgy=total,
        dose_area_product_gycm2=account.dose_area_product_gycm2.higher,
        fluoroscopy_time_s=account.fluoroscopy_time_s.higher,
        skin_upper_mgy=skin_upper_mgy,
        skin_basis=skin_basis,
        field_cm2=field_cm2,
        planes_apart=planes_apart,
    )


def levels_reached(
    account: RadiationAccount,
    settings: LevelSettings,
    already: Set[str] = frozenset(),
    *,
    field_cm2: float | None = None,
    skin_upper_mgy: float | None = None,
    skin_basis: str = "estimated",
    planes_apart: bool = False,
) -> tuple[LevelReached, ...]:
    """Every level `account` has reached whose key is not in `already`; the highest first.

    Parameters
    ----------
    already : keys of levels that were reached before; none of them is returned again
    field_cm2, skin_upper_mgy, skin_basis, planes_apart : see `LevelValues`
    """
    values = level_values(
        account,
        field_cm2=field_cm2,
        skin_upper_mgy=skin_upper_mgy,
        skin_basis=skin_basis,
        planes_apart=planes_apart,
    )
    return reached_by(values, settings, already)


def reached_by(
    values: LevelValues, settings: LevelSettings, already: Set[str] = frozenset()
) -> tuple[LevelReached, ...]:
    """Every level reached by `values` and not in `already`.

    Groups that hold a substantial level come first, then Ka,r, skin, DAP, time, 'may be above';
    inside a group the highest level stands first.
    """
    groups = [g for g in _groups(values, settings, already) if g]
    groups.sort(key=lambda g: not any(r.tier == "substantial" for r in g))
    return tuple(level for group in groups for level in group)


def _groups(values: LevelValues, settings: LevelSettings, already: Set[str]) -> Iterator[list[LevelReached]]:
    kermas = values.reference_air_kerma_mgy
    for plane in sorted(kermas, key=lambda p: -kermas[p].value):
        same = _names_of_same_plane(plane, kermas)
        yield _reached(settings.reference_air_kerma, kermas[plane], plane, already, same)
    if values.skin_upper_mgy is not None:
        upper = Figure(values.skin_upper_mgy, values.skin_basis)
        yield _reached(settings.peak_skin_dose, upper, None, already)
    if values.dose_area_product_gycm2 is not None:
        scaled = settings.dose_area_product
        yield _reached(scaled, values.dose_area_product_gycm2, None, already, field_cm2=values.field_cm2)
    if not kermas and values.dose_area_product_gycm2 is None and values.fluoroscopy_time_s is not None:
        yield _reached(settings.fluoroscopy_time, values.fluoroscopy_time_s, None, already)
    yield _may_be_above(values, settings.reference_air_kerma, already)


def _names_of_same_plane(plane: str, kermas: Mapping[str, Figure]) -> frozenset[str]:
    """Names under which the same fact may stand already: planes told apart only later."""
    if len(kermas) == 1:
        return _UNTOLD | {"a", "b"}
    worst = max(kermas, key=lambda p: kermas[p].value)
    return _UNTOLD | {plane} if plane == worst else frozenset({plane})


def _reached(
    ladder: Ladder,
    figure: Figure,
    plane: str | None,
    already: Set[str],
    same_planes: Set[str] = frozenset(),
    *,
    field_cm2: float | None = None,
) -> list[LevelReached]:
    found = []
    for rung in reversed(rungs(ladder, upto=figure.value, field_cm2=field_cm2)):
        names = {plane or "all", *same_planes}
        if any(_key(ladder.quantity, name, rung.nominal) in already for name in names):
            continue
        found.append(
            LevelReached(
                key=_key(ladder.quantity, plane or "all", rung.nominal),
                lane="radiation",
                tier=rung.tier,
                quantity=ladder.quantity,
                plane=plane,
                value=figure.value,
                level=rung.level,
                name=level_name(ladder.quantity, rung.level),
                basis=figure.basis,
                source=_source(ladder, rung, field_cm2),
                say=level_phrase(ladder.quantity, rung.level, plane=plane),
            )
        )
    return found


def _may_be_above(values: LevelValues, ladder: Ladder, already: Set[str]) -> list[LevelReached]:
    """Levels that only the sum of the planes reaches: the planes may overlap on skin."""
    total, kermas = values.reference_air_kerma_sum_mgy, values.reference_air_kerma_mgy
    if values.planes_apart or total is None:
        return []
    highest = max((f.value for f in kermas.values()), default=0.0)
    return [
        LevelReached(
            key=key,
            lane="radiation",
            tier="may-be-above",
            quantity=ladder.quantity,
            plane=None,
            value=total.value,
            level=rung.level,
            name=f"{level_name(ladder.quantity, rung.level)} may be above: planes may overlap",
            basis=total.basis,
            source=_source(ladder, rung, None),
            say=f"{level_phrase(ladder.quantity, rung.level)}, both planes together; planes may overlap",
        )
        for rung in reversed(rungs(ladder, upto=total.value))
        if not is_reached(highest, rung.level)
        and (key := _key(ladder.quantity, _SUM, rung.nominal)) not in already
    ]


def rungs(ladder: Ladder, *, upto: float, field_cm2: float | None = None) -> tuple[Rung, ...]:
    """The levels of `ladder` at or below `upto`, the lowest first.

    The n-th level is computed afresh as first + n * increment, so that nothing drifts. A
    substantial level takes the place of a notification at the same value.
    """
    scale = dap_scale(field_cm2) if ladder.quantity == DAP else 1.0
    found = []
    if ladder.substantial is not None and is_reached(upto, ladder.substantial * scale):
        found.append(Rung(ladder.substantial, ladder.substantial * scale, "substantial"))
    for nominal in _notifications(ladder):
        if not is_reached(upto, nominal * scale):
            break
        if ladder.substantial is None or not isclose(nominal, ladder.substantial, rel_tol=FLOAT_NOISE):
            found.append(Rung(nominal, nominal * scale, "notification"))
    return tuple(sorted(found, key=lambda r: r.nominal))


def _notifications(ladder: Ladder) -> Iterator[float]:
    """The notifications in order. No dose passes the last of them; an absurd number must not loop on."""
    count = _MOST_RUNGS if ladder.increment > 0 else 1
    return (ladder.first + number * ladder.increment for number in range(count))


def level_lines(
    quantity: str, value: float | None, settings: LevelSettings, *, field_cm2: float | None = None
) -> tuple[LevelLine, ...]:
    """The levels to draw in a lane, the lowest first: those reached, the next one, the substantial one.

    Parameters
    ----------
    value : the present value, in the unit of the quantity's name; None is drawn as nothing reached
    """
    ladder = settings.ladder(quantity)
    scale = dap_scale(field_cm2) if quantity == DAP else 1.0
    ahead = (n for n in _notifications(ladder) if not is_reached(value or 0.0, n * scale))
    top = max(next(ahead, 0.0), ladder.substantial or 0.0)
    return tuple(
        LevelLine(
            quantity=quantity,
            value=rung.level,
            name=level_name(quantity, rung.level),
            tier=rung.tier,
            source=_source(ladder, rung, field_cm2),
        )
        for rung in rungs(ladder, upto=max(top * scale, value or 0.0), field_cm2=field_cm2)
    )


def next_level(
    quantity: str, value: float | None, settings: LevelSettings, *, field_cm2: float | None = None
) -> LevelLine | None:
    """The nearest level above `value`; None past the last one."""
    lines = level_lines(quantity, value, settings, field_cm2=field_cm2)
    return next((line for line in lines if not is_reached(value or 0.0, line.value)), None)


def lane_figure(account: RadiationAccount) -> tuple[str, Figure] | None:
    """What the radiation lane draws: Ka,r of the worst plane, else DAP, else time; None: nothing known."""
    values = level_values(account)
    kermas = values.reference_air_kerma_mgy
    if kermas:
        return KERMA, max(kermas.values(), key=lambda f: f.value)
    if values.dose_area_product_gycm2 is not None:
        return DAP, values.dose_area_product_gycm2
    if values.fluoroscopy_time_s is not None:
        return TIME, values.fluoroscopy_time_s
    return None


def is_reached(value: float, level: float) -> bool:
    """Whether `value` is at or past `level`, up to the noise of doubles."""
    return value >= level or isclose(value, level, rel_tol=FLOAT_NOISE)


def _key(quantity: str, plane: str, nominal: float) -> str:
    return f"{quantity}:{plane}:{nominal:.10g}"


def _source(ladder: Ladder, rung: Rung, field_cm2: float | None) -> str:
    text = ladder.substantial_source if rung.tier == "substantial" else ladder.source
    if ladder.quantity == PSD:
        return f"{text}; read against the upper end of the estimate"
    if rung.level < rung.nominal and field_cm2 is not None:
        return f"{text}; scaled from {level_name(DAP, rung.nominal)} by a field of {field_cm2:.0f} cm²"
    return text
