"""Builds the invented farm: boundaries, traces, expected results and three logbooks.

``python -m demo_db.build DIR`` writes it. The same seed writes the same boundaries, traces and
expected.json, byte for byte; the logbooks differ in their rows' ids.
"""

import json
import sys
from dataclasses import dataclass
from pathlib import Path

from cabapp.common.clock import ManualClock
from cabapp.reports.export import gpx_geojson
from cabapp.session import Session
from demo_db import farm
from demo_db.scenario import local
from demo_db.trace_generator import SEED, GeneratedDemo, generate
from store import Store, open_store
from store.models import Farm, Field, Hitching, Operator, Tool, Tractor
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

STORES = {"office": "office", "tablet 1": "tablet-1", "tablet 2": "tablet-2"}


@dataclass(frozen=True)
class Built:
    """Result of `build`: logbook paths by device, and row ids by the keys of `demo_db.farm`."""

    directory: Path
    demo: GeneratedDemo
    stores: dict[str, Path]
    rows: dict[str, str]


def build(directory: Path | str, seed: int = SEED, along: float = 1.0, wall=None) -> Built:
    """Write the farm into a folder, in place of an earlier one; fields are `along` times their full length.

    `wall` is the logbooks' clock, POSIX s, by default the machine's.
    """
    directory = Path(directory)
    demo = generate(seed, along)
    write_files(directory, demo)
    stores = {name: directory / stem / "logbook.sqlite" for name, stem in STORES.items()}
    for path in stores.values():
        for old in path.parent.glob("logbook*.sqlite*"):
            old.unlink()
    bundles = directory / "bundles"
    for old in [*bundles.glob("*.zip"), *(directory / "pages").glob("heron-flat-rolling-*")]:
        old.unlink()
    clock = {} if wall is None else {"wall": wall}
    with open_store(stores["office"], "office", **clock) as office:
        rows = reference_rows(office, along)
        seeding(office, rows)
        for name in ("tablet 1", "tablet 2"):
            with open_store(stores[name], name, **clock) as tablet:
                pair(office, tablet)
                merge_bundles(tablet, [export_bundle(office, bundles)])
    return Built(directory, demo, stores, rows)


def write_files(directory: Path, demo: GeneratedDemo) -> None:
    """Write boundaries, traces and expected results, which depend on the seed only."""
    (directory / "boundaries").mkdir(parents=True, exist_ok=True)
    (directory / "traces").mkdir(exist_ok=True)
    for key, row in farm.FIELDS.items():
        one = gpx_geojson.feature(
            farm.geometry(farm.outline(key, demo.expected["along"])), name=row["name"], crop=row["crop"]
        )
        _write(directory / "boundaries" / f"{key}.geojson", gpx_geojson.geojson_text([one]))
    for part in (demo.oda, demo.tam):
        who = farm.OPERATORS[part.operator]["name"]
        track = gpx_geojson.Track(
            who, "rolling Heron Flat", part.t, part.lat, part.lon, quality=[2] * len(part.t), hdop=part.hdop
        )
        text = gpx_geojson.gpx_text(f"{who}, 14 May", "Invented trace, simulated at 1 Hz", [track])
        _write(directory / "traces" / f"{part.operator}.gpx", text)
    _write(directory / "expected.json", json.dumps(demo.expected, indent=1) + "\n")


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode())


def reference_rows(store: Store, along: float = 1.0) -> dict[str, str]:
    """Write the farm's operators, machines and fields into a logbook; return their ids by key."""
    store.put(Farm, **farm.FARM)
    rows = {}
    for model, table in ((Operator, farm.OPERATORS), (Tractor, farm.TRACTORS), (Tool, farm.TOOLS)):
        for key, columns in table.items():
            rows[key] = store.put(model, **columns).id
    for tractor, tool, antenna, line, side, width in farm.HITCHINGS:
        store.put(
            Hitching, tractor_id=rows[tractor], tool_id=rows[tool], antenna_to_hitch_m=antenna,
            hitch_to_line_m=line, side_m=side, width_m=width,
        )  # fmt: skip
    for key, row in farm.FIELDS.items():
        lat, lon = farm.to_latlon((row["gate"][0] * along, row["gate"][1]))
        rows[key] = store.put(
            Field, name=row["name"], crop=row["crop"], target=row["target"],
            boundary=farm.geometry(farm.outline(key, along)),
            gate_lat=round(float(lat[0]), 7), gate_lon=round(float(lon[0]), 7),
        ).id  # fmt: skip
    return rows


def seeding(store: Store, rows: dict[str, str]) -> None:
    """Seed each field on its day, through a session without a receiver."""
    for key, row in sorted(farm.FIELDS.items(), key=lambda one: one[1]["seeded"]):
        month, day = row["seeded"]
        clock = ManualClock(local(farm.YEAR, month, day, 8, 0))
        session = Session(store, clock)
        session.tap("caution")
        session.take_over(rows["perrin"], rows["old_mule"], rows["drill"], rows[key], "seeding")
        session.tap("hitching_ok")
        session.tap("start")
        clock.advance(farm.SEEDING_S)
        session.tick()
        session.tap("finish")
        clock.advance(60.0)
        session.tick()
        session.close()


if __name__ == "__main__":
    built = build(sys.argv[1] if len(sys.argv) > 1 else "rollbook-demo")
    print(f"The invented farm is in {built.directory}")
