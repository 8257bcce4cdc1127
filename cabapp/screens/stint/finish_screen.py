"""Finishing: what is still open, largest worth first, before the stint is closed."""

from kivy.properties import StringProperty

from cabapp.common.message import N_
from cabapp.common.quantities import Area, Length
from cabapp.screens.widgets.row_list import Row, SheetLine
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate

KINDS = N_({"none": "Never covered", "unknown": "Place lost, perhaps covered", "short": "Too few times"})
CERTAINTIES = N_(("sure", "maybe", "cannot tell"))


class FinishScreen(CabScreen):
    """The gaps by worth, each with how sure it is; touching one shows it on the map."""

    title = StringProperty()

    def on_pre_enter(self, *_args):
        job, rows = self.app.session.job, []
        gaps = [gap for gap in job.gaps() if gap.kind in KINDS] if job is not None else []
        for place, gap in enumerate(gaps, 1):
            size = translate("{area}, {width} wide", area=Area(gap.area), width=Length(gap.width))
            words = f"{place}. {translate(KINDS[gap.kind])}, {translate(gap.certainty)}"
            rows.append(Row(words=words, remark=size, on_release=lambda _row, gap=gap: self._point_out(gap)))
        nothing = self.app.session.why_nothing()
        if nothing is not None:
            rows.insert(0, SheetLine(point=translate("Count"), words=translate(nothing)))
        if not rows:
            rows = [
                Row(
                    words=translate("No gaps are known.")
                    if job is not None
                    else translate("There is no map, so gaps cannot be told.")
                )
            ]
        self.ids.gaps.fill(rows)

    def show(self, view) -> None:
        self.title = translate("Finish {field}?", field=view.field or "")
        if view.state == "finished":
            self.app.go("pass")

    def _point_out(self, gap):
        self.app.screens.get_screen("pass").point_out((gap.x, gap.y))
        self.app.go("pass")

    def finish(self):
        if self.app.do("finish"):
            self.app.go("pass")
