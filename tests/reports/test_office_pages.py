"""The office's pages: harmless whatever people are called, small, and right in what they list."""

import itertools
import math
import re

import lxml.html
import numpy as np
import pytest

from cabapp.reports.job.harvest_page import Stop, places, shortest_round
from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.render.page_elements import SCRIPT, SCRIPT_HASH
from cabapp.reports.season.office_build import build

START = 1778780400.0


@pytest.mark.parametrize("which", ["small_job", "hostile_job"])
def test_no_page_runs_or_fetches_anything(which, request, tmp_path):
    """Under hostile names every page still runs no script but ours, which it names by its hash, and
    holds no picture from elsewhere and no handler."""
    made = request.getfixturevalue(which)
    build(made.book, jobs_of(made.book), tmp_path, START + 9000)
    pages = list(tmp_path.glob("*.html"))
    assert len(pages) == 9
    for path in pages:
        text = path.read_text("utf-8")
        page = lxml.html.fromstring(text)
        seen = {node.tag for node in page.iter() if isinstance(node.tag, str)}
        runs = [s.text for s in page.iter("script") if s.get("type") != "application/json"]
        assert runs in ([], [SCRIPT]), path.name
        assert f"script-src '{SCRIPT_HASH}'\"" in text and "default-src 'none'" in text, path.name
        assert not seen & {"link", "img", "iframe", "object", "embed", "form"}, path.name
        handlers = [a for node in page.iter() for a in node.attrib if a.startswith("on") or a == "src"]
        assert not handlers, path.name
        assert all(re.fullmatch(r"[\w.-]+", a.get("href")) for a in page.xpath("//a")), path.name
        assert set(re.findall(r"https?://[^\"' <]+", text)) <= {"http://www.w3.org/2000/svg"}
        assert path.stat().st_size < 1_000_000


def test_the_harvest_sheet_lists_what_stands_there(small_log):
    """Marks that stand and ground not finished are listed; a mark taken back is not."""
    stops, left = places(small_log)
    said = [stop.what for stop in stops]
    assert "rock (big one)" in said and "slough" in said and not [s for s in said if "pole" in s]
    assert "never rolled" in said and left == 0
    rock = next(stop for stop in stops if stop.what.startswith("rock"))
    assert (rock.do, round(rock.x), round(rock.y - small_log.count.field.polygon.centroid.y)) == ("raise header", 0, 20)


@pytest.mark.parametrize("seed", range(6))
def test_driving_order_is_the_shortest_way(seed):
    """Against all 720 orders of six places, the way from the gate is the shortest but for its turns."""
    rng = np.random.default_rng(seed)
    spots = rng.uniform(0, 800, (6, 2))
    stops = [Stop("rock", "", "", x, y, 0.0, 0.0) for x, y in spots]

    def length(order):
        way = [(0.0, 0.0), *((stops[k].x, stops[k].y) for k in order)]
        return sum(math.dist(a, b) for a, b in itertools.pairwise(way))

    best = min(map(length, itertools.permutations(range(6))))
    found = shortest_round(stops, (0.0, 0.0))
    assert length([stops.index(stop) for stop in found]) <= best + 6 * 2 * math.pi * 9.0 * 0.5
    assert sorted(map(id, found)) == sorted(map(id, stops))


def test_places_without_a_gate_still_have_an_order():
    """Where no gate is written the order begins in the south, and every place comes once."""
    stops = [Stop("rock", "", "", 0.0, y, 0.0, 0.0) for y in (300.0, 0.0, 100.0, 200.0)]
    assert [stop.y for stop in shortest_round(stops, None)] == [0.0, 100.0, 200.0, 300.0]
    assert shortest_round([], None) == []
