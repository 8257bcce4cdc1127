"""The nine points of a hand-over sheet as short lines for the screen. No Kivy, no store."""

from collections.abc import Callable

from cabapp.jobs.records.pending_handovers import told_of

EMPTY = ("Nothing odd.", "Not seen.")
"""What is said of a point of which nothing is known; it gives way to what the outgoing operator said."""
GAPS = {"none": "never covered", "short": "too few times"}


def sheet_lines(sheet: dict, units, say_time: Callable[[float], str]) -> list[tuple[str, str]]:
    """Return the sheet as (point, words), in the order it is gone through.

    Parameters
    ----------
    sheet : dict
        As `cabapp.session.handover.sheet_builder.build_sheet` gathers it; points that are missing are left out,
        for a sheet may come from another version.
    units : cabapp.common.units.Units
    say_time : callable
        POSIX s to the farm's time of day.

    Examples
    --------
    >>> from cabapp.common.units import Units
    >>> sheet_lines({"state": {"word": "watch", "why": "fuel"}, "to_do": []}, Units("us"), str)
    [('State', 'Watch. Stopped for: fuel.'), ('To do', 'No gaps are known.')]
    """
    lines = []
    for point, title, say in _POINTS:
        if point in sheet:
            told = [f"{one[:1].upper()}{one[1:]}." for one in told_of(sheet, point)]
            known = say(sheet[point], units, say_time)
            words = " ".join([*([known] if known and not (told and known in EMPTY) else []), *told])
            if words:
                lines.append((title, words))
    return lines


def _state(state, _units, _say_time):
    why = f" Stopped for: {state['why']}." if state.get("why") else ""
    return f"{str(state.get('word', '')).capitalize()}.{why}"


def _where(where, units, _say_time):
    said = [where.get("field") or ""]
    share = where.get("share")
    if share:
        said.append(
            f"{share['done'] * 100:.0f} % done, {share['short'] * 100:.0f} % too few, {share['none'] * 100:.0f} % not at all"
        )
    elif where.get("pass_tally"):
        said.append(f"{where['pass_tally']} passes by hand")
    coming = where.get("next")
    if coming:
        side = f", on the {coming['side']}" if coming.get("side") else ""
        lap = f", lapping {units.length(coming['lap_m'])}" if coming.get("lap_m") else ""
        end = f", at the {where['next_end']} end" if where.get("next_end") else ""
        said.append(f"next pass from {coming.get('from', 'here')}{end}{side}{lap}")
    if where.get("tool_end"):
        said.append(f"the tool stands at the {where['tool_end']} end")
    return "; ".join(said) + "."


def _odd(odd, units, _say_time):
    said = []
    if odd.get("once_only"):
        said.append("a part is to be done once only")
    if odd.get("wing_now", "all") != "all":
        said.append(f"wing {odd['wing_now']}")
    if odd.get("part_width"):
        said.append(f"{len(odd['part_width'])} stretches with part of the tool")
    lost = odd.get("position_unknown_s")
    if lost and lost >= 1:
        said.append(f"place not known for {lost / 60:.0f} min" if lost >= 60 else f"place not known for {lost:.0f} s")
    said += [word.replace("_", " ") for word, yes in (odd.get("ground") or {}).items() if yes]
    return f"{'; '.join(said).capitalize()}." if said else "Nothing odd."


def _marks(marks, _units, _say_time):
    kinds = [mark["kind"] for mark in marks]
    return ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds)) or "No marks."


def _machine(machine, units, say_time):
    said = [f"{machine.get('tractor', '')}, {machine.get('tool', '')}, {units.length(machine.get('width_m'))}"]
    if machine.get("antenna_to_hitch_m") is not None:
        hitch, tool = (units.length(machine.get(key)) for key in ("antenna_to_hitch_m", "hitch_to_line_m"))
        said.append(f"antenna to hitch {hitch}, hitch to tool {tool}")
    if machine.get("last_fuel"):
        fuel = machine["last_fuel"]
        said.append(f"{units.volume(fuel['litres'])} of fuel went in at {say_time(fuel['at'])}")
    if machine.get("tool_hours"):
        every = machine.get("grease_every_h")
        grease = f", grease every {every:g} h" if every else ""
        said.append(f"the tool has worked {machine['tool_hours']:.1f} h{grease}")
    if machine.get("faults"):
        said.append(f"not right when last looked at: {', '.join(map(str, machine['faults']))}")
    return "; ".join(said) + "."


def _seeder(seeder, _units, say_time):
    return f"Seen at {say_time(seeder['at'])}." if seeder else "Not seen."


def _if_then(lines, _units, _say_time):
    return " ".join(lines)


def _to_do(gaps, units, _say_time):
    if gaps is None:
        return "Not known."
    said = [
        f"{units.area(gap['area_m2'])} {GAPS.get(gap['kind'], gap['kind'])} ({gap['certainty']})" for gap in gaps[:3]
    ]
    more = f" and {len(gaps) - 3} smaller" if len(gaps) > 3 else ""
    return f"Gaps: {'; '.join(said)}{more}." if said else "No gaps are known."


def _closing(closing, _units, _say_time):
    phone = f", {closing['phone']}" if closing.get("phone") else ""
    left = " Left: nobody was here." if closing.get("left_for") else ""
    return f"{closing.get('outgoing', '')}{phone}, {closing.get('time', '')}.{left}"


_POINTS = (
    ("state", "State", _state), ("where", "Where", _where), ("odd", "Odd", _odd),
    ("marks", "Marks", _marks), ("machine", "Machine", _machine), ("seeder", "Seeder", _seeder),
    ("if_then", "If … then …", _if_then), ("to_do", "To do", _to_do), ("closing", "From", _closing),
)  # fmt: skip
TITLES = tuple(title for _, title, _ in _POINTS)
