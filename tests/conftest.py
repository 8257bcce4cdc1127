"""What all workers of one test run share: things built once, in one folder."""

import json
import shutil

import pytest
from filelock import FileLock


@pytest.fixture(scope="session")
def build_once(tmp_path_factory):
    """A function that returns a folder built once for the whole run, and what the builder returned (JSON)."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if base.name.startswith("popen-") else base

    def built(name, build):
        folder, note = shared / f"once-{name}", shared / f"once-{name}.json"
        with FileLock(shared / f"once-{name}.lock"):
            if not note.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a builder that failed
                folder.mkdir()
                note.write_text(json.dumps(build(folder)), "utf-8")
        return folder, json.loads(note.read_text("utf-8"))

    return built
