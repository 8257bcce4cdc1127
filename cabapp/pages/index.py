"""The office's index page: every job in one line."""

from pathlib import Path

from cabapp.pages import parts
from cabapp.pages.figures import share
from cabapp.pages.gather import JobLog
from cabapp.session.words import times


def index_page(done: list[tuple[JobLog, dict[str, list[Path]]]], now: float) -> str:
    """Write the index of jobs whose pages lie in the same folder.

    Parameters
    ----------
    done : list of tuple
        Each job's log and what `cabapp.pages.write.write_job` wrote for it; not empty.
    now : float
        POSIX s.
    """
    newest = sorted(done, key=lambda one: -one[0].ended)
    words = newest[0][0].words
    farm = newest[0][0].farm
    page = {
        "farm": farm.name if farm else "Field logs",
        "zone": words.zone_words(newest[0][0].ended),
        "written": f"{words.when(now)} ({words.zone_words(now)})",
        "count": f"{len(done)} {'job' if len(done) == 1 else 'jobs'}",
        "rows": [_row(log, paths) for log, paths in newest],
    }
    return parts.TEMPLATES.get_template("index.html").render(page)


def _row(log: JobLog, paths: dict[str, list[Path]]) -> dict:
    words, tally = log.words, log.tally
    return {
        "href": paths["log"][0].name, "field": log.field.name,
        "operation": f"{log.job.operation}, {times(log.job.target)}, {log.job.season}",
        "last": words.when(log.ended), "field_area": words.area(tally.field_area),
        "at_target": share(log.reached, tally.field_area), "none": words.area(tally.none),
        "pass_area": words.area(tally.pass_area),
        "working": words.spell(sum(s.working_s for s in log.stints)),
        "sheets": [{"href": p.name, "words": f"sheet {k}"} for k, p in enumerate(paths["hand_over"], 1)],
    }  # fmt: skip
