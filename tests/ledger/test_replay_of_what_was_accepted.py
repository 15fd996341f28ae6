"""Whatever the ledger accepted, whoever tried whatever, replays without a break."""

import contextlib
import datetime as dt
import tempfile
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import Draft, open_ledger
from pipeline.ledger import events as ev
from pipeline.ledger.archive import export_events, read_export
from pipeline.ledger.families import identity_of
from pipeline.ledger.incoming import import_events
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from shared.vocabulary import Method, Result

pytestmark = pytest.mark.slow


BOOK = load_rule_book()
days = st.integers(0, 30)
FOUND = {ev.Verified: "correct", ev.VerificationFailed: "false_ground"}

simple = st.sampled_from([
    ev.Accepted(), ev.Dismissed(reason="case closed"), ev.Reopened(reason="not so"),
    ev.Commented(text="x"), ev.MadeSafe(how="circuit_de_energised", since=DAY),
    ev.MadeLiveAgain(since=DAY, reason="tenant asked"), ev.Assigned(firm="Oddy"),
    ev.EvidenceWithdrawn(reason="below the threshold"), ev.Paused(since=DAY, reason="other"),
    ev.Resumed(since=DAY), ev.SeenAgain(grade="confirmed", seen_on=DAY, condition="reversed"),
])  # fmt: skip
fixes = st.builds(
    lambda remedy, on, marked, leaves: fix(
        remedy, DAY + dt.timedelta(on), leaves_condition=leaves,
        markings=("no_equipment_ground", "gfci_protected") if marked else (),
    ),
    st.sampled_from(["grounding_conductor_added", *BOOK.remedies, "nonsense"]), days,
    st.booleans(), st.sampled_from([None, "grounded"]),
)  # fmt: skip
looks = st.builds(
    lambda method, result, on, slots, gfci, marking: look(
        method, result, on, slots=slots, gfci_protected=gfci, marking=marking
    ),
    st.sampled_from([Method.COVER_OFF_INSPECTION, *Method]),
    st.sampled_from([Result.CORRECT, *Result]), days,
    st.sampled_from([None, "two_slot"]), st.sampled_from([None, "yes"]),
    st.sampled_from([None, "both"]),
)  # fmt: skip
verdicts = st.builds(
    lambda kind, seen, odds: kind(look=seen, **({"odds": odds} if kind is ev.Verified else {})),
    st.sampled_from([ev.Verified, ev.Verified, ev.VerificationFailed]), looks,
    st.sampled_from([None, 1e9]),
)  # fmt: skip
proofs = st.builds(
    lambda on, kind: [fix(fixed_on=DAY + dt.timedelta(on)),
                      kind(look=look("cover_off_inspection", FOUND[kind], on + 1))],
    st.integers(0, 20), st.sampled_from([ev.Verified, ev.VerificationFailed]),
)  # fmt: skip
payloads = st.one_of(simple, fixes, verdicts).map(lambda each: [each])
ats = (
    st.none()
    | st.none()
    | st.none()
    | st.integers(-3, 400).map(lambda on: moment(DAY + dt.timedelta(on)))
)
steps = st.lists(
    st.tuples(st.integers(0, 2), st.one_of(payloads, proofs, proofs), ats), max_size=14
)


def unsynchronised(connection):
    connection.execute("PRAGMA synchronous = OFF")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=steps, recur=st.sampled_from(["now", "then", "not at all"]), at=ats)
def test_what_append_many_accepted_replays_without_breaks(steps, recur, at):
    with tempfile.TemporaryDirectory() as folder:
        ledger = open_ledger(Path(folder) / "ledger.sqlite")
        sa.event.listen(ledger.engine, "connect", lambda con, _: unsynchronised(con))
        ledger.engine.dispose()
        firsts = [raised(f"K{n}") for n in range(2)]
        firsts.append(raised("K2", "ungrounded", "no_ground", grade="suspected"))
        ledger.raise_many(firsts, at=moment(DAY), **WHO)
        ids = [identity_of(each) for each in firsts]
        kinds = set()
        for which, several, when in steps:
            drafts = [Draft(ids[which], payload, at=when) for payload in several]
            with contextlib.suppress(CoverplateError):
                kinds |= {each.kind for each in ledger.append_many(drafts, **WHO)}
        if recur != "not at all":
            again = [each.model_copy(update={"occurrence": 2, "recurs_of": identity})
                     for each, identity in zip(firsts, ids, strict=True)]  # fmt: skip
            for each in again:
                with contextlib.suppress(CoverplateError):
                    ledger.raise_finding(each, at=at if recur == "then" else None, **WHO)
                    kinds.add("recurrence")
        for kind in sorted(kinds & {"verified", "verification_failed", "recurrence"}):
            event(kind)
        assert ledger.verify() == []
        export_events(ledger, Path(folder) / "h.jsonl")
        other = open_ledger(Path(folder) / "other.sqlite")
        done = import_events(other, read_export(Path(folder) / "h.jsonl"), who="Ann")
        assert done.set_aside == 0
        assert other.heads() == ledger.heads()
        ledger.close()
        other.close()
