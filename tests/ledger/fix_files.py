"""A contractor's file taken in, and what became of its rows."""

from pipeline.landing import Workspace, intake
from pipeline.landing.answers import Answers
from pipeline.ledger.landed_fixes import take_up, what_became
from shared.vocabulary import RecordKind

KIND = RecordKind.FIX_REPORTS


def reported(place, ledger, path, *, firm=None, **answers):
    """Take a file of fix reports in and return what became of each table (``what_became``)."""
    said = Answers(kind=KIND, constants={"firm": firm} if firm else {}, **answers)
    reports = intake(Workspace(place), [path], answers=said)
    taken = take_up(Workspace(place), ledger, who="office")
    return what_became(Workspace(place), [each.sha256 for each in reports], taken)


def counts(found):
    """Reported, duplicate and set aside, of one table."""
    told = found.as_json()
    return told["reported"], told["duplicate"], told["set_aside"]
