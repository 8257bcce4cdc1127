"""The mop-up: what was missed, in the order of the shortest way round, and what is not worth its way."""

import math

from kivy.clock import Clock
from kivy.core.text import Label as Lettering
from kivy.graphics import Color, Ellipse, Rectangle
from kivy.properties import StringProperty
from kivy.uix.label import Label

from cabapp.common.message import Message
from cabapp.common.quantities import Distance, Duration
from cabapp.common.wording import way
from cabapp.screens.map.ground_map import GroundMap
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.theme import CAP_OF_ROBOTO
from cabapp.screens.widgets.translation import translate

A_FRAME_S = 0.1  # the screen is seen before it is worked out, which may take a second


class RoundMap(GroundMap):
    """The whole field with the gaps of the round, numbered in their order."""

    def __init__(self, **kwargs):
        self.start, self.legs = None, []
        super().__init__(**kwargs)

    def set_round(self, start, legs) -> None:
        """Draw a round from `start`: legs are (first, last) places of each gap, m on the plane."""
        self.start, self.legs = start, legs
        self.redraw()

    def redraw(self) -> None:
        super().redraw()
        at = self.start
        for first, last in self.legs:
            self._line([at, first], 0.5, dash=True)
            self._line([first, last], 1.2)
            at = last
        for place, (first, _) in enumerate(self.legs, 1):
            self._number(place, *self.to_px(first)[0])

    def _number(self, place, x, y):
        figure = Lettering(text=str(place), font_size=round(4.2 * self.u / CAP_OF_ROBOTO), bold=True)
        figure.refresh()
        wide, high = figure.texture.size
        r = 0.62 * max(wide, high)
        for colour, size in ((self.ink, r + 0.4 * self.u), (self.paper, r)):
            self._pen.add(Color(*colour))
            self._pen.add(Ellipse(pos=(x - size, y - size), size=(2 * size, 2 * size)))
        self._pen.add(Color(*self.ink))
        self._pen.add(Rectangle(texture=figure.texture, pos=(x - wide / 2, y - high / 2), size=(wide, high)))


class StopRow(Row):
    """A gap of the round; touching it points it out on the map of the pass."""


class NotWorth(Label):
    """A gap that is left, with the reason, or what the round begins from; it is only read."""


class GapTourScreen(CabScreen):
    """Worked out when it is opened, from where the tractor stands."""

    remark = StringProperty()

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._due = Clock.create_trigger(self._work_out, A_FRAME_S)

    def on_pre_enter(self, *_args):
        self.remark = translate("Looking for the shortest round …")
        self.ids.stops.fill([])
        job, ground = self.app.session.job, self.ids.ground
        if getattr(job, "field", None) is not None:
            ground.show_field(job)
        ground.set_round(None, [])
        self._due()

    def on_leave(self, *_args):
        self._due.cancel()

    def _work_out(self, _dt):
        self.app.attempt(lambda: self._list(self.app))

    def _list(self, app):
        self.remark = ""
        found = app.session.mop_up()
        if found is None:
            self.ids.stops.fill([Row(words=translate("There is no boundary, so gaps cannot be told."))])
            return
        start = at = self.ids.ground.xy(*found.start)
        rows, legs = [NotWorth(text=translate(found.remark))] if found.remark else [], []
        for place, stop in enumerate(found.stops, 1):
            first, last = (self.ids.ground.xy(*end) for end in (stop.start, stop.end))
            words = f"{place}. {translate(stop.words)}"
            rows.append(StopRow(
                words=words, remark=_place_words(at, first), on_release=lambda _row, xy=first: self._point_out(xy)
            ))  # fmt: skip
            legs.append((first, last))
            at = last
        if legs:
            self.remark = translate(
                "{distance} to drive, about {time}", distance=Distance(found.metres), time=Duration(found.seconds)
            )
        else:
            rows.append(Row(words=translate("Nothing that was missed is worth going back for.")))
        self.ids.stops.fill([*rows, *(NotWorth(text=translate(why)) for why in found.not_worth)])
        self.ids.ground.follow(app.view.pose)
        self.ids.ground.set_round(start, legs)

    def _point_out(self, xy):
        self.app.screens.get_screen("pass").point_out(xy)
        self.app.go("pass")


def _place_words(here, there) -> str:
    """Say how far and which way a place is from another, both m east and north."""
    east, north = there[0] - here[0], there[1] - here[1]
    return translate(
        "{distance} to the {way}", distance=Distance(math.hypot(east, north)), way=Message(way(east, north))
    )
