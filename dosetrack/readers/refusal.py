"""Why a file cannot be used, raised inside the readers before the file's name is known."""

from __future__ import annotations

ACCEPTED = (
    "accepted: X-ray radiation dose structured reports of projection x-ray, "
    "images of x-ray angiography and fluoroscopy, performed procedure steps"
)
"""The end of the sentence that refuses an object of another kind."""


class Refusal(Exception):
    """A file is refused whole. `reason`: one sentence without the file's name."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)
