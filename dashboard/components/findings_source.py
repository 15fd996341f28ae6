"""The remediation ledger on show: opened once, read again whenever an event was written."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Collection
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.components.source import Source, rule_book, version, workspace
from pipeline.landing import Workspace
from pipeline.landing.danger_aside import danger_aside
from pipeline.landing.fix_rows import has_fix_reports
from pipeline.landing.quarantine import Refusal
from pipeline.ledger import Ledger, open_ledger
from pipeline.ledger import visits as of_visits
from pipeline.ledger.database import URL_VARIABLE, ledger_file
from pipeline.ledger.digest import Digest, changes_since, digest
from pipeline.ledger.estimates import estimates
from pipeline.ledger.gfci import gfci_devices
from pipeline.ledger.held import check_held
from pipeline.ledger.landed_fixes import TakenUp, refusals, take_up
from pipeline.ledger.landed_looks import looks_since_fixes, proofs_in_doubt
from pipeline.ledger.sync import BroughtUp, bring_up
from pipeline.ledger.triage import with_stakes
from pipeline.ledger.visit_beside import Beside, urgent_beside
from pipeline.ledger.visit_rows import visit_rows
from pipeline.screens import findings, visits
from pipeline.warehouse import queries, store
from pipeline.warehouse.queries import stakes
from shared.rule_book import RuleBook

ORIGIN = "dashboard"


@st.cache_resource(max_entries=3, show_spinner="Opening the ledger …")
def _ledger(root: str, url: str, rule_book_hash: str, _book: RuleBook) -> Ledger:
    place = workspace()
    check_held(ledger_file(None, place.root))
    place.ledger.mkdir(parents=True, exist_ok=True)
    return open_ledger(workspace=place.root, rule_book=_book)


def ledger() -> Ledger:
    """The workspace's ledger (or the one that the environment names)."""
    book = rule_book()
    root = str(workspace().root.resolve())
    return _ledger(root, os.environ.get(URL_VARIABLE, ""), book.hash, book)


@st.cache_resource(max_entries=4, show_spinner="Reading the ledger …")
def _dated(
    root: str,
    url: str,
    ledger_version: int,
    warehouse_version: str | None,
    rule_book_hash: str,
    day: dt.date,
) -> pd.DataFrame:
    if warehouse_version is None:
        staked = with_stakes(findings.dated(ledger(), rule_book()))
    else:
        source = Source(warehouse_version)
        found = findings.dated(ledger(), rule_book(), source.ask(findings.listing_of))
        doubts = proofs_in_doubt(source.cursor(), ledger())
        staked = with_stakes(found, stakes(source.cursor(), found), doubts)
    return findings.urgent_first(staked)


def has_ledger() -> bool:
    """Whether there is a ledger: looking at other pages makes none."""
    file = ledger_file(None, workspace().root)
    return file is None or file.exists()


def dated_findings() -> pd.DataFrame:
    """Every finding with due dates, building (``findings.dated``) and stakes, as of now.

    One frame for all who look, not to be changed: a large ledger is too long to copy every time.
    """
    opened = ledger()
    return _dated(
        str(workspace().root.resolve()),
        os.environ.get(URL_VARIABLE, ""),
        findings.ledger_version(opened),
        version(),
        rule_book().hash,
        dt.datetime.now(dt.UTC).date(),
    )


@st.cache_resource(max_entries=4, show_spinner="Reading the visits …")
def _visits(
    root: str, url: str, ledger_version: int, warehouse_version: str | None, day: dt.date
) -> pd.DataFrame:
    listing = None
    if warehouse_version is not None:
        listing = Source(warehouse_version).ask(findings.listing_of)
    return visits.with_buildings(of_visits.visits(ledger(), today=day), listing)


def all_visits() -> pd.DataFrame:
    """Every visit with name and address of its building (``visits.with_buildings``), as of today.

    One frame for all who look, not to be changed.
    """
    return _visits(
        str(workspace().root.resolve()),
        os.environ.get(URL_VARIABLE, ""),
        findings.ledger_version(ledger()),
        version(),
        dt.datetime.now(dt.UTC).date(),
    )


def estimated_alone(building_id: str, finding_ids: Collection[str]) -> pd.DataFrame:
    """What findings of a building are estimated at if these alone are repaired (``estimates``)."""
    of_version = version()
    known = {}
    if of_version is not None:
        source = Source(of_version)
        known = {
            "buildings": source.ask(findings.listing_of),
            "circuits": source.ask(queries.known_circuits),
        }
    return estimates(
        ledger(), rule_book(), building_id=building_id, alone=sorted(finding_ids), **known
    )


def gfci_of(building_id: str, finding_id: str) -> dict[str, Any] | None:
    """What is known of the GFCI that a repair rests on (``gfci_devices``); None where on none."""
    of_version = version()
    looks = None
    if of_version is not None:
        looks = Source(of_version).ask(queries.gfci_looks, building_id)
    found = gfci_devices(ledger(), rule_book(), looks=looks, building_id=building_id)
    return next((each for each in found if each["finding_id"] == finding_id), None)


def rows_of_visit(visit_id: str) -> pd.DataFrame:
    """What a visit meets at each opening (``visit_rows``), with rooms where they are known."""
    of_version = version()
    rooms = None
    if of_version is not None:
        building = of_visits.visit(ledger(), visit_id)["building_id"]
        rooms = Source(of_version).ask(queries.rooms, building)
    return visit_rows(ledger(), visit_id, rooms)


def beside_visit(visit_id: str) -> Beside:
    """What is urgent in the dwelling of a visit and no part of it (``urgent_beside``)."""
    of_version = version()
    if of_version is None:
        return urgent_beside(ledger(), visit_id)
    found = of_visits.visit(ledger(), visit_id)
    source, building = Source(of_version), found["building_id"]
    rooms = source.ask(queries.rooms, building)
    papers = source.ask(queries.urgent_papers_of, building, found["unit_id"] or "")
    return urgent_beside(ledger(), visit_id, rooms, papers)


def digest_of(frame: pd.DataFrame, days: int) -> Digest:
    """What changed at findings of ``dated_findings`` in so many days, and what presses now."""
    today = dt.datetime.now(dt.UTC).date()
    since = today - dt.timedelta(days=days)
    aside = danger_aside(workspace(), rule_book())
    return digest(frame, changes_since(ledger(), since), all_visits(), since, today, aside)


def looks_since(finding_id: str) -> pd.DataFrame:
    """Looks that landed since a finding's fix was reported (``looks_since_fixes``)."""
    if version() is None:
        return pd.DataFrame()
    with store.reading(workspace()) as con:
        return looks_since_fixes(con, ledger(), finding_id)


def reports_refused(place: Workspace | None = None) -> list[Refusal]:
    """Landed fix reports that the ledger refuses; none where no fix report ever landed."""
    where = place or workspace()
    return refusals(where, ledger()) if has_fix_reports(where) else []


def reports_waiting() -> TakenUp:
    """What could be written into the ledger of landed fix reports and sheets of visits."""
    if not has_fix_reports(workspace()):
        return TakenUp()
    return take_up(workspace(), ledger(), who=ORIGIN, dry=True)


def take_reports_up(name: str) -> TakenUp:
    """Write landed fix reports into the ledger (``take_up``)."""
    if not has_fix_reports(workspace()):
        return TakenUp()
    return take_up(workspace(), ledger(), who=name)


def bring_up_to_what_landed(name: str) -> BroughtUp:
    """Take up landed fix reports, raise what the evidence says, judge looks (``bring_up``)."""
    with store.reading(workspace()) as con:
        return bring_up(workspace(), con, ledger(), who=name)


def who(key: str = "who") -> str:
    """Who writes: asked once a session, kept beside every event.

    Args:
        key: of the field; a second one on a page needs another.
    """
    known = {} if key == "who" else {"value": st.session_state.get("who", "")}
    return str(
        st.text_input(
            "Your name",
            key=key,
            persist_state="session",
            help="Stands beside what you write.",
            **known,
        )
        or ""
    ).strip()
