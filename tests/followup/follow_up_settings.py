"""Settings of an invented site, for the tests of follow-up."""

from __future__ import annotations

from dosetrack.settings import SettingChange, Settings, resolve


def settings(**values: str) -> Settings:
    """The settings of a site that set `levels__x = value` for itself."""
    changes = [
        SettingChange(
            seq=number,
            key=key.replace("__", "."),
            scope="site",
            value=value,
            valid_from="2026-01-01",
            recorded_at="2026-01-01T00:00:00Z",
            actor="Dr Invented",
            reason=None,
            source=None,
        )
        for number, (key, value) in enumerate(values.items(), start=1)
    ]
    return resolve(changes, day="2026-11-25")
