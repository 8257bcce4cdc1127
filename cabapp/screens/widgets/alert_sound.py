"""The one sound: two short notes when something must be done now. Knows no session."""

import logging
import math
import os
import struct
import sys
import wave
from pathlib import Path

LOG = logging.getLogger("rollbook.sound")
RATE = 22050
NOTES_HZ = (880.0, 1320.0)  # inside the 500 to 2500 Hz that ISO 7731 asks of a danger signal
NOTE_S, FADE_S = 0.22, 0.02


def write_sound(path: Path) -> None:
    """Write the sound as a mono 16-bit WAV file."""
    samples = []
    for hertz in NOTES_HZ:
        for k in range(int(NOTE_S * RATE)):
            t = k / RATE
            edge = min(1.0, t / FADE_S, (NOTE_S - t) / FADE_S)
            samples.append(int(30000 * edge * math.sin(2 * math.pi * hertz * t)))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(struct.pack(f"<{len(samples)}h", *samples))


def has_sound(cards: Path = Path("/proc/asound/cards")) -> bool:
    """Say whether there is anything to play on; asking the sound library itself fills a terminal with its own words.

    `cards`: the Linux kernel's list of sound cards. Elsewhere, and where a sound server is named, it is not looked at.
    """
    if not sys.platform.startswith("linux") or os.environ.get("PULSE_SERVER"):
        return True
    try:
        return "no soundcards" not in cards.read_text()
    except OSError:
        return False


class Sounder:
    """Plays the sound once each time it is due; a tablet without a speaker stays silent."""

    def __init__(self, folder: Path):
        self._played, self._sound = 0, None
        if not has_sound():
            LOG.warning("there is no sound on this tablet: it has no sound card")
            return
        try:
            from kivy.core.audio import SoundLoader

            path = folder / "act-now.wav"
            write_sound(path)
            self._sound = SoundLoader.load(str(path))
        except Exception:
            LOG.warning("there is no sound on this tablet", exc_info=True)

    def follow(self, view) -> bool:
        """Sound when the count of sounds due has grown, and say whether it has.

        A new stint counts from nothing.
        """
        if view.state == "idle":
            self._played = 0
        due = view.sentence.sound if view.sentence is not None else 0
        if due <= self._played:
            return False
        self._played = due
        self.play()
        return True

    def play(self) -> None:
        if self._sound is not None:
            self._sound.play()
