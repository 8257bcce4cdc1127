"""Pages: runs of a device's facts as the lines it signed, so that others can pass them on.

A page is the lines (store.facts.fact_lines) of facts first..last of one device, without holes. Its
signature is the device's own, over `signed_bytes`; whoever carries the page cannot alter,
add to or invent facts of that device. What was signed is kept as it was written, because no
later program could be sure of writing the same bytes again.
"""

import hashlib
import zlib
from collections.abc import Iterable

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from store.db.protocols import Transactions
from store.facts.fact_lines import write_line
from store.models import FACTS, Fact, Own, SignedPage

CONTEXT = b"rollbook page\n"  # a signature given here means nothing elsewhere
_TABLES_AFTER = text(
    " UNION ALL ".join(
        f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM \"{name}\" WHERE device = :device AND seq > :seq)"
        for name in FACTS
    )
)
MOST_LINES = 1000  # so that a page is checked and squeezed in little memory


def signed_bytes(device: str, first: int, last: int, sha256: str) -> bytes:
    """Return what the signature of a page is over."""
    return CONTEXT + f"{device} {first} {last} {sha256}".encode()


def make_page(device: str, first: int, lines: Iterable[str], key: bytes) -> SignedPage:
    """Return a signed page of lines, the first of which is the device's fact `first`."""
    lines = list(lines)
    text = "".join(f"{line}\n" for line in lines).encode()
    last, sha256 = first + len(lines) - 1, hashlib.sha256(text).hexdigest()
    private = Ed25519PrivateKey.from_private_bytes(key)
    signature = private.sign(signed_bytes(device, first, last, sha256)).hex()
    squeezed = zlib.compress(text, 6)
    return SignedPage(device=device, first=first, last=last, sha256=sha256, signature=signature, squeezed=squeezed)


def text_of(page: SignedPage) -> bytes:
    """Return the lines of a kept page."""
    return zlib.decompress(page.squeezed)


def holds(device: str, first: int, last: int, sha256: str, signature: str, public: bytes) -> bool:
    """Say whether the signature of a page is that of this public key."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(
            bytes.fromhex(signature), signed_bytes(device, first, last, sha256)
        )
    except (InvalidSignature, ValueError):
        return False
    return True


def seal_pages(store: Transactions) -> None:
    """Sign all of this device's facts that are on no page yet."""
    with store.session() as session:
        own = session.scalars(select(Own)).one()
        done = _signed_up_to(session, own.device)
        if own.next_seq == done + 1:
            return
    with store.writing() as session:
        own = session.scalars(select(Own)).one()
        done = _signed_up_to(session, own.device)
        for run in _runs(_facts_after(session, own.device, done)):
            lines = [write_line(row) for row in run]
            session.add(make_page(own.device, run[0].seq, lines, own.private_key))


def _signed_up_to(session: Session, device: str) -> int:
    return session.scalar(select(func.max(SignedPage.last)).filter_by(device=device)) or 0


def _facts_after(session: Session, device: str, seq: int) -> list[Fact]:
    tables = session.scalars(_TABLES_AFTER, {"device": device, "seq": seq}).all()
    rows: list[Fact] = []
    for model in (FACTS[table] for table in tables):
        rows += session.scalars(select(model).where(model.device == device, model.seq > seq))
    return sorted(rows, key=lambda row: row.seq)


def _runs(rows: list[Fact]) -> Iterable[list[Fact]]:
    """Yield rows in runs without holes, none longer than a page may be."""
    run: list[Fact] = []
    for row in rows:
        if run and (row.seq != run[-1].seq + 1 or len(run) == MOST_LINES):
            yield run
            run = []
        run.append(row)
    if run:
        yield run
