"""The nine points of a hand-over sheet as short sentences for the screen. No Kivy, no store."""

from cabapp.common.message import N_, Message, message, plural
from cabapp.common.quantities import Area, ClockTime, Duration, Length, Volume
from cabapp.common.shares import percents
from cabapp.jobs.records.pending_handovers import POINTS, messages_of, told_of
from cabapp.jobs.records.tool_parts import part_now, part_words
from cabapp.screens.widgets.translation import translate

EMPTY = (message("Nothing odd."), message("Not seen."))
"""What is said of a point of which nothing is known; it gives way to what the outgoing operator said."""
MOST_GAPS = 3
_GROUND = {
    "wet": message("Wet."), "mud": message("Mud."), "shoots": message("Shoots."), "blowing": message("Blowing."),
}  # fmt: skip


def sheet_lines(sheet: dict) -> list[tuple[str, list[Message]]]:
    """Return the sheet as (point, sentences), in the order it is gone through.

    `sheet`: as `cabapp.session.handover.sheet_builder.build_sheet` gathers it; points that are missing are left out,
        for a sheet may come from another version.

    >>> for point, said in sheet_lines({"state": {"word": "watch", "why": "fuel"}, "to_do": []}):
    ...     print(point, *said)
    State Watch. Stopped for: fuel.
    To do No gaps are known.
    """
    lines = []
    for point, (title, describe) in zip(POINTS, _POINTS, strict=True):
        if point in sheet:
            told, known = told_of(sheet, point), describe(sheet[point])
            said = [*([] if told and known and known[0] in EMPTY else known), *told]
            if said:
                lines.append((title, said))
    return lines


def written(said: list[Message]) -> str:
    """Return sentences as the screen shows them, each with its capital and full stop."""
    shown = [translate(one) for one in said]
    return " ".join(f"{one[:1].upper()}{one[1:].rstrip('.')}." for one in shown)


def _state(state):
    said = [message("{State}.", state=Message(str(state.get("word", ""))))]
    return [*said, message("Stopped for: {why}.", why=Message(str(state["why"])))] if state.get("why") else said


def _where(where):
    said = [message("{field}.", field=where.get("field") or "")]
    share = where.get("share")
    if share:
        names = ("done", "short", "none", "unknown")
        rounded = percents([share.get(name, 0.0) for name in names], 1.0)  # an older sheet has no unknown
        percent = {name: round(one) for name, one in zip(names, rounded, strict=True)}
        unknown = percent.pop("unknown")
        said.append(message("{done} % done, {short} % too few, {none} % not at all.", **percent))
        if unknown:
            said.append(message("{unknown} % not known, for the place was lost there.", unknown=unknown))
    elif where.get("pass_tally"):
        said.append(plural("{count} pass by hand.", "{count} passes by hand.", where["pass_tally"]))
    if where.get("next"):
        said.append(_next_pass(where["next"], where.get("next_end")))
    if where.get("tool_end"):
        said.append(message("The tool stands at the {end} end.", end=Message(where["tool_end"])))
    return said


def _next_pass(coming, end):
    length, side = Length(coming.get("lap_m")), coming.get("side")
    if end is None:
        if side == "left":
            return message("Next pass from this end, on the left, lapping {length}.", length=length)
        if side == "right":
            return message("Next pass from this end, on the right, lapping {length}.", length=length)
        return message("Next pass from here.")
    end = Message(end)
    if side == "left":
        return message(
            "Next pass from this end, at the {end} end, on the left, lapping {length}.", end=end, length=length
        )
    if side == "right":
        return message(
            "Next pass from this end, at the {end} end, on the right, lapping {length}.", end=end, length=length
        )
    return message("Next pass from here, at the {end} end.", end=end)


def _odd(odd):
    said = []
    if odd.get("once_only"):
        said.append(message("A part is to be done once only."))
    part = part_words(part_now(odd))
    said += [part] if part else []
    if odd.get("part_width"):
        many = len(odd["part_width"])
        said.append(plural("{count} stretch with part of the tool.", "{count} stretches with part of the tool.", many))
    lost = odd.get("position_unknown_s")
    if lost and lost >= 60:
        said.append(message("Place not known for {time}.", time=Duration(lost)))
    elif lost and lost >= 1:
        said.append(message("Place not known for {seconds} s.", seconds=round(lost)))
    said += messages_of(odd.get("nothing"))
    found = odd.get("ground") or {}
    said += [sentence for word, sentence in _GROUND.items() if found.get(word)]
    return said or [EMPTY[0]]


def _marks(marks):
    kinds = [mark["kind"] for mark in marks]
    counted = tuple(
        message("{count} {kind}", count=kinds.count(kind), kind=Message(kind)) for kind in dict.fromkeys(kinds)
    )
    return [message("{marks}.", marks=counted) if counted else message("No marks.")]


def _machine(machine):
    names = (machine.get("tractor", ""), machine.get("tool", ""), Length(machine.get("width_m")))
    said = [message("{names}.", names=names)]
    if machine.get("antenna_to_hitch_m") is not None:
        hitch, tool = (Length(machine.get(key)) for key in ("antenna_to_hitch_m", "hitch_to_line_m"))
        said.append(message("Antenna to hitch {hitch}, hitch to tool {tool}.", hitch=hitch, tool=tool))
    if machine.get("last_fuel"):
        fuel = machine["last_fuel"]
        volume, time = Volume(fuel["litres"]), ClockTime(fuel["at"])
        said.append(message("{volume} of fuel went in at {time}.", volume=volume, time=time))
    if machine.get("tool_hours"):
        hours, every = f"{machine['tool_hours']:.1f}", machine.get("grease_every_h")
        if every:
            said.append(
                message("The tool has worked {hours} h, grease every {every} h.", hours=hours, every=f"{every:g}")
            )
        else:
            said.append(message("The tool has worked {hours} h.", hours=hours))
    if machine.get("faults"):
        parts = tuple(Message(str(part)) for part in machine["faults"])
        said.append(message("Not right when last looked at: {parts}.", parts=parts))
    return said


def _seeder(seeder):
    return [message("Seen at {time}.", time=ClockTime(seeder["at"])) if seeder else EMPTY[1]]


def _to_do(gaps):
    if gaps is None:
        return [message("Not known.")]
    listed = tuple(_gap(gap) for gap in gaps[:MOST_GAPS])
    if len(gaps) > MOST_GAPS:
        more = len(gaps) - MOST_GAPS
        return [plural("Gaps: {gaps} and {count} smaller.", "Gaps: {gaps} and {count} smaller.", more, gaps=listed)]
    return [message("Gaps: {gaps}.", gaps=listed) if listed else message("No gaps are known.")]


def _gap(gap):
    values = {"area": Area(gap["area_m2"]), "certainty": Message(gap["certainty"])}
    if gap["kind"] == "none":
        return message("{area} never covered ({certainty})", **values)
    if gap["kind"] == "unknown":
        return message("{area} perhaps covered while the place was lost", area=values["area"])
    return message("{area} too few times ({certainty})", **values)


def _closing(closing):
    values = {"name": closing.get("outgoing", ""), "time": closing.get("time", "")}
    if closing.get("phone"):
        said = [message("{name}, {phone}, {time}.", phone=closing["phone"], **values)]
    else:
        said = [message("{name}, {time}.", **values)]
    return [*said, message("Left: nobody was here.")] if closing.get("left_for") else said


_POINTS = (
    (N_("State"), _state), (N_("Where"), _where), (N_("Odd"), _odd), (N_("Marks"), _marks), (N_("Machine"), _machine),
    (N_("Seeder"), _seeder), (N_("If … then …"), messages_of), (N_("To do"), _to_do), (N_("From"), _closing),
)  # fmt: skip
