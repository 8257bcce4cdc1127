"""What is said beside hours and pay of times that cannot be right."""

from collections.abc import Iterable

from cabapp.common.farm_format import FarmFormat
from cabapp.jobs.records.dating.doubtful_times import Worked, ahead, twice_at_work
from cabapp.reports.model.job_account import Account
from cabapp.reports.model.job_record import JobRecord

MOST_SAID = 20


def doubts_of_job(record: JobRecord, now: float) -> list[str]:
    """Return the sentences of one job, as of `now`, POSIX s."""
    field = record.field.name
    return time_doubts(
        [Worked(s.row.id, s.operator, s.tractor, field, s.row.at, s.ended) for s in record.stints], record.format, now
    )


def doubts_of_all(accounts: Iterable[Account], fmt: FarmFormat, now: float) -> list[str]:
    """Return the sentences over several jobs, as of `now`, POSIX s."""
    return time_doubts(
        [Worked(s.stint, s.operator, s.tractor, a.field, s.began, s.ended) for a in accounts for s in a.stints],
        fmt,
        now,
    )


def time_doubts(worked: list[Worked], fmt: FarmFormat, now: float) -> list[str]:
    """Return a sentence on each stint that lies ahead of `now`, POSIX s, and on each time that counts twice.

    Notes: None of it is left out of the figures: which clock was wrong, or who really drove, only a person knows.
    """
    said = [
        f"The clocks differ: {one.operator} with {one.tractor} on {one.field}, {fmt.when(one.began)} to "
        f"{fmt.when(one.ended)}, ends after this page was written ({fmt.when(now)}). Look which clock is wrong; "
        "its times may be off in every figure here."
        for one in ahead(worked, now)
    ]
    said += [
        f"{' and '.join(twice.names)} cannot be in two stints at once: {fmt.when(twice.began)} to {fmt.when(twice.ended)}, "
        f"on {twice.one.field} and on {twice.other.field}. Hours and pay of that time count twice until one is corrected."
        for twice in twice_at_work(worked)
    ]
    more = len(said) - MOST_SAID
    return said if more <= 0 else [*said[:MOST_SAID], f"There are {more} more such times."]
