"""Pages: runs of a device's facts as the lines it signed, which others pass on unaltered.

Notes: A page is the lines (store.facts.fact_lines) of facts first..last of one device, without holes. It is signed by
that device over `signed_bytes`, so no other device can alter, add or invent its facts. The signed lines are stored as
they are, because a later program might write them differently.
"""

import hashlib
import zlib
from collections.abc import Iterable, Iterator

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from store.db.protocols import Transactions
from store.facts.fact_lines import write_line
from store.models import FACTS, Fact, Own, SignedPage

CONTEXT = b"rollbook page\n"  # a signature given here is valid nowhere else
MOST_LINES = 1000  # so that a page is checked and compressed in little memory
_TABLES_AFTER = text(
    " UNION ALL ".join(
        f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM \"{name}\" WHERE device = :device AND seq > :seq)"
        for name in FACTS
    )
)


def public_key_of(private_key: bytes) -> bytes:
    """Return the Ed25519 public key of a private one, 32 bytes each."""
    return Ed25519PrivateKey.from_private_bytes(private_key).public_key().public_bytes_raw()


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
    compressed = zlib.compress(text, 6)
    return SignedPage(device=device, first=first, last=last, sha256=sha256, signature=signature, compressed=compressed)


def text_of(page: SignedPage) -> bytes:
    """Return the lines of a stored page; zlib.error if it is damaged."""
    return zlib.decompress(page.compressed)


def numbered_lines(page: SignedPage) -> list[tuple[int, str]]:
    """Return the lines of a stored page, each with its fact's number; none if it is damaged."""
    try:
        return list(enumerate(text_of(page).decode().split("\n")[:-1], page.first))
    except (zlib.error, UnicodeDecodeError):
        return []


def holds(device: str, first: int, last: int, sha256: str, signature: str, public: bytes) -> bool:
    """Return whether the signature of a page is that of this public key."""
    return is_signed(signed_bytes(device, first, last, sha256), signature, public)


def is_signed(data: bytes, signature: str, public: bytes) -> bool:
    """Return whether a signature, in hex, of some bytes is that of this Ed25519 public key."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(bytes.fromhex(signature), data)
    except (InvalidSignature, ValueError):
        return False
    return True


def seal_pages(store: Transactions) -> None:
    """Sign all of this device's facts that are on no page yet."""
    with store.session() as session:
        own = session.scalars(select(Own)).one()
        if own.next_seq == _signed_up_to(session, own.device) + 1:
            return
    with store.writing() as session:
        seal_in(session)


def seal_in(session: Session) -> None:
    """Sign this device's facts that are on no page yet, in a writing session."""
    own = session.scalars(select(Own)).one()
    for run in _runs(facts_after(session, own.device, _signed_up_to(session, own.device))):
        lines = [write_line(row) for row in run]
        session.add(make_page(own.device, run[0].seq, lines, own.private_key))


def _signed_up_to(session: Session, device: str) -> int:
    return session.scalar(select(func.max(SignedPage.last)).filter_by(device=device)) or 0


def facts_after(session: Session, device: str, seq: int) -> list[Fact]:
    """Return the facts of a device after a number, in the order of their numbers."""
    tables = session.scalars(_TABLES_AFTER, {"device": device, "seq": seq}).all()
    rows: list[Fact] = []
    for model in (FACTS[table] for table in tables):
        rows += session.scalars(select(model).where(model.device == device, model.seq > seq))
    return sorted(rows, key=lambda row: row.seq)


def _runs(rows: list[Fact]) -> Iterator[list[Fact]]:
    """Yield rows in runs without holes, none longer than a page may be."""
    run: list[Fact] = []
    for row in rows:
        if run and (row.seq != run[-1].seq + 1 or len(run) == MOST_LINES):
            yield run
            run = []
        run.append(row)
    if run:
        yield run
