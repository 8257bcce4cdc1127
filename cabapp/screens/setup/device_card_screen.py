"""The tablet's card: who it is, as a QR code the office can scan or a file on a stick."""

from contextlib import suppress

import segno
from kivy.graphics.texture import Texture
from kivy.properties import ObjectProperty, StringProperty
from kivy.uix.widget import Widget

from cabapp.common.message import Message, message
from cabapp.screens.widgets.screen_frame import CabScreen
from store.durability.carrier_files import is_folder
from sync.enrolment import card_of, text_of_card, write_card
from sync.removable_media import STICK_FOLDER, mounts

QUIET = 4  # modules of white round a code (ISO/IEC 18004)


class QrCode(Widget):
    """A QR code, black on white by night too: many readers know no other."""

    texture = ObjectProperty(None, allownone=True)

    def draw(self, text: str) -> None:
        rows = list(segno.make(text, error="m", micro=False).matrix_iter(border=QUIET))
        side = len(rows)
        dots = bytes(0 if dark else 255 for row in reversed(rows) for dark in row)
        self.texture = Texture.create(size=(side, side), colorfmt="luminance", bufferfmt="ubyte")
        self.texture.mag_filter = self.texture.min_filter = "nearest"
        self.texture.blit_buffer(dots, colorfmt="luminance", bufferfmt="ubyte")


class DeviceCardScreen(CabScreen):
    """Shown standing still, from set-up."""

    remark = StringProperty()
    fingerprint = StringProperty()

    def on_pre_enter(self, *_args):
        card = card_of(self.app.store)
        self.remark, self.fingerprint = card.name, card.fingerprint
        self.ids.code.draw(text_of_card(card))

    def write(self):
        """Write the card to a stick that is in."""
        store = self.app.store

        def put() -> Message:
            sticks = [stick / STICK_FOLDER for stick in mounts() if is_folder(stick)]
            if not sticks:
                return message("No stick is in. Put one in.")
            folder = next(filter(is_folder, sticks), sticks[0])
            with suppress(OSError):  # what cannot be made cannot be written to either, and that is said
                folder.mkdir(exist_ok=True)
            path = folder / f"rollbook-card-{store.device[:8]}.txt"
            write_card(store, path)
            return message("Written to {place}.", place=path)

        self.app.attempt(lambda: self.aside(put, self.app.show_refusal))
