"""Whether the operator acted on a warning within ``ACT_S`` seconds. Pure."""

from dataclasses import dataclass, field

ACT_S = 8.0
_EASED = 0.7  # slowed to this share of the speed before
_MOVED = 1.0  # m


@dataclass(frozen=True, slots=True)
class WarningOutcome:
    """A warning raised at ``at``; ``acted`` None when there was no time or way to tell."""

    kind: str
    at: float
    acted: bool | None
    detail: dict = field(default_factory=dict)


@dataclass(slots=True)
class _Open:
    kind: str
    at: float
    state: str
    speed: float | None
    aside: float | None
    detail: dict


class WarningFollowUp:
    """Keeps the warnings whose seconds are not over yet."""

    def __init__(self):
        self._open: list[_Open] = []

    def raised(self, kind: str, now, **detail) -> None:
        """Begin to watch a warning raised in a ``Situation``."""
        aside = now.danger.aside if now.danger else None
        self._open.append(_Open(kind, now.now, now.state, now.speed, aside, detail))

    def feed(self, now) -> tuple[WarningOutcome, ...]:
        """Return the warnings settled by this ``Situation``."""
        done, still = [], []
        for warning in self._open:
            if now.now - warning.at > ACT_S:
                acted = None if warning.kind == "lost" else False
            elif now.now > warning.at and _acted(warning, now):
                acted = True
            else:
                still.append(warning)
                continue
            done.append(WarningOutcome(warning.kind, warning.at, acted, warning.detail))
        self._open = still
        return tuple(done)

    def flush(self) -> tuple[WarningOutcome, ...]:
        """Return what is open as not told, and watch it no more."""
        left = tuple(WarningOutcome(w.kind, w.at, None, w.detail) for w in self._open)
        self._open = []
        return left


def _acted(warning: _Open, now) -> bool:
    if now.state != warning.state:
        return True
    if warning.kind == "lost":
        return now.position != "lost"
    if warning.kind == "recover" and now.over is not None:
        detail = warning.detail
        return now.over <= max(detail["e_off"], detail["e"] - _MOVED)
    if warning.kind == "danger":
        eased = None not in (now.speed, warning.speed) and now.speed <= _EASED * warning.speed
        moved = now.danger is not None and abs(now.danger.aside) >= abs(warning.aside) + _MOVED
        return eased or moved
    return False
