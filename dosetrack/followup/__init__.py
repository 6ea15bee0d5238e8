"""Who must be seen again: which published trigger a case reached."""

from dosetrack.followup.triggers import Tier, Trigger, highest_tier, triggers_reached

__all__ = ["Tier", "Trigger", "highest_tier", "triggers_reached"]
