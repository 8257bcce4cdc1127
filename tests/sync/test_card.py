"""A tablet's card by its QR code: drawn as the cab draws it, read by somebody else's reader."""

import numpy as np
import pytest

from cabapp.__main__ import main
from store import open_store
from store.errors import BundleRefused
from store.models import Farm
from sync import export_bundle, merge_bundles
from sync.device_trust import Card
from sync.enrolment import card_of, enrol, read_card, roll_of, text_of_card, write_card


def photographed(text, noise=0.0):
    """Return the code of a text as a grey picture, somewhat turned, blurred and noisy."""
    cv2 = pytest.importorskip("cv2", reason="pip install opencv-python-headless")
    segno = pytest.importorskip("segno")
    rows = [list(row) for row in segno.make(text, error="m", micro=False).matrix_iter(border=4)]
    picture = np.kron(np.where(np.array(rows) > 0, 0, 255), np.ones((8, 8))).astype(np.float32)
    middle = (picture.shape[1] / 2, picture.shape[0] / 2)
    turned = cv2.warpAffine(picture, cv2.getRotationMatrix2D(middle, 3.0, 0.95), picture.shape[::-1], borderValue=255)
    blurred = cv2.GaussianBlur(turned, (3, 3), 0)
    chance = np.random.default_rng(3).normal(0, noise, blurred.shape)
    return np.clip(blurred + chance, 0, 255).astype(np.uint8)


def read(picture):
    """Return the text of the code in a picture, by OpenCV's reader."""
    import cv2

    text, _corners, _straight = cv2.QRCodeDetector().detectAndDecode(picture)
    return text


def test_the_code_of_a_card_enrols(copies, tmp_path, capsys):
    """The code of a tablet's card, read from a noisy picture by OpenCV, enrols the tablet: from
    then on its bundles are taken, and a stranger's are not."""
    cab, office, _ = copies
    stranger = open_store(tmp_path / "stranger.sqlite", "a stranger")
    stranger.put(Farm, name="Far", timezone="UTC")
    text = read(photographed(text_of_card(card_of(cab)), noise=20.0))
    assert read_card(text) == card_of(cab)
    assert main(["enrol", text, "--store", str(office.path)]) == 0
    assert "tablet 1" in capsys.readouterr().out
    assert [e.state for e in roll_of(office) if e.device == cab.device] == ["tablet"]
    assert merge_bundles(office, [export_bundle(cab, tmp_path)]).refused == []
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [export_bundle(stranger, tmp_path)]).refused)
    assert "belongs to the farm 'Far'" in sentence
    stranger.close()


def test_the_longest_name_still_fits_a_code(copies):
    """A card with a name of two hundred signs of three bytes each still fits a code and is read."""
    segno = pytest.importorskip("segno")
    own = card_of(copies[0])
    card = Card(own.device, "ก" * 200, own.public_key)
    assert read_card(text_of_card(card)) == card
    assert segno.make(text_of_card(card), error="m", micro=False).version <= 40


def test_a_card_from_a_file_enrols(copies, tmp_path):
    """The card as a file on a stick does the same as its code."""
    cab, office, _ = copies
    path = tmp_path / "card.txt"
    path.write_text(text_of_card(card_of(cab)) + "\r\n")
    enrol(office, read_card(str(path)))
    assert {e.state for e in roll_of(office)} == {"office", "tablet"}


def test_a_card_that_cannot_be_written_is_a_sentence(copies, tmp_path):
    """A card is one line in its file; where the folder is not there it says so and makes none."""
    write_card(copies[0], tmp_path / "card.txt")
    assert (tmp_path / "card.txt").read_text() == text_of_card(card_of(copies[0])) + "\n"
    with pytest.raises(BundleRefused, match=r"card could not be written to .*No such file"):
        write_card(copies[0], tmp_path / "gone" / "card.txt")
    assert not (tmp_path / "gone").exists()
