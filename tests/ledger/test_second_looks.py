"""Which fixes another firm has to look at: by the firm's record, by lot, until it has."""

import datetime as dt

import numpy as np
import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised
from scipy.stats import binomtest

from pipeline.ledger.second_looks import second_looks, share_drawn

FIRM = "Pellworth Electric"


def test_the_share_is_the_upper_limit_of_an_exact_interval():
    # Clopper and Pearson 1934, as scipy's binomtest computes it: an implementation of its own.
    known = np.array([1, 5, 30, 30, 200, 7.0])
    wanting = np.array([0, 2, 0, 3, 10, 7.0])
    found = share_drawn(known, wanting, 0.95, 0.0)
    for n, k, share in zip(known, wanting, found, strict=True):
        exact = binomtest(int(k), int(n)).proportion_ci(0.95, method="exact")
        assert share == pytest.approx(exact.high, abs=1e-12)
    assert share_drawn(np.zeros(1), np.zeros(1), 0.95, 0.05).tolist() == [1.0]
    assert share_drawn(np.array([5000.0]), np.zeros(1), 0.95, 0.05).tolist() == [0.05]


def _fixed(ledger, number, proven, day, firm=FIRM, **said):
    """A finding raised, fixed and looked at within five days."""
    on = DAY + dt.timedelta(day)
    finding = ledger.raise_finding(
        raised(f"K{number}", first_seen_on=on), at=moment(on), **WHO
    ).finding_id
    reported = fix(fixed_on=on + dt.timedelta(1), firm=firm)
    ledger.append(finding, reported, at=moment(on + dt.timedelta(2)), **WHO)
    if proven is not None:
        result = "correct" if proven else "false_ground"
        seen = look("cover_off_inspection", result, day + 3, **said)
        ledger.record_look(finding, seen, at=moment(on + dt.timedelta(4)), **WHO)
    return finding


def test_a_firm_without_a_record_is_looked_at_each_time_until_another_firm_has(ledger):
    own = _fixed(ledger, 1, True, 0)
    theirs = _fixed(ledger, 2, True, 0, firm_of_inspector="Quillmarsh")
    same = _fixed(ledger, 3, True, 0, firm_of_inspector="pellworth electric")
    open_still = _fixed(ledger, 4, None, 0)
    gone = _fixed(ledger, 5, False, 0)
    frame = second_looks(ledger).set_index("finding_id")
    assert frame["drawn"].all() and (frame["share"] == 1.0).all()
    assert frame["owed"].to_dict() == {
        own: True, theirs: False, same: True, open_still: True, gone: False,
    }  # fmt: skip
    assert frame.loc[theirs, "looked_on"].date() == DAY + dt.timedelta(3)


@pytest.mark.slow
def test_a_good_record_lowers_the_share_and_a_bad_one_does_not(ledger):
    for number in range(40):
        _fixed(ledger, number, True, number)
        _fixed(ledger, 100 + number, number % 2 > 0, number, firm="House crew")
    last = _fixed(ledger, 200, None, 60)
    poor = _fixed(ledger, 201, None, 60, firm="House crew")
    frame = second_looks(ledger).set_index("finding_id")
    assert (frame.loc[last, "known"], frame.loc[last, "wanting"]) == (40, 0)
    assert (frame.loc[poor, "known"], frame.loc[poor, "wanting"]) == (40, 20)
    assert frame.loc[last, "share"] == pytest.approx(1 - 0.025 ** (1 / 40), abs=1e-12)
    assert 0.5 < frame.loc[poor, "share"] < 0.7
    good = frame[frame["firm"] == FIRM]
    assert good["share"].is_monotonic_decreasing
    # what is drawn falls with it: the lots are spread evenly
    assert good["drawn"].sum() < frame[frame["firm"] == "House crew"]["drawn"].sum()


def test_a_proof_that_a_recurrence_answers_counts_as_wanting(ledger):
    finding = _fixed(ledger, 1, True, 0)
    back = raised("K1", occurrence=2, recurs_of=finding, first_seen_on=DAY + dt.timedelta(9))
    ledger.raise_finding(back, at=moment(DAY + dt.timedelta(10)), **WHO)
    later = _fixed(ledger, 2, None, 20)
    frame = second_looks(ledger).set_index("finding_id")
    assert (frame.loc[later, "known"], frame.loc[later, "wanting"]) == (1, 1)
