"""The check of a report against its template, for a person to read."""

from __future__ import annotations

from collections.abc import Sequence

from dosetrack.records.template import TemplateCheck, TemplateIssue


def template_lines(check: TemplateCheck | None) -> list[str]:
    """What the check against the template found, line by line."""
    if check is None:
        return ["  template   not checked: the report is not of TID 10001", ""]
    groups: tuple[tuple[str, Sequence[TemplateIssue]], ...] = (
        ("missing", check.missing),
        ("missing under a condition", check.conditional_missing),
        ("in another unit", check.wrong_unit),
        ("of another kind", check.wrong_kind),
        ("extra", check.extra),
        ("not of the template", check.unknown_items),
    )
    lines = [f"  template   {check.template}"]
    for title, issues in groups:
        lines.append(f"    {title}:" + ("" if issues else " none"))
        lines += [f"      {_line(issue)}" for issue in issues]
    unread = dict.fromkeys(sent.item for sent in check.sent if not sent.is_read)
    lines.append(f"    sent but not in the record: {', '.join(unread) or 'none'}")
    return [*lines, ""]


def _line(issue: TemplateIssue) -> str:
    note = f" ({issue.note})" if issue.note else ""
    place = issue.place.replace("_", " ")
    return f"{issue.item} [{issue.code}]: {issue.count} of {issue.of}, in {place}{note}"
