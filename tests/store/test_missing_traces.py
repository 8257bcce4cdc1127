"""Which pieces of a trace are missing, to the fix and the second, and what is put back."""

import math
from dataclasses import replace

import numpy as np
import pytest

from store.durability.missing_traces import Missing, missing, put_back
from store.models import TraceChunk
from store.traces.trace_codec import cut, make_trace
from store.traces.trace_writer import add_chunks

START = 1_777_000_000.0


@pytest.fixture
def pieces(book, begin_stint):
    """A logbook whose stint has pieces of 10, 20 and 30 fixes, one a second, and its whole trace."""
    stint = begin_stint(book).stint
    writer = book.trace(stint.id)
    for n in range(60):
        writer.append(START + n, 49.0 + n * 1e-6, -105.0, 0.5, 4)
        if n in (9, 29, 59):
            writer.seal()
    return book, stint, book.read_trace(stint.id)


def lose(book, *ns):
    with book.writing() as session:
        for n in ns:
            session.delete(session.query(TraceChunk).filter_by(n=n).one())


def test_of_a_whole_trace_only_what_may_lie_behind_it_is_missing(pieces):
    """Nothing is missing between pieces that follow one another; behind the last the number is unknown."""
    book, stint, _whole = pieces
    assert missing(book) == [Missing(stint.id, 60, None, START + 59, math.inf)]


@pytest.mark.parametrize(
    ("ns", "holes", "end"),
    [
        ((0,), [(0, 10, START, START + 10)], 60),
        ((10,), [(10, 20, START + 9, START + 30)], 60),
        ((0, 10), [(0, 30, START, START + 30)], 60),
        ((30,), [], 30),
        ((0, 10, 30), [], 0),
    ],
)
def test_unsigned_pieces_are_missing_between_their_neighbours(pieces, ns, holes, end):
    """A lost piece is named by its first fix, its number, and the times on either side of it."""
    book, stint, _whole = pieces
    lose(book, *ns)
    last = START + (end - 1) if end else stint.at
    assert missing(book) == [Missing(stint.id, *hole) for hole in holes] + [
        Missing(stint.id, end, None, last, math.inf)
    ]


def test_a_signed_piece_is_missing_once_and_comes_back_only_as_it_was(pieces):
    """A lost piece that stands on a page is named by its record; another trace is not put in its place."""
    book, _stint, whole = pieces
    was = book.all(TraceChunk, n=10)[0]
    book.seal_pages()
    lose(book, 10)
    lost, behind = missing(book)
    assert (lost.n, lost.count, lost.since, lost.until) == (10, 20, START + 10, START + 29)
    assert lost.signed[:2] == (book.device, was.seq) and behind.n == 60
    assert put_back(book, lost, cut(whole, 11, 31)) == 0 and missing(book) == [lost, behind]
    assert put_back(book, lost, cut(whole, 10, 30)) == 20
    assert vars(book.all(TraceChunk, n=10)[0])["id"] == was.id and missing(book) == [behind]
    assert book.check() == []


def test_a_signed_piece_kept_without_hdop_comes_back_from_fixes_that_state_it(pieces):
    """The raw log states an HDOP that a program before layout 2 did not keep: its piece comes back all the same."""
    book, _stint, whole = pieces
    book.seal_pages()
    lose(book, 10)
    lost, behind = missing(book)
    assert put_back(book, lost, replace(cut(whole, 10, 30), hdop=np.full(20, 0.9))) == 20
    assert missing(book) == [behind] and book.check() == []


def test_of_too_many_fixes_the_later_ones_are_put(pieces):
    """Where more fixes are offered than are missing, those nearest to the next piece are taken."""
    book, stint, whole = pieces
    lose(book, 10)
    lost, _behind = missing(book)
    assert put_back(book, lost, cut(whole, 5, 30)) == 20
    np.testing.assert_array_equal(book.read_trace(stint.id).t, whole.t)


def test_more_fixes_behind_the_end_than_one_piece_holds(book, begin_stint):
    """What is put behind the end is cut into pieces that follow one another."""
    stint = begin_stint(book).stint
    (behind,) = missing(book)
    assert behind == Missing(stint.id, 0, None, stint.at, math.inf)
    n = 30_001
    assert put_back(book, behind, make_trace(START + np.arange(n), np.full(n, 49.0), np.full(n, -105.0))) == n
    assert [(c.n, c.count, c.first_at, c.last_at) for c in book.all(TraceChunk)] == [
        (0, 30_000, START, START + 29_999),
        (30_000, 1, START + 30_000, START + 30_000),
    ]


def test_a_piece_within_another_leaves_no_hole(pieces):
    """Where a piece lies within a longer one, what follows the longer one is not missing."""
    book, stint, whole = pieces
    with book.writing() as session:
        add_chunks(book, session, stint.id, 12, cut(whole, 12, 15))
    assert [one.n for one in missing(book)] == [60]
