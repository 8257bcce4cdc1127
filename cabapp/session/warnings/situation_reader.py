"""Reads the situation from the open stint."""

import math

from cabapp.common.message import Message, message
from cabapp.common.quantities import Length, Speed, Temperature
from cabapp.counting.look_ahead import Ahead
from cabapp.jobs.records.stint_state import WORKING
from cabapp.planning.go_rules import stops
from cabapp.session.advice.day_facts import weather
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.state.sentence import QUIET, SEEDER, STOP_RULE
from cabapp.session.warnings.finished_ground import look_ahead_seconds
from cabapp.session.warnings.missed_tap import SLOWEST
from cabapp.session.warnings.situation import STOP_RULES, Situation, danger_ahead
from cabapp.session.warnings.spacing_estimate import likely_sigma

SEEDER_NEAR_M, SEEDER_FRESH_S = 100.0, 600.0


def read_situation(
    runner: OpenStint, t: float, position: str | None, lost_since: float | None
) -> tuple[Situation, Ahead | None]:
    """Return the situation at ``t`` and what lies ahead; None when not working or not known.

    `t`: POSIX s.
    `position`: "good", "poor", "lost" or "none".
    `lost_since`: POSIX s.
    """
    stood, pose, width = runner.standing, runner.pose, runner.tool.width
    known = {
        "now": t,
        "state": stood.state,
        "since": stood.since,
        "operation": runner.job.operation,
        "target": runner.job.target,
        "width": width,
        "position": position,
        "lost_since": lost_since,
        "sigma": runner.position.sigma(),
        "stop_rule": _stop_rule(runner, t) or _asked(runner, STOP_RULE),
        "seeder": _asked(runner, SEEDER),
        "quiet": runner.notice,
        "field": runner.field.name,
        "away": runner.count.away if runner.count and position in ("good", "poor") else None,
        "advice": tuple(ask for ask in runner.advice if ask.rank == QUIET),
    }
    if pose is None or position not in ("good", "poor"):
        return Situation(**known), None
    seconds = look_ahead_seconds(max(pose.speed, SLOWEST))
    reach = pose.speed * seconds
    marks = [(m.id, m.kind, m.x, m.y) for m in runner.marks if m.x is not None]
    known |= {
        "speed": pose.speed,
        "heading": pose.heading,
        "curvature": pose.curvature,
        "reversing": pose.reversing,
        "reach": reach,
        "in_field": runner.count.in_field(pose.x, pose.y),
        "danger": danger_ahead(pose.x, pose.y, pose.heading, marks, width, reach),
        "seeder": _seeder(runner, t, pose) or known["seeder"],
    }
    ahead = runner.count.count.ahead(seconds) if stood.state == WORKING else None
    if ahead is not None:
        far = reach + 3 * width
        known |= {
            "target": _wanted_ahead(runner, pose, ahead),
            "over": ahead.over_width,
            "move": ahead.move,
            "move_side": ahead.move_side,
            "lap_sigma": likely_sigma(
                runner.position.sigma(), (runner.spacing.sigma, runner.spacing.pairs), runner.count.lapped_before
            ),
            "edge_ahead": runner.count.edge_ahead(pose.x, pose.y, pose.heading, far),
        }
    return Situation(**known), ahead


def _wanted_ahead(runner, pose, ahead) -> int:
    """Return the passes wanted where the finished ground ahead begins: once-only ground has one."""
    far = min(ahead.distance, SEEDER_NEAR_M)
    (left, right), side = (pose.left, pose.right), ahead.side
    share = {-1: 0.25, 0: 0.5, 1: 0.75}[side]
    x = left[0] + share * (right[0] - left[0]) + far * math.cos(pose.heading)
    y = left[1] + share * (right[1] - left[1]) + far * math.sin(pose.heading)
    return int(runner.count.count.wanted([[x, y]])[0]) or runner.job.target


def _stop_rule(runner, t) -> Message | None:
    """Return the sentence of the worst that stops the work: ground, wind, or heat."""
    looked = runner.last.get("look_first")
    answers = (looked.detail or {}) if looked else {}
    wind, air = weather(runner, t)
    found = stops(runner.farm.goes, answers, wind, air, runner.up)
    if not found:
        return None
    if found[0] == "wind":
        return message(
            "Wind {wind}: soil may blow from {limit} on. Stop until it drops.",
            wind=Speed(wind), limit=Speed(runner.farm.goes.wind),
        )  # fmt: skip
    if found[0] == "heat":
        return message(
            "{air} in the air: from {limit} on it sets plants back. Stop until it is cooler.",
            air=Temperature(air), limit=Temperature(runner.farm.goes.heat),
        )  # fmt: skip
    return STOP_RULES[found[0]]


def _asked(runner, rank) -> Message | None:
    """Return what the day asks at a rank."""
    return next((ask.words for ask in runner.advice if ask.rank == rank), None)


def _seeder(runner, t, pose) -> Message | None:
    """Return what to say when the seeder was pointed out lately and near."""
    seen = runner.last.get("seeder")
    if seen is None or seen.lat is None or not 0 <= t - seen.at <= SEEDER_FRESH_S:
        return None
    x, y = runner.count.count.plane.to_xy(seen.lat, seen.lon)[0]
    metres = math.hypot(x - pose.x, y - pose.y)
    if metres > SEEDER_NEAR_M:
        return None
    return message("The seeder was {length} from here. Ease off, or do gaps first.", length=Length(metres))
