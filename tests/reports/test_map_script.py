"""The script of a page's map in a real Chromium: under the pointer, layers, time, keyboard, and without it."""

import json
import re
import shutil

import lxml.html
import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
START = 1778780400.0
# m on the plane of the small logbook: (x, y) and what is said there
PLACES = {
    "once": (-60, -28.5), "twice": (-60, -22.5), "lost": (20, -22), "never": (-60, 10), "outside": (300, 300),
}  # fmt: skip

HARNESS = """<!doctype html><title>checks</title><pre id="found"></pre><script>
const places = PLACES, found = {};
const wait = ms => new Promise(done => setTimeout(done, ms));
(async () => {
  const frame = document.createElement("iframe");
  frame.width = 900; frame.height = 1500; frame.src = "NAME";
  await new Promise(done => { frame.onload = done; document.body.append(frame); });
  await wait(1500);
  const doc = frame.contentDocument, win = frame.contentWindow;
  const map = doc.querySelector("svg.map"), tools = doc.querySelector(".tools"), hold = doc.querySelector(".hold");
  const under = tools.querySelector(".under"), slider = tools.querySelector("input[type=range]");
  const [west, north, scale, left, top] = map.dataset.plane.split(" ").map(Number);
  const at = ([x, y]) => new win.DOMPoint((x - west) * scale + left, (north - y) * scale + top);
  const hover = place => {
    const p = at(place).matrixTransform(map.getScreenCTM());
    map.dispatchEvent(new win.PointerEvent("pointermove", { clientX: p.x, clientY: p.y, bubbles: true }));
    return under.textContent;
  };
  const drawn = place => [...map.querySelectorAll("[data-layer=before] path")]
    .filter(p => p.isPointInFill(Object.assign(map.createSVGPoint(), { x: at(place).x, y: at(place).y })))
    .map(p => p.dataset.class).join("+");
  const slide = async value => { slider.value = value; slider.dispatchEvent(new win.Event("input")); await wait(300); };
  found.hidden = tools.hidden; found.max = Number(slider.max);
  for (const name in places) found[name] = hover(places[name]);
  found.states = [];
  for (let value = 0; value <= found.max; value++) {
    await slide(value);
    found.states.push({
      said: hover(places.twice), when: tools.querySelector("output").textContent,
      drawn: [drawn(places.once), drawn(places.twice), drawn(places.never)],
      hatched: map.querySelector("[data-layer=passes]").style.display,
    });
  }
  found.layers = {};
  for (const box of tools.querySelectorAll("[data-shows]")) {
    const parts = [...map.querySelectorAll(`[data-layer="${box.dataset.shows}"], [data-class="${box.dataset.shows}"]`)];
    box.click();
    found.layers[box.dataset.shows] = [parts.length, parts.every(p => win.getComputedStyle(p).visibility === "hidden")];
    box.click();
    found.layers[box.dataset.shows].push(parts.every(p => win.getComputedStyle(p).visibility === "visible"));
  }
  hover(places.never); hold.focus();
  found.focus = doc.activeElement === hold;
  const press = key => hold.dispatchEvent(new win.KeyboardEvent("keydown", { key, shiftKey: true, bubbles: true, cancelable: true }));
  found.walked = [];
  for (let k = 0; k < 4; k++) { press("ArrowDown"); found.walked.push(under.textContent); }
  found.cross = win.getComputedStyle(map.querySelector(".cross")).display;
  found.unnamed = [...tools.querySelectorAll("input")].filter(i => !i.labels.length || !i.labels[0].textContent.trim()).length;
  found.small = [...tools.querySelectorAll("label")].filter(l => l.getBoundingClientRect().height < 24).length;
  document.getElementById("found").textContent = JSON.stringify(found);
})();
</script>"""


@pytest.fixture(scope="module")
def folder(small_office):
    return small_office()


@pytest.fixture(scope="module", params=["log", "job"])
def tried(folder, browse, request):
    """What the script does on the field log and on the job page, and what the console said."""
    (name,) = (
        p.name
        for p in folder.glob("square-*.html")
        if re.fullmatch(r"square-rolling-2026-\w{4}" + ("-job" if request.param == "job" else "") + ".html", p.name)
    )
    text = HARNESS.replace("PLACES", json.dumps(PLACES)).replace("NAME", name)
    (folder / "script-of-the-test.htm").write_text(text, "utf-8")
    dumped, console, asked = browse(folder, "script-of-the-test.htm")
    found = json.loads(lxml.html.fromstring(dumped).get_element_by_id("found").text_content())
    return found, console, set(asked) - {"/favicon.ico", "/script-of-the-test.htm", f"/{name}"}


def test_it_says_what_lies_under_the_pointer(tried):
    """Count, who and when at places of the small logbook, whose lanes ran at 12:40 and 12:45."""
    found, console, asked = tried
    assert not asked and not [line for line in console if "favicon" not in line]
    assert found["hidden"] is False
    assert found["once"] == "Rolled once: Ada Stone 14 May 12:40."
    assert found["twice"] == "Rolled twice: Ada Stone 14 May 12:40; Ada Stone 14 May 12:45."
    assert found["lost"].startswith("Rolled once: Ada Stone 14 May 12:40.") and "unknown here" in found["lost"]
    assert found["never"] == "Never rolled." and found["outside"] == "Outside the field."


def test_the_slider_shows_the_field_as_it_stood(tried):
    """From bare to done: at each moment hatched as often as it had been covered by then."""
    states = tried[0]["states"]
    assert [s["when"] for s in states] == ["the start", "14 May 12:40", "14 May 12:45", "the end"]
    assert [s["drawn"] for s in states] == [["", "", ""], ["once", "once", ""], ["once", "target", ""], ["", "", ""]]
    assert [s["hatched"] for s in states] == ["none", "none", "none", ""]
    assert states[0]["said"] == "Never rolled." and states[1]["said"].startswith("Rolled once")


def test_layers_can_be_hidden_and_shown(tried):
    """Every layer named has something on the map, which goes and comes with its box."""
    layers = tried[0]["layers"]
    assert {"once", "target", "unknown", "gaps", "marks"} <= set(layers)
    assert all(n > 0 and gone and back for n, gone, back in layers.values())


def test_it_works_from_the_keyboard(tried):
    """The map takes focus, arrow keys move a cross and the words follow; boxes are named and large."""
    found = tried[0]
    assert found["focus"] and found["cross"] == "inline"
    assert found["walked"][0] == "Never rolled." and any("Rolled twice" in words for words in found["walked"])
    assert (found["unnamed"], found["small"]) == (0, 0)


def test_without_script_all_is_shown(folder):
    """Before the script runs its tools are hidden and the whole map is drawn."""
    page = lxml.html.fromstring(next(folder.glob("square-rolling-2026-????.html")).read_text("utf-8"))
    (tools,) = page.find_class("tools")
    assert tools.get("hidden") is not None
    assert page.xpath("//*[@data-layer='passes']/*") and not page.xpath("//*[@data-layer='before']")
