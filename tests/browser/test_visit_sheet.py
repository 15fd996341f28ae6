"""The sheet of a visit, printed by a real browser: two pages at most for forty findings."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from screens_seen import SCREENSHOTS

from pipeline.ledger import events as ev
from pipeline.ledger import open_ledger
from pipeline.ledger.remedies import allowed_remedies
from pipeline.ledger.visit_beside import Beside
from pipeline.ledger.visit_letter import entry_letter
from pipeline.ledger.visit_rows import visit_rows
from pipeline.ledger.visit_sheet import visit_sheet
from pipeline.ledger.visits import visit

sys.path.append(str(Path(__file__).parents[1] / "ledger"))
from ledger_samples import DAY, WHO
from visit_samples import dwelling, plan, rooms

pytestmark = pytest.mark.browser

FINDINGS = 40
PLACE = {"name": "Marram Row 156", "address": "156 Marram Rise, Saltlantern"}


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    """Sheet and letter of a visit to forty findings of every condition, in long words."""
    ledger = open_ledger(tmp_path_factory.mktemp("sheet") / "ledger.sqlite")
    ids = dwelling(ledger, FINDINGS)
    written = []
    for identity in ids[::2]:  # half of them with the longest remedy, quoted or reported done
        finding = ledger.finding(identity)
        allowed = allowed_remedies(ledger.rule_book, finding.condition, finding.raised.slots)
        name = max(allowed, key=lambda each: len(allowed[each].label))
        done = {"fixed_on": DAY, "firm": "Oddy", "markings": allowed[name].markings}
        quoted = ev.Quoted(firm="Oddy", amount=1, remedy=name)
        reported = ev.FixReported(remedy=name, **done)
        ledger.append(identity, quoted if len(written) % 2 else reported, **WHO)
        written.append(name)
    visit_id = plan(ledger, ids, note="key at the porter; ring twice")
    found, rows = visit(ledger, visit_id), visit_rows(ledger, visit_id, rooms(FINDINGS))
    ledger.close()
    beside = Beside(
        tuple(f"X{n:02d}, bedroom at the back of the hall" for n in range(20)),
        tuple(f"in this dwelling: which outlet is not known (complaint C-{n})" for n in range(20)),
    )
    more = {**PLACE, "beside": beside}
    return visit_sheet(found, rows, **more), entry_letter(found, rows, **more), rows


def pages(pdf: bytes) -> int:
    return pdf.count(b"/Type /Page") - pdf.count(b"/Type /Pages")


@pytest.fixture
def printed(page_at):
    def made(html: str, size: str) -> bytes:
        page = page_at(800, "light")
        page.set_content(html)
        return page.pdf(format=size)

    return made


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_forty_findings_take_two_pages_at_most(printed, papers, size):
    sheet, _, _ = papers
    assert sheet.count("(quoted)") == 10 and sheet.count("(reported 2") == 10
    assert pages(printed(sheet, size)) == 2
    # that the count can tell: the same rows twice take more
    body = sheet[sheet.index("<tbody>") + 7 : sheet.index("</tbody>")]
    assert pages(printed(sheet.replace("</tbody>", body + "</tbody>"), size)) > 2


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_the_letter_is_one_page(printed, papers, size):
    _, letter, _ = papers
    assert pages(printed(letter, size)) == 1


@pytest.mark.parametrize("width", [733, 755])
def test_nothing_runs_out_of_its_column(page_at, papers, width):
    """Widths in CSS pixels between the margins of A4 and Letter."""
    sheet, _, rows = papers
    page = page_at(width, "light")
    page.emulate_media(media="print")
    page.set_content(sheet)
    spilt = page.evaluate(
        "[...document.querySelectorAll('td, th')].filter(e => e.scrollWidth > e.clientWidth + 1)"
        ".map(e => [e.textContent, e.scrollWidth - e.clientWidth])"
    )
    assert spilt == []
    assert page.locator("tbody tr[class=urgent], tbody tr:not([class])").count() >= len(rows)
    SCREENSHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENSHOTS / f"visit_sheet_{width}.png", full_page=True)
