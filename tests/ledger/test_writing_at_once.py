"""Many processes at once lose nothing; a killed process loses nothing that was acknowledged."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from ledger_samples import WHO, raised

from pipeline.ledger import open_ledger
from pipeline.ledger.events import Assigned
from shared.faults import CoverplateError

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}


def start(url, number, events):
    script = str(Path(__file__).with_name("writers.py"))
    return subprocess.Popen(
        [sys.executable, script, url, str(number), str(events)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT,
    )  # fmt: skip


def prepared(url, findings):
    ledger = open_ledger(url)
    ledger.raise_many([raised(f"K{number}") for number in range(findings)], **WHO)
    return ledger


def check_nothing_lost(ledger, acknowledged, findings):
    stored = {
        (event.finding_id, event.sequence): json.loads(event.payload).get("text")
        for event in ledger.stored()
    }
    for line in acknowledged:
        finding, sequence, text = line.split()
        assert stored[finding, int(sequence)] == text
    comments = [text for text in stored.values() if text]
    assert len(comments) == len(set(comments))
    assert ledger.verify() == []
    assert len(stored) == len(comments) + findings
    return len(comments)


def write_at_once(url, processes, events, findings):
    ledger = prepared(url, findings)
    running = [start(url, number, events) for number in range(processes)]
    acknowledged = []
    for process in running:
        out, err = process.communicate(timeout=580)
        assert process.returncode == 0, err
        acknowledged += out.splitlines()
    assert len(acknowledged) == processes * events
    assert check_nothing_lost(ledger, acknowledged, findings) == processes * events


@pytest.mark.slow
def test_three_processes_writing_at_once_lose_nothing(any_url):
    write_at_once(any_url, processes=3, events=40, findings=3)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_eight_processes_writing_five_thousand_events_each_lose_nothing(any_url):
    write_at_once(any_url, processes=8, events=5000, findings=2000)


@pytest.mark.slow
def test_killed_in_the_middle_of_writing_nothing_acknowledged_is_lost(any_url):
    ledger = prepared(any_url, 3)
    for round_ in range(2):
        process = start(any_url, round_, 100_000)
        lines = [process.stdout.readline() for _ in range(20 + 7 * round_)]
        time.sleep(0.003 * round_)
        process.send_signal(signal.SIGKILL)
        rest = process.communicate()[0]
        acknowledged = [line for line in [*lines, *rest.splitlines(True)] if line.endswith("\n")]
        assert process.returncode == -signal.SIGKILL
        written = check_nothing_lost(ledger, acknowledged, 3)
        assert written >= len(acknowledged)
    ledger.append(next(iter(ledger.heads())), Assigned(firm="P"), **WHO)  # no lock is left behind


def test_of_two_writers_that_saw_the_same_version_one_wins(any_url):
    first, second = open_ledger(any_url), open_ledger(any_url)
    finding = first.raise_finding(raised(), **WHO).finding_id
    seen = second.finding(finding).sequence
    first.append(finding, Assigned(firm="P"), expected=seen, **WHO)
    with pytest.raises(CoverplateError, match="has changed since you read it"):
        second.append(finding, Assigned(firm="Q"), expected=seen, **WHO)
    assert second.finding(finding).firm == "P"


def test_two_that_raise_the_same_finding_raise_one(any_url):
    first, second = open_ledger(any_url), open_ledger(any_url)
    assert len(first.raise_many([raised("K1"), raised("K2")], **WHO)) == 2
    assert len(second.raise_many([raised("K2"), raised("K3")], **WHO)) == 1
    assert len(first.heads()) == 3
