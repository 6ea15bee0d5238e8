"""Level -> prompt -> shown -> acknowledged, for radiation and contrast alike.

A prompt asks the operator for a decision. It is shown until somebody answers by name; answered,
it stays visible with the answer. The same level never prompts twice.
"""

from dosetrack.alerts.payloads import answer_payload, from_payloads, shown_entry_id, to_payload
from dosetrack.alerts.prompts import (
    CHANGE_PLAN,
    GO_ON,
    Answer,
    Prompt,
    PromptState,
    answer,
    merged,
    raise_prompts,
    recorded_keys,
    show,
    to_decide,
)
from dosetrack.alerts.summary import LevelGroup, PromptWait, level_groups, prompt_waits

__all__ = [
    "CHANGE_PLAN",
    "GO_ON",
    "Answer",
    "LevelGroup",
    "Prompt",
    "PromptState",
    "PromptWait",
    "answer",
    "answer_payload",
    "from_payloads",
    "level_groups",
    "merged",
    "prompt_waits",
    "raise_prompts",
    "recorded_keys",
    "show",
    "shown_entry_id",
    "to_decide",
    "to_payload",
]
