"""What a person is told of trust: that this machine was struck off, and which machines go on for others."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.errors import Message, message
from store.models import Peer
from sync.device_trust import SIGNERS, RollEntry, enrolments_here, trust_here


def struck_off(store: Store) -> list[Message]:
    """Return a sentence if the office, or a machine that is paired here, has struck this one off; else none."""
    with store.session() as session:
        trust, given = trust_here(session), enrolments_here(session)
    entry = trust.roll.get(trust.device)
    if entry is not None:
        return [_struck(message("The farm's office"), entry.reason)] if entry.state == "revoked" else []
    said = {e["device"]: e for e in sorted(given, key=lambda e: int(e["seq"])) if e["subject"] == trust.device}
    return [
        _struck(trust.roll[device].name, e["reason"])
        for device, e in said.items()
        if e["state"] == "revoked" and device in trust.roll and trust.roll[device].state in SIGNERS
    ][:1]


def _struck(who: Message | str, reason: str | None) -> Message:
    if reason:
        return message(
            "{who} has struck this machine off ({reason}): the others take in nothing that it writes from now on. Nothing is "
            "lost here. If that is wrong, ask there.",
            who=who,
            reason=reason,
        )
    return message(
        "{who} has struck this machine off: the others take in nothing that it writes from now on. Nothing is lost here. "
        "If that is wrong, ask there.",
        who=who,
    )


@contextmanager
def news_of_trust(store: Store) -> Iterator[list[Message]]:
    """Give a list that holds, at the end, a sentence on each machine that has begun to go on for another one meanwhile."""
    told: list[Message] = []
    with store.session() as session:
        before = _goes_on(session)
    yield told
    with store.session() as session:
        names = dict(session.execute(select(Peer.device, Peer.name)).all())
        own = store.device
        new = [entry for device, entry in _goes_on(session).items() if device not in before and device != own]
    for entry in new:
        old = str(entry.before)
        told.append(
            message(
                "{name} ({device}) goes on for {old} ({id}), and is trusted as that one was. If nobody moved, copied or put "
                "back that machine, have the new one struck off at the office.",
                name=entry.name,
                device=entry.device[:8],
                old=names.get(old, entry.name),
                id=old[:8],
            )
        )


def _goes_on(session: Session) -> dict[str, RollEntry]:
    roll = trust_here(session).roll
    return {device: entry for device, entry in roll.items() if entry.before and entry.state in SIGNERS}
