"""Recordings and fields are found on the media whose folders are passed in, three folders deep."""

import os

from cabapp.position.boundaries.boundary_search import boundary_files
from cabapp.position.recordings.recording_search import recordings


def lay(folder, names):
    for n, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("")
        os.utime(path, (n, n))


def test_recordings_of_own_folders_come_first_and_the_newest_of_each(tmp_path):
    """Own folders are searched flat, media three folders deep; other files are left out."""
    own, stick = tmp_path / "own", tmp_path / "stick"
    lay(own, ["old.nmea", "new.gpx", "sub/deep.gpx", "letter.txt"])
    lay(stick, ["a.csv", "b.LOG", "one/two/c.nmea.gz", "one/two/three/d.gpx"])
    found = [path.relative_to(tmp_path).as_posix() for path in recordings([own], [stick, tmp_path / "gone"])]
    assert found == ["own/new.gpx", "own/old.nmea", "stick/b.LOG", "stick/a.csv", "stick/one/two/c.nmea.gz"]


def test_fields_of_the_own_folder_come_first_by_name(tmp_path):
    """Own folder flat, media three folders deep, each by name."""
    own, stick = tmp_path / "own", tmp_path / "stick"
    lay(own, ["z.kml", "b.geojson", "sub/a.gpx", "letter.txt"])
    lay(stick, ["one/two/c.json", "one/two/three/d.gpx"])
    found = [path.relative_to(tmp_path).as_posix() for path in boundary_files(own, [stick, tmp_path / "gone"])]
    assert found == ["own/b.geojson", "own/z.kml", "stick/one/two/c.json"]
