"""Small files made for the test, and the real ones when they lie beside the repository."""

from functools import reduce
from pathlib import Path

import pytest

from cabapp.position.recordings.trace_reader import read_recording


@pytest.fixture
def written(tmp_path):
    """Write text or bytes under a name and return the path."""

    def write(name, content):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@pytest.fixture
def reading(written):
    """Write a file and read it as a trace."""
    return lambda name, content: read_recording(written(name, content))


@pytest.fixture
def gpx():
    """Wrap track segments in a GPX 1.1 document."""

    def wrap(*segments, head="", root='version="1.1" creator="test"'):
        inner = "".join(f"<trkseg>{segment}</trkseg>" for segment in segments)
        return (
            f'<?xml version="1.0" encoding="UTF-8"?>{head}'
            f'<gpx xmlns="http://www.topografix.com/GPX/1/1" {root}><trk>{inner}</trk></gpx>'
        )

    return wrap


@pytest.fixture
def point():
    """Write one GPX track point."""

    def write(second, lat=52.0, lon=-106.0, more=""):
        when = f"<time>2026-05-05T10:00:{second:02d}Z</time>" if second is not None else ""
        return f'<trkpt lat="{lat}" lon="{lon}">{when}{more}</trkpt>'

    return write


@pytest.fixture(scope="session")
def sentence():
    """Put the checksum (XOR of all between $ and *) on the body of a sentence."""

    def close(body):
        return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}\r\n"

    return close


@pytest.fixture(scope="session")
def recordings():
    """The folder of real recordings; a test that needs it is skipped where there is none."""
    folder = Path(__file__).parents[3] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the real recordings are not beside the repository (../shared/data)")
    return folder
