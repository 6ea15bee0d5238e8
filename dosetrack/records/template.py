"""How one dose report keeps to the template it is written by (PS3.16 TID 10001): what a check found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TemplateIssue:
    """One kind of item that a report lacks, has too much of, or tells in another unit.

    place : key of the concept of the container, 'irradiation_event_x_ray_data'
    item, code : name of the item, and its code with scheme: 'Dose (RP)', '113738 DCM'
    count, of : in how many of how many containers
    note : the condition that asks for it, the units sent, or what is wrong; None where nothing is to say
    """

    place: str
    item: str
    code: str
    count: int
    of: int
    note: str | None = None


@dataclass(frozen=True, slots=True)
class ItemCount:
    """How often one kind of item was sent.

    count : how often in all; in_containers : in how many containers of its place
    is_read : whether its value goes into the record of the report
    """

    place: str
    item: str
    code: str
    count: int
    in_containers: int
    is_read: bool


@dataclass(frozen=True, slots=True)
class TemplateCheck:
    """What one report tells against TID 10001 and the templates it includes.

    missing : items the template asks for always
    conditional_missing : items it asks for under a condition that holds
    wrong_unit : numbers in another unit than the template's; most are read all the same
    wrong_kind : items with another type of value, or in another relationship to what holds them
    extra : items of the template in a place it does not have them, or more often than it allows
    unknown_items : items of no place in the template, private ones among them
    sent : every item of the template that was sent
    """

    template: str
    missing: tuple[TemplateIssue, ...] = ()
    conditional_missing: tuple[TemplateIssue, ...] = ()
    wrong_unit: tuple[TemplateIssue, ...] = ()
    wrong_kind: tuple[TemplateIssue, ...] = ()
    extra: tuple[TemplateIssue, ...] = ()
    unknown_items: tuple[TemplateIssue, ...] = ()
    sent: tuple[ItemCount, ...] = ()
