"""Write dashboards/assets/tone.wav: a plain tone of a quarter of a second, made here and nowhere else."""

from __future__ import annotations

import math
import struct
import wave
from pathlib import Path

RATE_HZ, TONE_HZ, SECONDS, FADE_S, HEIGHT = 22050, 660.0, 0.25, 0.02, 0.4


def samples() -> list[int]:
    """The samples, faded in and out so that nothing clicks."""
    count = round(RATE_HZ * SECONDS)
    found = []
    for number in range(count):
        edge = min(number, count - 1 - number) / (RATE_HZ * FADE_S)
        height = HEIGHT * min(1.0, edge)
        found.append(round(32767 * height * math.sin(2 * math.pi * TONE_HZ * number / RATE_HZ)))
    return found


if __name__ == "__main__":
    target = Path(__file__).resolve().parent.parent / "dashboards" / "assets" / "tone.wav"
    with wave.open(str(target), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(b"".join(struct.pack("<h", sample) for sample in samples()))
