"""What all tests share: things built once for all workers of a run, and the settings of hypothesis."""

import json
import shutil

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, settings

# how long an example takes says more of the machine than of the code
settings.register_profile("rollbook", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("rollbook")


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
