"""Receiving a hand-over: who are you, and where does the next pass begin? Show it on the map."""

from kivy.properties import BooleanProperty, StringProperty

from cabapp.common.message import message
from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.records.corrections import Corrections
from cabapp.screens.map import ground_map as _map  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.stint.sheet_text import sheet_lines, written
from cabapp.screens.widgets.row_list import Row, SheetLine
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.models import HandOver, Job


class ReceiveScreen(CabScreen):
    """The sheet is closed only when the receiver points at the next pass."""

    title = StringProperty()
    sentence = StringProperty()
    act_now = BooleanProperty(False)
    named = BooleanProperty(False)

    def on_pre_enter(self, *_args):
        choices = self.app.session.choices()
        wanted = self.app.receiving.id if self.app.receiving else self.app.view.hand_over_id
        self.app.receiving = None
        waiting = [w for w in choices.hand_overs if w.id == wanted] or list(choices.hand_overs)
        self._hand_over = waiting[0] if waiting else None
        self._operator, self.named, self.act_now = None, False, False
        self.ids.people.fill(
            Row(words=one.name, on_release=lambda row, one=one: self._name(one, row)) for one in choices.operators
        )
        if self._hand_over is None:
            self.sentence = translate("No hand-over is waiting.")
            return
        self.title = translate(
            "Receive: {field}, from {outgoing}", field=self._hand_over.field, outgoing=self._hand_over.outgoing
        )
        self.sentence = translate("Who takes over?")
        self.ids.sheet.fill(
            SheetLine(point=translate(point), words=written(said)) for point, said in sheet_lines(self._hand_over.sheet)
        )
        self._lay_map(self.app)

    def _lay_map(self, app):
        ground, own = self.ids.ground, app.view.hand_over_id == self._hand_over.id
        job = self._job = app.session.job if own else _count(app.store, self._hand_over.id)
        if job is None:
            self.sentence = translate("There is no map of this field. Who takes over?")
            return
        ground.next_place = None  # it is for the receiver to show
        marks = self._hand_over.sheet.get("marks") or ()
        ground.show_field(job, ((mark["kind"], mark.get("lat"), mark.get("lon")) for mark in marks))

    def _name(self, operator, row):
        self._operator, self.named = operator, True
        self.ids.people.choose(row)
        if self._job is None:
            self._receive(None, None)
        else:
            self.sentence = translate("{operator}: touch the map where the next pass begins.", operator=operator.name)

    def point(self, x, y):
        """The receiver pointed at the map."""
        if self._operator is None:
            self.sentence = translate("First say who takes over.")
            return
        self._receive(*self.ids.ground.latlon(x, y))

    def _receive(self, lat, lon):

        def act():
            got = self.app.session.receive(self._hand_over.id, self._operator.id, lat, lon)
            self.sentence, self.act_now = translate(got.words), not got.agreed
            if got.agreed:
                self.app.go("take over")

        self.app.attempt(act)

    def no_time(self):
        """Take over without the check; it is written down, and the office sees it in red."""
        if self._hand_over is not None:
            self.app.unchecked = self._hand_over
            self.app.show_refusal(message("Taking over without the check is written down for the office."))
        self.app.go("take over")

    def later(self):
        self.app.back()


def _count(store, hand_over_id: str):
    """Return the count of a job handed over, by another tablet too; None when nothing says where it is."""
    given = store.get(HandOver, hand_over_id)
    job = Corrections(store).moved.get(given.stint_id, given.job_id)
    assembled = assemble(store, store.get(Job, job))
    return assembled and assembled.count
