"""The pages in a real Chromium: nothing fetched, no complaint, legible, right on the map, and on paper."""

import json
import shutil

import lxml.html
import pypdf
import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
START = 1778780400.0

HARNESS = """<!doctype html><title>checks</title><pre id="found"></pre><script>
const names = NAMES, points = POINTS, found = {};
function luminance(c) {
  const [r, g, b] = c.match(/[\\d.]+/g).map(Number).slice(0, 3).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function ground(node, win) {
  for (; node; node = node.parentElement) {
    const c = win.getComputedStyle(node).backgroundColor;
    if (c && !/, 0\\)$/.test(c) && c !== "transparent") return c;
  }
  return "rgb(255, 255, 255)";
}
function look(frame) {
  const doc = frame.contentDocument, win = frame.contentWindow, out = {};
  let worst = 99, where = "";
  for (const node of doc.body.querySelectorAll("*")) {
    if (node.closest("svg") || ![...node.childNodes].some(n => n.nodeType == 3 && n.data.trim())) continue;
    const a = luminance(win.getComputedStyle(node).color), b = luminance(ground(node, win));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < worst) { worst = ratio; where = node.textContent.slice(0, 40); }
  }
  out.contrast = worst; out.where = where;
  out.lang = doc.documentElement.lang; out.title = doc.title;
  out.h1 = doc.querySelectorAll("h1").length; out.main = doc.querySelectorAll("main").length;
  out.bareHeads = [...doc.querySelectorAll("th")].filter(t => !t.scope).length;
  out.emptyLinks = [...doc.querySelectorAll("a")].filter(a => !a.textContent.trim()).length;
  out.emptyHeads = [...doc.querySelectorAll("thead th")].filter(t => !t.textContent.trim()).length;
  out.wide = doc.documentElement.scrollWidth - doc.documentElement.clientWidth;
  const ids = [...doc.querySelectorAll("[id]")].map(n => n.id);
  out.twice = ids.filter((id, k) => ids.indexOf(id) != k);
  out.said = [...doc.querySelectorAll("svg.map")].every(s => s.getAttribute("role") == "img"
    && s.getAttribute("aria-labelledby").split(" ").every(id => doc.getElementById(id).textContent.trim()));
  const map = doc.querySelector("svg.map");
  if (map) {
    const land = [...map.children].filter(n => n.tagName == "path")[0].getBBox();
    out.classes = points.map(([u, v]) => {
      const p = map.createSVGPoint(); p.x = land.x + u * land.width; p.y = land.y + (1 - v) * land.height;
      return [...map.querySelectorAll("path[data-class]")].filter(n => n.isPointInFill(p)).map(n => n.dataset.class).join("+");
    });
  }
  return out;
}
(async () => {
  for (const name of names) {
    const frame = document.createElement("iframe");
    frame.width = 900; frame.height = 1200; frame.src = name;
    await new Promise(done => { frame.onload = done; document.body.append(frame); });
    try { found[name] = look(frame); } catch (error) { found[name] = String(error); }
  }
  document.getElementById("found").textContent = JSON.stringify(found);
})();
</script>"""


@pytest.fixture(scope="module")
def folder(small_office):
    return small_office()


@pytest.fixture(scope="module")
def looked(folder, small_log, browse):
    """What a browser finds on every page: measures, console, and what was asked of the server."""
    names = sorted(path.name for path in folder.glob("*.html"))
    # the field is 200 m by 60 m about the plane's origin; lanes 10 m wide about -25, -20 and -15
    west, south, east, north = small_log.count.field.polygon.bounds
    places = [(-60, -28.5), (-60, -22.5), (-60, -17.5), (-60, -11.5), (-60, 10)]
    middle = (south + north) / 2
    points = [((x - west) / (east - west), (y + middle - south) / (north - south)) for x, y in places]
    harness = HARNESS.replace("NAMES", json.dumps(names)).replace("POINTS", json.dumps(points))
    (folder / "checks-of-the-test.htm").write_text(harness, "utf-8")
    dumped, console, asked = browse(folder, "checks-of-the-test.htm")
    found = json.loads(lxml.html.fromstring(dumped).get_element_by_id("found").text_content())
    return found, console, asked, names


def test_no_page_fetches_or_complains(looked):
    """Every page is asked for once and nothing else is; the console says nothing."""
    found, console, asked, names = looked
    wanted = {f"/{name}" for name in names} | {"/checks-of-the-test.htm"}
    assert set(asked) - {"/favicon.ico"} == wanted and sorted(found) == names
    assert not [line for line in console if "favicon" not in line]


def test_pages_can_be_read_by_all(looked):
    """Language, one heading, scoped heads, named links and maps, no id twice, contrast 4.5:1 (WCAG 2.2)."""
    for name, page in looked[0].items():
        assert page["contrast"] >= 4.5, (name, page["where"], page["contrast"])
        assert (page["lang"], page["h1"], page["main"], page["said"]) == ("en", 1, 1, True), name
        assert page["title"] and not page["twice"], name
        assert (page["bareHeads"], page["emptyLinks"], page["emptyHeads"]) == (0, 0, 0), name


def test_no_page_is_wider_than_its_sheet(looked):
    """At 900 pixels nothing runs out of the page to the side."""
    assert {name: page["wide"] for name, page in looked[0].items() if page["wide"] > 0} == {}


def test_the_map_is_hatched_where_the_count_says(looked):
    """Asked for places once, twice, twice, once and never covered, the browser's own map says so."""
    maps = {name: page["classes"] for name, page in looked[0].items() if "classes" in page}
    # the hand-over was before the third lane, so there y = -17.5 had one pass and -11.5 none
    for name, classes in maps.items():
        wanted = ["once", "target", "once", "", ""] if "hand-over" in name else ["once", "target", "target", "once", ""]
        assert classes == wanted, name
    assert len(maps) >= 4


@pytest.mark.parametrize("which, pages", [("harvest", 1), ("custom", 1), ("hand-over-1", 1)])
def test_it_prints_on_one_sheet(folder, chromium, tmp_path, which, pages):
    """Harvest sheet, custom-work page and hand-over sheet each print on one sheet of A4."""
    path = next(folder.glob(f"*-{which}.html"))
    chromium("--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'page.pdf'}", path.as_uri())
    printed = pypdf.PdfReader(tmp_path / "page.pdf")
    assert len(printed.pages) == pages
    assert "Square" in printed.pages[0].extract_text()
