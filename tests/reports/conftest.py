"""A small logbook whose figures can be worked out by hand, and one full of hostile names."""

import functools
import http.server
import math
import re
import shutil
import subprocess
from threading import Thread
from types import SimpleNamespace

import pytest

from cabapp.geometry.plane import Plane
from store import models, open_store

LAT, LON = 47.64, -87.46
START = 1778780400.0  # 2026-05-14 12:40 in Chicago
WIDTH = 10.0
ROWS = {
    "job": models.Job, "field": models.Field, "first": models.Stint, "second": models.Stint, "rock": models.Mark,
}  # fmt: skip
SPEED = 2.5


def lane(y, start, x0=-110.0, x1=110.0):
    """Fixes once a second along a straight lane, m on the plane: (t, x, y)."""
    n = int(abs(x1 - x0) / SPEED)
    sign = math.copysign(1.0, x1 - x0)
    return [(start + k, x0 + sign * SPEED * k, y) for k in range(n + 1)]


def write_job(path, *, names, target=2, left_for=False, once_only=None, seeded_at=None):
    """Two stints on a field of 200 m by 60 m: lanes 10 m wide at y = -25, -20, and then at -15.

    Where the lanes overlap the ground has two passes; the tool is mounted on the antenna, so
    every area follows from the widths alone.
    """
    plane = Plane(LAT, LON)

    def place(x, y):
        lat, lon = plane.to_latlon([[x, y]])
        return round(float(lat[0]), 7), round(float(lon[0]), 7)

    ring = [place(x, y)[::-1] for x, y in ((-100, -30), (100, -30), (100, 30), (-100, 30), (-100, -30))]
    book = open_store(path, "tablet 1")
    book.put(models.Farm, name=names.farm, timezone="America/Chicago", units="us", fuel_price_per_l=1.0)
    people = [book.put(models.Operator, name=name, phone=None, rate_per_h=None) for name in (names.first, names.second)]
    tractor = book.put(models.Tractor, name=names.tractor, tank_l=None, cost_per_h=None)
    tool = book.put(models.Tool, name=names.tool, operation="rolling", width_m=WIDTH, towed=False, grease_every_h=None)
    gate = place(100, 0)
    land = book.put(
        models.Field,
        name=names.field,
        crop=names.crop,
        target=target,
        once_only=once_only,
        boundary={"type": "Polygon", "coordinates": [[list(p) for p in ring]]},
        gate_lat=gate[0],
        gate_lon=gate[1],
    )
    job = book.put(models.Job, field_id=land.id, operation="rolling", season=2026, target=target)

    def stint(person, at):
        return book.add(
            models.Stint(
                job_id=job.id,
                operator_id=person.id,
                tractor_id=tractor.id,
                tool_id=tool.id,
                width_m=WIDTH,
                receiver=names.receiver,
                at=at,
            )
        )

    def tap(of, kind, at, reason=None, **detail):
        return book.add(models.Tap(stint_id=of.id, kind=kind, at=at, reason=reason, detail=detail or None))

    def trace(of, fixes):
        writer = book.trace(of.id)
        for t, x, y in fixes:
            writer.append(t, *place(x, y), 0.1, 2)
        writer.seal()

    first = stint(people[0], START - 60)
    one = lane(-25, START)
    two = lane(-20, START + 300, 110.0, -110.0)
    tap(first, "start", START)
    slip = tap(first, "stop", START + 30, names.reason)
    tap(first, "undo", START + 33, tap=slip.id)
    tap(first, "stop", one[-1][0], names.reason)
    fuel = book.add(
        models.FuelEntry(tractor_id=tractor.id, stint_id=first.id, at=START + 200, litres=100.0, price_per_l=1.0)
    )
    tap(first, "fuel", START + 200, row=fuel.id, litres=100.0)
    tap(first, "restart", START + 300)
    # thirty metres of the second lane without reception: 12 s
    trace(first, one + [fix for fix in two if not START + 330 < fix[0] < START + 342])
    tap(first, "stop", two[-1][0], names.reason)
    tap(first, "warned", START + 350, what="recover", acted=False)
    rock = book.add(
        models.Mark(
            field_id=land.id,
            stint_id=first.id,
            kind="rock",
            lat=place(0, 20)[0],
            lon=place(0, 20)[1],
            at=START + 100,
            note=names.note,
        )
    )
    pole = book.add(
        models.Mark(
            field_id=land.id, stint_id=first.id, kind="pole", lat=place(20, 20)[0], lon=place(20, 20)[1], at=START + 101
        )
    )
    book.add(
        models.Correction(
            corrects_table="mark",
            corrects_id=pole.id,
            operator_id=people[0].id,
            at=START + 105,
            reason="undone",
            detail={"void": True},
        )
    )
    where = place(-100, -15)
    over = book.add(
        models.HandOver(
            job_id=job.id,
            stint_id=first.id,
            at=START + 500,
            state="watch",
            left_for=left_for,
            sheet={"closing": {"outgoing": names.first}},
            next_lat=where[0],
            next_lon=where[1],
        )
    )
    tap(first, "hand_over", START + 500)
    book.add(
        models.HandOverReceipt(
            hand_over_id=over.id,
            operator_id=people[1].id,
            at=START + 560,
            pointed_lat=where[0],
            pointed_lon=where[1],
            metres_off=1.5,
            agreed=True,
        )
    )
    second = stint(people[1], START + 600)
    three = lane(-15, START + 610)
    tap(second, "start", START + 610)
    trace(second, three)
    book.add(
        models.Mark(
            field_id=land.id,
            stint_id=second.id,
            kind="slough",
            lat=place(50, 20)[0],
            lon=place(50, 20)[1],
            at=START + 650,
        )
    )
    tap(second, "finish", three[-1][0])
    if seeded_at is not None:
        sowing = book.put(models.Job, field_id=land.id, operation="seeding", season=2026, target=1)
        drill = book.add(
            models.Stint(
                job_id=sowing.id,
                operator_id=people[0].id,
                tractor_id=tractor.id,
                tool_id=tool.id,
                width_m=60.0,
                at=seeded_at - 200,
            )
        )
        sown = lane(0, seeded_at - 90)
        tap(drill, "start", sown[0][0])
        trace(drill, sown)
        tap(drill, "finish", sown[-1][0])
    return SimpleNamespace(book=book, job=job, field=land, first=first, second=second, rock=rock, names=names)


PLAIN = SimpleNamespace(
    farm="Test Farm",
    first="Ada Stone",
    second="Bo Reed",
    tractor="Grey",
    tool="33 ft roller",
    field="Square",
    crop="flax",
    receiver="test drive",
    reason="fuel",
    note="big one",
)
HOSTILE = SimpleNamespace(
    farm="<script>alert('farm')</script>",
    first='"><img src=x onerror=alert(1)>',
    second="</title></svg><script>x()</script>",
    tractor="{{ 7 * 7 }}",
    tool="]]><!-- tool",
    field="../../<b>Field</b>&amp;",
    crop="</style><script>c()</script>",
    receiver="javascript:alert(1)",
    reason="<iframe src='//evil.example'></iframe>",
    note="\x00\x0b\ud800 note & <u>",
)


@pytest.fixture(scope="session")
def write_small():
    return write_job


@pytest.fixture(scope="session")
def page_names():
    return SimpleNamespace(plain=PLAIN, hostile=HOSTILE)


@pytest.fixture(scope="session")
def open_copy(tmp_path_factory, build_once, stands_for):
    """A function that returns a logbook written once for all workers, each with a copy of its own, open."""

    def opened(name, names):
        def build(folder):
            made = write_job(folder / "logbook.sqlite", names=names)
            made.book.close()
            return {key: getattr(made, key).id for key in ROWS}

        folder, ids = build_once(name, build)
        copy = shutil.copytree(folder, tmp_path_factory.mktemp(name) / "copy")
        book = open_store(stands_for(copy / "logbook.sqlite"))
        return SimpleNamespace(book=book, names=names, **{key: book.get(ROWS[key], ids[key]) for key in ROWS})

    return opened


@pytest.fixture(scope="session")
def small_job(open_copy):
    """The small logbook with plain names."""
    made = open_copy("small", PLAIN)
    yield made
    made.book.close()


@pytest.fixture(scope="session")
def small_office(small_job, build_once, tmp_path_factory):
    """A function that returns a copy of the office's folder of the small logbook, built once for all workers."""
    from cabapp.reports.model.job_record import jobs_of
    from cabapp.reports.season.office_build import build

    def copied():
        folder, _ = build_once("office", lambda out: build(small_job.book, jobs_of(small_job.book), out, START + 9000))
        return shutil.copytree(folder, tmp_path_factory.mktemp("office") / "copy")

    return copied


@pytest.fixture(scope="session")
def small_log(small_job):
    """Its job, gathered."""
    from cabapp.reports.model.job_record import read_job

    return read_job(small_job.book, small_job.job)


@pytest.fixture(scope="session")
def hostile_job(open_copy):
    """The same work under hostile names."""
    note = "".join(letter for letter in HOSTILE.note if letter.isprintable())  # the store refuses others
    made = open_copy("hostile", SimpleNamespace(**{**vars(HOSTILE), "note": note}))
    yield made
    made.book.close()


@pytest.fixture(scope="session")
def chromium(tmp_path_factory):
    """Run Chromium once with some arguments; the text it prints, and what its console said."""

    found = shutil.which("chromium") or shutil.which("chromium-browser")

    def run(*words):
        home = tmp_path_factory.mktemp("profile")
        done = subprocess.run(
            [found, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
             "--disable-component-update", "--no-first-run", "--hide-scrollbars", "--enable-logging=stderr",
             "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", f"--user-data-dir={home}", *words],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        return done.stdout, re.findall(r"CONSOLE.*", done.stderr)

    return run


@pytest.fixture(scope="session")
def browse(chromium):
    """Open a page of a folder by a server: what it then holds, the console, and what was asked for."""

    def run(folder, name):
        asked = []

        class Handler(http.server.SimpleHTTPRequestHandler):
            def log_message(self, *_):
                asked.append(self.path)

        pages = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Handler, directory=str(folder)))
        Thread(target=pages.serve_forever, daemon=True).start()
        where = f"http://127.0.0.1:{pages.server_address[1]}/{name}"
        dumped, console = chromium("--virtual-time-budget=30000", "--dump-dom", where)
        pages.shutdown(), pages.server_close()
        return dumped, console, asked

    return run
