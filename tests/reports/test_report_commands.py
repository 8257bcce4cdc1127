"""`rollbook log` and `rollbook office`, run as they are typed."""

import json

import lxml.html
import pytest

from cabapp.__main__ import main


def test_log_writes_pages_and_files(small_job, tmp_path, capsys):
    """`rollbook log` writes log, sheet, GPX and GeoJSON, and names each."""
    store = str(small_job.book.path)
    assert main(["log", "--store", store, "--field", "square", "--out", str(tmp_path), "--json"]) == 0
    written = json.loads(capsys.readouterr().out)["written"]
    assert sorted(p.rsplit(".", 1)[1] for p in written) == ["geojson", "gpx", "html", "html"]
    assert sorted(str(p) for p in tmp_path.iterdir()) == sorted(written)


def test_log_of_one_stint_is_its_jobs(small_job, tmp_path):
    """A stint is named by the beginning of its id."""
    store = str(small_job.book.path)
    assert main(["log", "--store", store, "--stint", small_job.second.id[:8], "--out", str(tmp_path)]) == 0


def test_unknown_field_is_refused_with_the_known_ones(small_job, tmp_path, capsys):
    """A wrong name ends with a sentence that names the fields there are, and writes nothing."""
    store = str(small_job.book.path)
    assert main(["log", "--store", store, "--field", "Nowhere", "--out", str(tmp_path)]) == 1
    assert "Its fields: Square." in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_written_is_refused(small_job, tmp_path, capsys):
    """Where the folder is a file, a sentence says so and no traceback appears."""
    (tmp_path / "file").write_text("mine")
    store = str(small_job.book.path)
    assert main(["log", "--store", store, "--out", str(tmp_path / "file")]) == 1
    assert "cannot be written" in capsys.readouterr().err


def test_no_logbook_is_refused(tmp_path, capsys):
    """Without a logbook there is nothing to write, and none is made."""
    assert main(["office", "--store", str(tmp_path / "no.sqlite"), "--out", str(tmp_path)]) == 1
    assert "There is no logbook" in capsys.readouterr().err and not list(tmp_path.iterdir())


@pytest.mark.parametrize("which", ["small_job", "hostile_job"])
def test_office_links_every_page_it_wrote(which, request, tmp_path):
    """The home page has a line for each job; no page links to what does not lie beside it."""
    made = request.getfixturevalue(which)
    assert main(["office", "--store", str(made.book.path), "--out", str(tmp_path)]) == 0
    home = lxml.html.fromstring((tmp_path / "index.html").read_text("utf-8"))
    assert home.xpath("//tbody//th")[0].text_content() == made.names.field
    for path in tmp_path.glob("*.html"):
        page = lxml.html.fromstring(path.read_text("utf-8"))
        links = [a.get("href") for a in page.xpath("//a")]
        assert all((tmp_path / link).exists() for link in links), path.name
    linked = {a.get("href") for a in home.xpath("//a")}
    assert {p.name for p in tmp_path.glob("*.html")} - {"index.html"} <= linked
