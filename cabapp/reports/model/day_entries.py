"""The day book's entries: each stint cut at the farm's midnights."""

from dataclasses import dataclass

from cabapp.reports.model.job_account import Account, StintAccount


@dataclass(frozen=True)
class DayEntry:
    """One stint on one day: POSIX s, s by kind; ``pass_area`` m2, None where the stint goes on."""

    account: Account
    stint: StintAccount
    day: str
    began: float
    ended: float
    seconds: dict[str, float]
    pass_area: float | None


def day_entries(accounts: list[Account]) -> list[DayEntry]:
    """Return an entry for every stint and day, oldest first."""
    found = [
        DayEntry(account, stint, **day, pass_area=stint.pass_area if day is stint.days[-1] else None)
        for account in accounts
        for stint in account.stints
        for day in stint.days
    ]
    return sorted(found, key=lambda entry: (entry.began, entry.stint.stint))
