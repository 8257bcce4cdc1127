"""The sound is the one it is said to be; nothing is played."""

import wave
from types import SimpleNamespace

import numpy as np
import pytest

from cabapp.screens.widgets.alert_sound import NOTE_S, NOTES_HZ, Sounder, has_sound, write_sound


def test_the_sound_has_its_two_notes(tmp_path):
    """Each half of the sound has its energy at its own note, between 500 and 2500 Hz (ISO 7731)."""
    write_sound(tmp_path / "a.wav")
    with wave.open(str(tmp_path / "a.wav")) as file:
        rate = file.getframerate()
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    assert len(samples) / rate == pytest.approx(2 * NOTE_S, abs=0.01)
    for half, hertz in zip(np.array_split(samples, 2), NOTES_HZ, strict=True):
        power = np.abs(np.fft.rfft(half))
        assert np.fft.rfftfreq(len(half), 1 / rate)[power.argmax()] == pytest.approx(hertz, abs=5)
        assert 500 <= hertz <= 2500
    assert np.abs(samples[:5]).max() < 3000, "it begins softly, without a click"


def test_one_sound_for_each_that_is_due():
    """It sounds when the count of sounds due has grown, and a new stint counts from nothing."""

    class Player:
        played = 0

        def play(self):
            self.played += 1

    def view(sound=None, state="working"):
        sentence = None if sound is None else SimpleNamespace(sound=sound)
        return SimpleNamespace(state=state, sentence=sentence)

    sounder = Sounder.__new__(Sounder)
    sounder._played, sounder._sound = 0, Player()
    played = []
    for seen in (view(), view(1), view(1), view(0), view(1), view(2), view(state="idle"), view(1)):
        sounder.follow(seen)
        played.append(sounder._sound.played)
    assert played == [0, 1, 1, 1, 1, 2, 2, 3]


def test_a_tablet_without_a_sound_card_is_not_asked_to_play(tmp_path, monkeypatch):
    """By the kernel's list: a card means sound; none, or no list, means silence, unless a server is named."""
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.delenv("PULSE_SERVER", raising=False)
    cards = tmp_path / "cards"
    assert not has_sound(cards)
    cards.write_text("--- no soundcards ---\n")
    assert not has_sound(cards)
    monkeypatch.setenv("PULSE_SERVER", "unix:/run/x")
    assert has_sound(cards)
    monkeypatch.delenv("PULSE_SERVER")
    cards.write_text(" 0 [PCH            ]: HDA-Intel - HDA Intel PCH\n")
    assert has_sound(cards)
