"""What stands around every screen: its question, the state of the build, the cautions."""

from __future__ import annotations

import functools
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import duckdb
import streamlit as st

from dashboard.components import plate
from dashboard.components.building_anew import build_now, refused
from dashboard.components.figures import day
from dashboard.components.source import Source, forget, rule_book, version, workspace
from pipeline.warehouse import store
from pipeline.warehouse.inputs import inputs_version
from shared.faults import CoverplateError
from shared.vocabulary import CAUTIONS

PAGES: dict[str, str] = {
    "where-next": "screens/where_next.py",
    "day-of-looks": "screens/day_of_looks.py",
    "years-of-repairs": "screens/year_of_repairs.py",
    "overdue": "screens/overdue.py",
    "findings": "screens/findings.py",
    "finding": "screens/finding.py",
    "visits": "screens/visits.py",
    "progress": "screens/progress.py",
    "building": "screens/building.py",
    "exposure": "screens/exposure.py",
    "portfolio": "screens/portfolio.py",
    "evidence": "screens/evidence.py",
    "intake": "screens/intake.py",
    "rule-book": "screens/rule_book.py",
}
"""Address to script of every page."""

NEWER_AFTER_SECONDS = 20
BEHIND_SECONDS = 60


class NothingToShow(Exception):  # noqa: N818 - no error: the screen ends with its empty state
    """Ends a screen early; its cautions are shown all the same."""


def screen(title: str, sentence: str) -> Callable[[Callable[[], None]], Callable[[], None]]:
    """Make a function a screen: heading above, cautions below, refusals shown as such.

    Args:
        title: the question that the screen answers.
        sentence: what one is looking at.
    """

    def wrap(body: Callable[[], None]) -> Callable[[], None]:
        @functools.wraps(body)
        def shown() -> None:
            st.title(title, anchor=False)
            st.markdown(sentence)
            try:
                body()
            except NothingToShow:
                pass
            except store.DamagedWarehouseError as damaged:
                _build_anew(damaged)
            except duckdb.Error as trouble:
                damage = store.as_damage(workspace(), version() or "", trouble)
                if damage is None:
                    raise
                _build_anew(damage)
            except CoverplateError as refusal:
                refused(refusal)
            cautions()

        return shown

    return wrap


def _build_anew(damage: CoverplateError) -> None:
    """Say that the warehouse is damaged, and offer to make it anew."""
    refused(damage)
    if st.button("Build it anew", type="primary"):
        forget()
        build_now()


def opened() -> Source:
    """The current warehouse; where there is none, says what to do and ends the screen."""
    now = version()
    if now is None:
        _nothing_yet()
        raise NothingToShow
    source = Source(now)
    try:
        source.cursor().close()
    except CoverplateError:
        # Two builds in the meantime: the file of that version is gone, another is current.
        source = Source(version() or now)
    _newer_build(source.version)
    return source


def _nothing_yet() -> None:
    place = workspace()
    landed = place.exists() and any(place.landed.iterdir())
    if landed:
        empty(
            "nothing-built",
            "Files are taken in, but nothing is weighed yet",
            "Building weighs what every reading can and cannot rule out and ranks the buildings. "
            "It takes seconds for hundreds of buildings and some minutes for tens of thousands.",
        )
        if st.button("Build now", type="primary"):
            build_now()
        return
    empty(
        "nothing-landed",
        "There are no exports here yet",
        f"The workspace {place.root} is empty. Take in a building register and inspection "
        "exports: CSV, XLSX, JSON, Parquet, or a ZIP or folder of these. Nothing is changed in "
        "the files, and no row is lost.",
    )
    st.page_link(PAGES["intake"], label="Take exports in", icon=":material/arrow_forward:")


def empty(key: str, heading: str, words: str) -> None:
    """An empty state: what is not there, and what would bring it."""
    plate.show(
        f'<div class="empty"><h3>{plate.text(heading)}</h3><p>{plate.text(words)}</p></div>',
        key=key,
    )


@st.fragment(run_every=NEWER_AFTER_SECONDS)
def _newer_build(shown: str) -> None:
    """Say so where another build took over while this page stood open."""
    now = version()
    if now is not None and now != shown:
        st.info("A newer build is there. This page still shows the earlier one.")
        if st.button("Show the newer build"):
            st.rerun()


def state_of_build(source: Source) -> None:
    """A line under the heading: when it was built, with which rules, and whether it is behind."""
    built = source.built
    when = "" if built is None else f"Built {day(built)}, {built:%H:%M}. "
    st.caption(f"{when}Rule book {source.rule_book_hash[:8]}.")
    if _behind(source):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown("Exports, findings or rules changed since.")
            if st.button("Build again"):
                build_now()


@st.cache_data(ttl=BEHIND_SECONDS, max_entries=8, show_spinner=False, refresh_mode="background")
def _inputs(root: str, rule_book_hash: str, shown: str) -> str:
    """What a build would be named now; asked again with every build that is shown."""
    return inputs_version(workspace(), rule_book())


def _behind(source: Source) -> bool:
    """Whether exports, findings or rules changed since; told a little late, never waited for."""
    try:
        root = str(source.workspace.root.resolve())
        return _inputs(root, rule_book().hash, source.version) != source.version
    except CoverplateError:
        return False


def cautions() -> None:
    """The cautions, at the foot of every screen."""
    lines = "".join(f"<p>{plate.text(caution)}</p>" for caution in CAUTIONS)
    plate.show(f'<footer class="cautions">{lines}</footer>', key="cautions")


def follow(address: str | None) -> None:
    """Go to a page of the program whose link was clicked, if one was."""
    if not address:
        return
    parts = urlsplit(address)
    script = PAGES.get(parts.path.strip("/"))
    if script is not None:
        st.switch_page(script, query_params=parse_qs(parts.query))
