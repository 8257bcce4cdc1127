"""What an exchange after one more day costs, beside a whole export and beside git moving the same news.

Run by hand: python -m tests.bench.exchange --records 1000000 --fixes 100000000 [--offices 300]. The season is that of some
tablets; it is measured at a sixteenth, a quarter and all of its size, each with the same one more day, and at all of its
size with one to eight days. Exponents are the slopes of a line through the logarithms (least squares). A fresh process is
stood for by a fresh watcher, which knows only what is kept beside the logbook. git keeps each tablet's records as a file of
lines and each piece of trace as a file; what its push moves is the size of the new objects as packed. rsync is run if it is
installed.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
import uuid
from contextlib import ExitStack
from pathlib import Path
from random import Random

import numpy as np

from store import open_store
from store.db.bulk_insert import insert_rows
from store.facts.hybrid_clock import write_stamp
from store.facts.signed_pages import text_of
from store.models import Farm, Field, Job, Operator, Own, SignedPage, Stint, Tap, Tool, TraceChunk, Tractor
from store.traces.trace_codec import make_trace, pack
from sync import export_bundle, merge_bundles
from sync.enrolment import card_of, enrol, hold_to, pair
from sync.folder_exchange import FolderWatcher
from tests.bench.packing import drive

START, PIECE, DAYS = 1_777_000_000.0, 3000, 200


class Season:
    """An office and its tablets, each in a logbook of its own."""

    def __init__(self, folder, tablets, records, fixes):
        self.folder, self.chance, self.now = folder, Random(1), START
        self.taps = max(1, (records - fixes // PIECE) // tablets // DAYS)
        self.pieces = max(1, fixes // PIECE // tablets // DAYS)
        self.path = drive(1_000_000)[1:]
        folder.mkdir()
        self.opened = ExitStack()
        self.office = self.open("office")
        farm = self.office
        farm.put(Farm, name="Three Poplars", timezone="America/Denver")
        ids = {"operator_id": farm.put(Operator, name="Ada").id, "tractor_id": farm.put(Tractor, name="the red one").id}
        ids["tool_id"] = farm.put(Tool, name="land roller", operation="rolling", width_m=12.8).id
        job = farm.put(Job, field_id=farm.put(Field, name="North").id, operation="rolling", season=2026)
        self.tablets = [self.open(f"tablet {n + 1}") for n in range(tablets)]
        pair(self.office, *self.tablets)
        first = export_bundle(self.office, folder / "first")
        self.stints, self.due = {}, {}
        for tablet in self.tablets:
            assert merge_bundles(tablet, [first]).refused == []
            stint = tablet.add(Stint(job_id=job.id, **ids, width_m=12.8, at=START))
            self.stints[tablet.device], self.due[tablet.device] = stint.id, 0

    def open(self, name):
        """Open a logbook whose clock is the season's."""
        return self.opened.enter_context(open_store(self.folder / f"{name}.sqlite", name, lambda: self.now))

    def day(self):
        """Every tablet works a day, and signs what it wrote."""
        self.now += 86_400
        for tablet in self.tablets:
            self.work(tablet)
            tablet.seal_pages()

    def work(self, tablet):
        """Write one tablet's day as rows."""
        stint = self.stints[tablet.device]
        with tablet.writing() as session:
            own = session.query(Own).one()
            taps, chunks, seq, ms = [], [], own.next_seq, int(self.now * 1000)
            kinds = [Tap] * self.taps + [TraceChunk] * self.pieces
            self.chance.shuffle(kinds)
            for kind in kinds:
                ms += 1000
                own.stamp = write_stamp(ms, 0, tablet.device)
                base = (str(uuid.UUID(int=self.chance.getrandbits(128), version=4)), tablet.device, seq, own.stamp)
                seq += 1
                if kind is Tap:
                    place = 49 + self.chance.random() / 100, -105 + self.chance.random() / 100
                    taps.append((*base, stint, "mark", ms / 1000, None, *place, None))
                else:
                    chunks.append((*base, *self.piece(stint, tablet.device)))
            insert_rows(session, Tap.__table__, taps)
            insert_rows(session, TraceChunk.__table__, chunks)
            own.next_seq = seq

    def piece(self, stint, device):
        """Return the columns of one more piece of trace."""
        a = self.chance.randrange(len(self.path[0]) - PIECE)
        lat, lon = (column[a : a + PIECE] for column in self.path)
        n = self.due[device]
        self.due[device] += PIECE
        t = START + (n + np.arange(PIECE)) / 10
        packed = pack(make_trace(t, lat, lon, np.full(PIECE, 0.5), np.full(PIECE, 4)))
        return stint, n, float(t[0]), float(t[-1]), PIECE, packed


def timed(work):
    """Return what work returns, and its seconds by the clock."""
    begun = time.perf_counter()
    return work(), time.perf_counter() - begun


def files(folder):
    """Return size and time of each file by path."""
    return {
        p: (p.stat().st_size, p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file() and ".git" not in p.parts
    }


def exchanged(store, folder):
    """Exchange as the command does; refusals are errors."""
    watch = FolderWatcher(store, [folder])
    for _ in range(2):
        for news in watch.look():
            assert not news.merged.refused and news.trouble is None, [str(m) for m in news.messages]


def exchange(season, shared):
    """Let all tablets write, then the office and the first tablet read; return bytes written and seconds of each.

    Notes: Each tablet but the first has a folder of its own, whose news a file-sharing program (here a copy) carries over.
    """
    wrote = moved = 0
    for tablet in season.tablets[1:]:
        own = shared.with_name(f"{shared.name}-{tablet.device[:8]}")
        own.mkdir(exist_ok=True)
        before = files(own)
        wrote += timed(lambda tablet=tablet, own=own: exchanged(tablet, own))[1]
        after = files(own)
        for path in [path for path in after if before.get(path) != after[path]]:
            moved += after[path][0]
            target = shared / path.relative_to(own)
            target.parent.mkdir(exist_ok=True)
            shutil.copy2(path, target)
        for path in before.keys() - after.keys():
            (shared / path.relative_to(own)).unlink()
    return {
        "bytes": moved,
        "tablets": wrote,
        "office": timed(lambda: exchanged(season.office, shared))[1],
        "one": timed(lambda: exchanged(season.tablets[0], shared))[1],
    }


def git(words, folder, **more):
    """Run git and return what it says."""
    done = subprocess.run(["git", *words], cwd=folder, capture_output=True, text=True, check=True, **more)
    return done.stdout.strip()


def lay_out(season, folder):
    """Write the records of each tablet as lines, and each piece of trace that is not there yet as a file."""
    for tablet in season.tablets:
        own = folder / tablet.device
        own.mkdir(parents=True, exist_ok=True)
        with tablet.session() as session:
            pages = session.query(SignedPage).filter_by(device=tablet.device).order_by(SignedPage.first)
            with open(own / "records.jsonl", "wb") as file:
                for page in pages.yield_per(50):
                    file.write(text_of(page))
            for seq, packed in session.query(TraceChunk.seq, TraceChunk.packed).filter_by(device=tablet.device):
                if not (path := own / f"{seq}.bin").exists():
                    path.write_bytes(packed)


class Git:
    """A working copy and the bare repository it pushes to."""

    def __init__(self, folder):
        self.work, self.bare = folder / "work", folder / "bare"
        git(["init", "-q", "--bare", str(self.bare)], folder)
        git(["clone", "-q", str(self.bare), str(self.work)], folder)

    def push(self):
        """Commit and push all, and return the bytes of the new objects as packed."""
        before = git(["rev-list", "--all", "-n", "1"], self.bare)
        git(["add", "-A"], self.work)
        who = ["-c", "user.name=a", "-c", "user.email=a@example.org"]
        git([*who, "commit", "-q", "-m", "day"], self.work)
        git(["push", "-q", "origin", "HEAD:main"], self.work)
        wanted = f"main\n^{before}\n" if before else "main\n"
        words = ["git", "pack-objects", "--stdout", "--revs", "--thin", "-q"]
        packed = subprocess.run(words, cwd=self.bare, input=wanted.encode(), capture_output=True, check=True)
        return len(packed.stdout)


def slope(sizes, values):
    """Return the slope of a line through the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def season_of(folder, args, part, plain):
    """Build a season of a part of the size, exchange it, then one more day, and return the figures."""
    season = Season(folder / f"season{part}", args.tablets, args.records, args.fixes)
    days = max(1, DAYS // part)
    _, built = timed(lambda: [season.day() for _ in range(days)])
    shared = folder / f"shared{part}"
    shared.mkdir()
    first = exchange(season, shared)
    for reader in (season.office, season.tablets[0]):
        exchanged(reader, shared)  # both have all, and have read back what they wrote
    repository = None
    if plain:
        (folder / f"git{part}").mkdir()
        repository = Git(folder / f"git{part}")
        lay_out(season, repository.work)
        repository.push()
    season.day()
    day = exchange(season, shared)
    whole, export_s = timed(lambda: export_bundle(season.office, folder / f"out{part}"))
    figures = {"days": days, "built": built, "first": first, "day": day, "files": len(files(shared))}
    figures["whole"] = {"bytes": whole.stat().st_size, "export": export_s}
    figures["whole"]["merge"] = timed(lambda: merge_bundles(season.tablets[0], [whole]))[1]
    if repository is not None:
        lay_out(season, repository.work)
        moved, seconds = timed(repository.push)
        figures["git"] = {"bytes": moved, "push": seconds}
        if shutil.which("rsync"):
            figures["rsync"] = rsync(repository.work, folder / f"rsync{part}")
    return season, shared, figures


def rsync(source, target):
    """Return bytes and seconds of an rsync of what is there already but for the news."""
    words = ["rsync", "-a", "--stats", "--exclude", ".git", f"{source}/", f"{target}/"]
    said, seconds = timed(lambda: subprocess.run(words, capture_output=True, text=True, check=True).stdout)
    sent = next(line for line in said.splitlines() if line.startswith("Total bytes sent"))
    return {"bytes": int(sent.split()[-1].replace(",", "")), "sync": seconds}


def offices(folder, count):
    """Let so many tablets exchange with an office in PostgreSQL through one folder, and print what it took."""
    import psycopg

    from tests.sync.test_server import running_server

    with running_server() as url, ExitStack() as opened:
        with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE office")
        office = opened.enter_context(open_store(f"{url}/office", "office"))
        office.put(Farm, name="Three Poplars", timezone="America/Denver")
        ids = {"operator_id": office.put(Operator, name="Ada").id}
        ids["tractor_id"] = office.put(Tractor, name="the red one").id
        ids["tool_id"] = office.put(Tool, name="land roller", operation="rolling", width_m=12.8).id
        job = office.put(Job, field_id=office.put(Field, name="North").id, operation="rolling", season=2026)
        first, shared = export_bundle(office, folder / "pg-first"), folder / "pg"
        shared.mkdir()
        records, cards, own_card = 0, [], card_of(office)
        for n in range(count):
            with open_store(folder / f"pg{n}.sqlite", f"tablet {n}") as tablet:
                hold_to(tablet, own_card)
                cards.append(card_of(tablet))
                assert merge_bundles(tablet, [first]).refused == []
                stint = tablet.add(Stint(job_id=job.id, **ids, width_m=12.8, at=START))
                with tablet.writing() as session:
                    for k in range(50):
                        tablet.number(session, Tap(stint_id=stint.id, kind="mark", at=START + k, lat=49.0, lon=-105.0))
                own = folder / f"pg-own{n}"
                own.mkdir()
                exchanged(tablet, own)
                shutil.copytree(own, shared, dirs_exist_ok=True)
                records += 51
        enrol(office, *cards)
        added, seconds = timed(lambda: merge_bundles(office, [shared]))
        assert added.refused == [] and added.added >= records, (added.refused[:2], added.added, records)
        watch = FolderWatcher(office, [shared])
        first_look = timed(watch.look)[1]
        again = timed(watch.look)[1]
        print(f"{count} tablets into an office in PostgreSQL: {added.added:,} records in {seconds:.1f} s; its own written in "
              f"{first_look:.1f} s; a look that finds nothing {again:.2f} s", flush=True)  # fmt: skip


def line(name, size, *seconds):
    """Print one line of the table."""
    print(f"{name:44} {size / 1e6:10.3f} MB  {'  '.join(seconds)}", flush=True)


def show(part, figures):
    """Print the figures of one size."""
    first, day, whole = figures["first"], figures["day"], figures["whole"]
    print(
        f"\nseason of {figures['days']} days, {figures['files']} files in the folder; built in {figures['built']:.0f} s"
    )
    for name, one in (("first exchange of all", first), ("exchange after one more day", day)):
        line(name, one["bytes"], f"tablets {one['tablets']:.2f} s", f"office {one['office']:.2f} s",
             f"one tablet {one['one']:.2f} s")  # fmt: skip
    line("whole export", whole["bytes"], f"export {whole['export']:.2f} s", f"merge {whole['merge']:.2f} s")
    if "git" in figures:
        line("git, the same day", figures["git"]["bytes"], f"add, commit, push {figures['git']['push']:.2f} s")
    if "rsync" in figures:
        line("rsync, the same day", figures["rsync"]["bytes"], f"{figures['rsync']['sync']:.2f} s")


def main():
    """Measure and print."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--records", type=int, default=60_000)
    words.add_argument("--fixes", type=int, default=6_000_000)
    words.add_argument("--tablets", type=int, default=10)
    words.add_argument("--parts", default="16,4,1", help="measured at these parts of the season")
    words.add_argument("--offices", type=int, default=0, help="so many tablets into PostgreSQL")
    words.add_argument("--json", type=Path)
    args = words.parse_args()
    folder, every = Path(tempfile.mkdtemp(prefix="exchange-")), {}
    try:
        if args.offices:
            offices(folder, args.offices)
        parts = [int(part) for part in args.parts.split(",") if part]
        for part in parts:
            season, shared, figures = season_of(folder, args, part, shutil.which("git") is not None)
            every[part] = figures
            show(part, figures)
            if part != parts[-1]:
                season.opened.close()
        if len(parts) > 1:
            sizes = [DAYS / part for part in parts]
            for what in ("bytes", "tablets", "office", "one"):
                print(
                    f"one more day, {what:8}: exponent over the history {slope(sizes, [every[p]['day'][what] for p in parts]):5.2f}"
                )
        if parts:
            days, spent = [1, 2, 4, 8], []
            for more in days:
                for _ in range(more):
                    season.day()
                spent.append(exchange(season, shared))
            for what in ("bytes", "tablets", "office", "one"):
                values = [one[what] for one in spent]
                shown = ", ".join(f"{value:,.2f}" for value in values)
                print(f"{days} days of news, {what:8}: {shown}: exponent {slope(days, values):5.2f}")
            season.opened.close()
        if args.json:
            args.json.write_text(json.dumps(every))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
