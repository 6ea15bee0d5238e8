"""Levels: the one shape in which radiation and contrast tell that a value reached something."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Lane = Literal["radiation", "contrast"]
Tier = Literal["notification", "substantial", "approaching", "limit", "leading-limit", "may-be-above"]


@dataclass(frozen=True, slots=True)
class LevelReached:
    """A value is at or past a level.

    key : identifies the fact, so that it prompts once: 'reference_air_kerma_mgy:a:3000'
    quantity : key of design vocabulary, e.g. 'reference_air_kerma_mgy', 'contrast_ml'
    plane : for per-plane radiation quantities
    value, level : in the unit of the quantity's name
    name : what the level is called on screen, e.g. 'Ka,r 3 Gy', '2 x CrCl'
    basis : where the value came from: 'stated', 'summed', 'typed', 'estimated', 'entered'
    source : publication or setting behind the level, with '(from memory, confirm ...)' where so
    say : a phrase to say aloud, naming quantity and plane
    """

    key: str
    lane: Lane
    tier: Tier
    quantity: str
    plane: str | None
    value: float
    level: float
    name: str
    basis: str
    source: str
    say: str


@dataclass(frozen=True, slots=True)
class LevelLine:
    """A level to draw in a lane, reached or not. value in the unit of `quantity`'s name."""

    quantity: str
    value: float
    name: str
    tier: Tier
    source: str
