"""Looking before working: ten ticks of a walk round, and four questions to the ground.

Both are taps of the stint. A point that was not touched was not looked at, and is not written.
"""

from kivy.properties import BooleanProperty, ListProperty, NumericProperty, ObjectProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout

from cabapp.common.message import N_, message
from cabapp.screens.widgets.buttons import Key
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from cabapp.session.warnings.situation import STOP_RULES

# common points of university tractor check lists, and of a trailed tool
POINTS = N_((
    "Fluids and leaks", "Tyres and nuts", "Battery and hoses", "Shields and belt", "Lights and sign",
    "Hitch pin and chain", "Wing locks", "Bearings and bolts", "Scrapers and frame", "Steps and glass",
))  # fmt: skip
QUESTIONS = N_({
    "wet": "Is the surface wet?", "mud": "Does mud stick to the tool?",
    "shoots": "Are shoots near the surface?", "blowing": "Is the soil blowing?",
})  # fmt: skip
# pen lines in millimetres: nothing, a tick, a cross
PEN = ([(0, 0), (0, 0)], [(0, 3), (2, 0), (6.5, 6.5)], [(0, 0), (6, 6), (3, 3), (0, 6), (6, 0)])


class Tick(Key):
    """A point of the walk round: not looked at, right, or not right; each touch goes one on."""

    point = StringProperty()
    found = NumericProperty(0)
    pen_x = NumericProperty(0)
    pen_y = NumericProperty(0)
    pen = PEN

    def on_release(self):
        self.found = (self.found + 1) % 3


class WalkRoundScreen(CabScreen):
    """Ten points; one touch is right, two are a fault."""

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._ticks = [Tick(point=point) for point in POINTS]
        for tick in reversed(self._ticks):
            self.ids.points.add_widget(tick, index=len(self.ids.points.children))

    def on_pre_enter(self, *_args):
        for tick in self._ticks:
            tick.found = 0

    def write(self):
        fine, fault = ([tick.point for tick in self._ticks if tick.found == n] for n in (1, 2))
        if not fine and not fault:
            self.app.show_refusal(message("Nothing is ticked yet. Touch what you have looked at."))
        elif self.app.do("walk_round", fine=fine, fault=fault):
            self.app.back()


class InspectionQuestion(BoxLayout):
    """One of the four questions, with its two keys."""

    screen = ObjectProperty(None)
    place = NumericProperty(0)
    words = StringProperty()


class LookFirstScreen(CabScreen):
    """Four questions; any Yes says not to go."""

    verdict = StringProperty()
    answers = ListProperty([None] * 4)
    complete = BooleanProperty(False)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for place, words in enumerate(QUESTIONS.values()):
            self.ids.questions.add_widget(InspectionQuestion(screen=self, place=place, words=translate(words)))

    def on_pre_enter(self, *_args):
        self.answers = [None] * 4

    def on_answers(self, _screen, answers):
        """Say go or no go, once all four are answered."""
        self.complete = None not in answers
        bad = [STOP_RULES[key] for key, answer in zip(QUESTIONS, answers, strict=True) if answer]
        if bad:
            self.verdict = translate(bad[0])
        else:
            self.verdict = translate("Go.") if self.complete else ""

    def answer(self, place: int, answer: bool):
        self.answers = [answer if k == place else old for k, old in enumerate(self.answers)]

    def write(self):
        if self.complete and self.app.do("look_first", **dict(zip(QUESTIONS, map(bool, self.answers), strict=True))):
            self.app.go("pass")
