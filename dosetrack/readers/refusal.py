"""Why a file cannot be used, raised inside the readers before the file's name is known."""

from __future__ import annotations


class Refusal(Exception):
    """A file is refused whole. `reason`: one sentence without the file's name."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)
