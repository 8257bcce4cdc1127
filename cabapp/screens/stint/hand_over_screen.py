"""Handing over: the outgoing operator says how it stands, both read the sheet, and it is given on."""

from dataclasses import replace

from kivy.properties import StringProperty

from cabapp.common.message import Message, message
from cabapp.screens.map import ground_map as _map  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.stint.sheet_text import sheet_lines, written
from cabapp.screens.widgets.row_list import Row, SheetLine
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from cabapp.session.handover.sheet_answers import (
    ASKED,
    RECEIVER,
    SEEDER_DRIVER,
    drives_the_seeder,
    left_for,
    with_answers,
)
from store.models import Operator


class HandOverScreen(CabScreen):
    """The sheet of the hand-over; nothing is typed."""

    remark = StringProperty()
    state = StringProperty()  # "", "fine", "watch" or "stopped"
    part = StringProperty("sheet")  # "sheet", "more" or "map"

    def on_pre_enter(self, *_args):
        self.state, self.part, self._sheet, self._place = "", "sheet", None, None
        outgoing = self.app.view.operator
        others = [one for one in self.app.store.all(Operator) if one.name != outgoing]
        # each question: the point it belongs to, its name, and (words, message) of each answer
        self._questions = [("closing", RECEIVER, [(one.name, left_for(one.name)) for one in others])]
        self._questions += [
            (one.point, one.name, [(translate(words), Message(words)) for words in one.answers]) for one in ASKED
        ]
        drivers = [(one.name, drives_the_seeder(one.name, one.phone)) for one in others]
        self._questions.append(("seeder", SEEDER_DRIVER, drivers))
        self._answers = [None] * len(self._questions)
        self.ids.sheet.fill([])
        self._ask()

    def show(self, view) -> None:
        self.remark = f"{view.field or ''}, {view.operator or ''}"

    def choose_state(self, state: str):
        """How it stands, in one word."""
        self.state, self.part = state, "sheet"
        self._prepare()

    # --- what only the operator can say --------------------------------------------------------------

    def _ask(self):
        """Lay out the questions, each turned through with touches."""
        rows = []
        for place, (_point, name, answers) in enumerate(self._questions):
            chosen = self._answers[place]
            remark = self._first(place) if chosen is None else answers[chosen][0]
            rows.append(
                Row(words=translate(name), remark=remark, on_release=lambda _row, place=place: self._turn(place))
            )
        self.ids.more.fill(rows)

    def _first(self, place):
        return translate("is here") if self._questions[place][1] == RECEIVER else "–"

    def _turn(self, place):
        many, now = len(self._questions[place][2]), self._answers[place]
        following = 0 if now is None else now + 1
        self._answers[place] = following if following < many else None
        self._ask()
        self._prepare()

    @property
    def left(self) -> bool:
        """Whether nobody is here to receive it."""
        return self._answers[0] is not None

    def _told(self):
        told = {}
        for (point, _name, answers), chosen in zip(self._questions, self._answers, strict=True):
            if chosen is not None:
                told.setdefault(point, []).append(answers[chosen][1])
        return told

    # --- the sheet --------------------------------------------------------------------------

    def _prepare(self):
        if not self.state:
            return

        def act():
            sheet = with_answers(self.app.session.prepare_hand_over(state=self.state, left=self.left), self._told())
            if self._place is not None:
                sheet = replace(sheet, next_lat=self._place[0], next_lon=self._place[1])
            self._sheet = sheet

        if self.app.attempt(act):
            self.ids.sheet.fill(
                SheetLine(point=translate(point), words=written(said)) for point, said in sheet_lines(self._sheet.sheet)
            )
            self._mark()

    def turn_part(self, part: str):
        """Show the questions or the map, or the sheet again."""
        self.part = "sheet" if self.part == part else part
        if self.part == "map":
            self._lay_map()

    # --- where the next pass begins ---------------------------------------------------------

    def _lay_map(self):
        app, ground = self.app, self.ids.ground
        job = app.session.job
        if job is None:
            self.part = "sheet"
            app.show_refusal(message("There is no map of this field."))
            return
        ground.show_field(job, ((mark.kind, mark.lat, mark.lon) for mark in app.session.marks))
        ground.follow(app.view.pose)
        self._mark()

    def _mark(self):
        ground, sheet = self.ids.ground, self._sheet
        if self.part != "map":
            return
        known = sheet is not None and sheet.next_lat is not None
        ground.next_place = ground.xy(sheet.next_lat, sheet.next_lon) if known else None
        ground.redraw()

    def point(self, x, y):
        """Take the place the operator touched as where the next pass begins."""
        self._place = self.ids.ground.latlon(x, y)
        if self._sheet is not None:
            self._sheet = replace(self._sheet, next_lat=self._place[0], next_lon=self._place[1])
        self._mark()

    def give(self):
        if self._sheet is not None:
            self.app.attempt(lambda: self.app.session.hand_over(self._sheet))
