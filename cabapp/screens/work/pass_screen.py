"""The screen of the work itself: map, three figures, tool strip, sentence and at most four keys.

Draws a `cabapp.session.state.view.View`; every rule behind it lives in the session.
"""

from kivy.clock import Clock
from kivy.properties import BooleanProperty, ListProperty, NumericProperty, StringProperty
from kivy.utils import escape_markup

from cabapp.common.message import N_, Message, message
from cabapp.common.quantities import ClockTime
from cabapp.common.wording import HARVESTS
from cabapp.jobs.records.field_marks import STONE_HIT
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.jobs.records.tool_parts import signs, wing_of
from cabapp.screens.map import ground_map as _map
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import capital, translate
from cabapp.screens.work import manual_counter as _manual_counter  # noqa: F401
from cabapp.screens.work import section_keys as _section_keys  # noqa: F401
from cabapp.screens.work import sentence_line as _sentence  # noqa: F401
from cabapp.screens.work import tool_strip as _strip  # noqa: F401
from store.models import Field, Job

HEAD_SIGNS, WRITING_SIGNS = 54, 23  # about as many as stand in the head at the least size of letters
GLIDE_S = 0.025  # the map moves so often at most: 30 times a second and more, without waste
WALK = 1.5  # m/s; faster than this nothing but the four keys
SMALL_MARKS = ("rock", "soft ground", "pole")
WINGS = N_({"left up": "Left up", "right up": "Right up", "both up": "Both up"})
LOWERED = N_({"left up": "Left down", "right up": "Right down"})
AREAS = N_({"ac": "acres to finish", "ha": "hectares to finish"})


class PassScreen(CabScreen):
    """What the operator sees while working; `show` takes a View ten times a second."""

    head = StringProperty()
    who = StringProperty()
    writing = StringProperty()
    lamp = NumericProperty(0)  # 0 open ring: not recording; 1 filled: recording; 2 crossed: no position
    main_words = StringProperty("Start")
    main_acts = BooleanProperty(True)
    keys = ListProperty(["Mark", "Wing", "More"])
    left = StringProperty()
    left_words = StringProperty()
    speed = StringProperty()
    speed_words = StringProperty()
    finish = StringProperty()
    finish_words = StringProperty()
    moving = BooleanProperty(False)
    no_receiver = BooleanProperty(False)
    asking = StringProperty()  # "", "mark", "wing" or "sections": what the small keys stand for just now
    sections = ListProperty()  # which sections work, while the row of their keys is shown

    def __init__(self, **kwargs):
        self._job, self._state, self._marks = None, None, None
        self._switched = False  # a section, since its keys were asked for
        self._glided = 0.0  # when the map was last moved
        super().__init__(**kwargs)

    def on_pre_enter(self, *_args):
        self.asking = ""
        Clock.schedule_interval(self._glide, 0)

    def on_leave(self, *_args):
        Clock.unschedule(self._glide)

    def _glide(self, _dt):
        """Between two fixes let the map move on."""
        view, now = self.app.view, Clock.get_time()
        moves = view is not None and view.pose is not None and view.speed
        if moves and not self.no_receiver and now - self._glided >= GLIDE_S:
            self._glided = now
            self.ids.ground.glide(self.app.clock.now())

    def show(self, view) -> None:
        self.moving = is_moving(view)
        self.no_receiver = view.position == "none"
        self._head(view, self.app)
        self._figures(view, self.app)
        self._ground(view, self.app)
        strip = self.ids.strip
        strip.counts, strip.over = list(view.strip or ()), list(view.strip_over or ())
        strip.works = list(view.strip_works)
        self.ids.passes.count = view.pass_tally
        self._sentence(view, self.app)
        verb = Message(view.operation) if view.operation else message("work")
        self.main_acts = view.state != "finished"
        if self.main_acts:
            working = view.state == "working"
            self.main_words = translate("Stop {verb}", verb=verb) if working else translate("Start {verb}", verb=verb)
        else:
            self.main_words = translate("Finished")
        self._keys(view)
        # faster than a walk there are four keys: sections are shut from either end
        self.sections = _sections_on(view) if self.asking == "sections" and not self.moving else []

    def _head(self, view, app):
        work = ", ".join(translate(w) for w in (view.operation, view.target) if w)
        room = HEAD_SIGNS - len(f"{view.field}  {work}   ")
        whole = ", ".join(w for w in (view.operator, view.tool) if w)
        # a long head leaves the tool out, then the operator: both are on the sheet
        who = next((w for w in (whole, view.operator or "") if len(w) <= room), "")
        self.head = f"[b]{escape_markup(view.field or '')}[/b]  {escape_markup(work)}"
        self.who = escape_markup(who)
        since = app.clock_words(view.since)
        if view.state == "working" and view.position == "lost":
            self.lamp, self.writing = 2, translate("[b]Place lost[/b] {time}", time=ClockTime(view.lost_since))
        elif view.state == "working":
            self.lamp, self.writing = 1, translate("[b]Recording[/b] since {time}", time=since)
        elif view.state == "stopped":
            self.lamp, self.writing = 0, translate("[b]Stopped[/b] since {time}", time=since)
        else:
            self.lamp = 0
            self.writing = f"[b]{translate('Finished') if view.state == 'finished' else translate('Not started')}[/b]"
        if app.logbook_status.shout:  # whatever the line below must say, that nothing is saved stays in sight
            self.lamp, self.writing = 2, f"[b]{translate('Nothing is saved')}[/b]"
        bold, _, rest = self.writing.partition("[/b]")
        if len(bold) + len(rest) - len("[b]") > WRITING_SIGNS:
            self.writing = f"{bold}[/b] {since}"

    def _figures(self, view, app):
        units = app.units
        left = ground_left(view)
        if left is not None:
            self.left, unit = units.area(left).rsplit(" ", 1)
            self.left_words = translate(AREAS[unit])
        else:
            minutes = int(view.working_s // 60)
            self.left, self.left_words = f"{minutes // 60}:{minutes % 60:02d}", translate("hours of work")
        self.speed = units.speed(view.speed).split(" ")[0]
        self.speed_words = units.unit("speed")
        self.finish = app.clock_words(view.finish_at[1]) if view.finish_at else "–"
        self.finish_words = translate("done by")

    def _ground(self, view, app):
        session = app.session
        ground, job = self.ids.ground, session.job
        if job is not self._job:
            self._job = job
            if job is not None:
                ground.set_job(job)
                self.ids.strip.target, ground.gate, self._marks = ground.target, self._gate(app), None
            session.take_dirty()
            ground.changed("all")
        else:
            if job is not None:
                ground.grid = job.grid  # laid anew when a tap is taken back, or the work goes far
            ground.changed(session.take_dirty())
        if job is not None and session.marks is not self._marks:
            self._marks = session.marks
            ground.set_marks((mark.kind, mark.lat, mark.lon) for mark in session.marks)
        if view.state != self._state:
            self._state = view.state
            # where work stopped stays marked until it goes on
            pose = view.pose if view.state == "stopped" else None
            ground.next_place = (pose.x, pose.y) if pose else None
        ground.keys = not self.moving
        ground.follow(view.pose, app.clock.now())

    def point_out(self, xy) -> None:
        """Show a place of the field on the whole map, until work goes on."""
        self.ids.ground.next_place = xy
        self.ids.ground.show_whole()

    def _gate(self, app):
        """Return the gate on the job's plane, metres; None when nobody wrote it down."""
        stint = app.stint()
        field = stint and app.store.get(Field, app.store.get(Job, stint.job_id).field_id)
        if not field or field.gate_lat is None:
            return None
        return self.ids.ground.xy(field.gate_lat, field.gate_lon)

    def _sentence(self, view, app):
        line, said = self.ids.sentence, app.messages.line(view)
        line.words = translate(said.words) if said else ""
        line.act_now = bool(said and said.act_now)
        line.side = said.side if said and said.act_now else 0
        if "down" in (line.ids.first.state, line.ids.second.state):
            return  # what a finger rests on does not change under it
        answers = list(said.answers) if said else []
        if not answers and view.undo_label and view.undo_left > 0:
            answers = [TAP_KINDS["undo"].key(tap=view.undo_label)]
        if not answers and said and said.i_know:
            answers = [TAP_KINDS["i_know"].key()]
        if view.stop_reason == "grease" and (view.greased_at or 0.0) < view.since:
            answers.append(TAP_KINDS["grease"].key())
        self._answers = answers[:2]
        line.answer = translate(answers[0][0]) if answers else ""
        line.other_answer = translate(answers[1][0]) if len(answers) > 1 else ""

    def _keys(self, view):
        if self.asking == "mark":
            self.keys = [capital(kind) for kind in marks_for(view.operation)]
        elif self.asking == "wing":
            up = _wings_up(view)
            sides = [(LOWERED if side in up else WINGS)[side] for side in LOWERED]
            self.keys = [*map(translate, sides), translate("Both down")]
        elif self.asking == "sections":
            ends = translate("One off left"), translate("One off right")
            done = translate("Done") if self._switched or all(view.on) else translate("All on")
            # a sentence with a key takes the fourth place
            self.keys = [*ends, "" if self.moving and self.ids.sentence.answer else done]
        else:
            wing = self._part_words(view)
            more = "" if self.moving else translate("More")
            self.keys = [translate("Mark"), wing, more] if view.state != "finished" else ["", "", ""]

    def _part_words(self, view):
        """Return the words of the key for wings or sections: what works now, unless all does."""
        if not view.sections:
            return translate(WINGS[wing]) if (wing := wing_of(view.on)) in WINGS else translate("Wing")
        if all(view.on):
            return translate("Sections")
        return translate("{number} of {all} on", number=sum(view.on), all=view.sections)

    def press_main(self):
        state = self.app.view.state
        if state == "working":
            self.app.stop_work()
        else:
            self.app.do("restart" if state == "stopped" else "start")

    def press(self, place: int):
        if self.asking == "mark":
            self.app.do("mark", kind=marks_for(self.app.view.operation)[place])
            self.asking = ""
        elif self.asking == "wing":
            up = _wings_up(self.app.view) ^ {list(LOWERED)[place]} if place < 2 else set()
            self.app.do("width", wing="both up" if len(up) == 2 else next(iter(up), "all"))
            self.asking = ""
        elif self.asking == "sections":
            self._press_sections(place)
        elif place == 2:
            self.app.go("more")
        else:
            self.asking = ("mark", "sections" if self.app.view.sections else "wing")[place]
            self._switched = False
        self._keys(self.app.view)

    def _press_sections(self, place: int):
        """Shut off one more section at the left or the right, or leave the keys of the sections."""
        on = _sections_on(self.app.view)
        if place == 2:
            if not (self._switched or all(on)):
                self.switch_sections([True] * len(on))
            self.asking = ""
        elif any(on):
            works = [n for n, one in enumerate(on) if one]
            on[works[0 if place == 0 else -1]] = False
            self.switch_sections(on)
            if self.moving:
                self.asking = ""

    def switch_sections(self, on):
        """Let sections of the tool work, or no more: a flag for each from the left."""
        self._switched = True
        self.app.do("sections", on=signs(on))

    def answer(self, which: int):
        self.app.do(self._answers[which][1])

    def point(self):
        """A touch on the map while moving: near, or the whole field."""
        ground = self.ids.ground
        if self.moving and ground.whole:
            ground.whole, ground.level = False, _map.NEAR
        elif self.moving:
            ground.show_whole()


def _wings_up(view) -> set[str]:
    """Return which wings are up, by the names of `LOWERED`."""
    wing = wing_of(view.on)
    return set(LOWERED) if wing == "both up" else {wing} & set(LOWERED)


def _sections_on(view) -> list[bool]:
    return list(view.on or [True] * view.sections)


def marks_for(operation):
    """Return the three marks of the work in hand."""
    return (STONE_HIT, *SMALL_MARKS[1:]) if operation in HARVESTS else SMALL_MARKS


def is_moving(view) -> bool:
    """Whether the tractor goes faster than a walk, or may do so because nobody knows where it is."""
    if view.speed is not None:
        return view.speed > WALK
    return view.state == "working" and view.position == "lost"


def ground_left(view):
    """Return the ground that is not yet at target, m2; None when not known.

    Ground, not passes times ground: a field never has more of it left than it is large.
    """
    if view.field_area is None or view.done_area is None:
        return None
    return max(0.0, view.field_area - view.done_area)
