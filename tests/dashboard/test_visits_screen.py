"""The screen of visits: nothing is ticked at the start, and what is to be done stands out."""

from __future__ import annotations

import datetime as dt

import pytest
from screens_shown import plate, plates, sound

from pipeline.ledger import current, open_ledger, papers
from pipeline.ledger.bills import bills
from pipeline.ledger.visits import open_findings_of, plan_visit, visits

pytestmark = pytest.mark.slow


TODAY = dt.datetime.now(dt.UTC).date()
SOON = TODAY + dt.timedelta(9)


def button(app, words):
    return next(b for b in app.button if b.label.startswith(words))


def ledger_of(own):
    return open_ledger(workspace=own.root)


def dwelling(app):
    return app.selectbox(key="dwelling").value


def test_nothing_is_ticked_at_the_start_and_nothing_is_written(show, own):
    app = show(own, "visits")
    sound(app)
    assert button(app, "Plan a visit").label == "Plan a visit with 0 ticked findings"
    button(app, "Plan a visit").click().run()
    sound(app)
    told = app.error[0].value
    assert "your name" in told and "a day" in told and "at least one ticked finding" in told
    assert visits(ledger_of(own)).empty


def test_a_visit_is_planned_and_what_became_of_it_noted(show, own):
    app = show(own, "visits")
    building, unit = dwelling(app)
    count = len(open_findings_of(ledger_of(own), building, unit))
    app.checkbox(key=f"every-{(building, unit)}").check().run()
    assert f"with {count} ticked finding" in button(app, "Plan a visit").label
    app.text_input(key="who").set_value("T. Est")
    app.text_input(key="plan-person").set_value("A. Oddy")
    app.date_input(key="plan-on").set_value(SOON)
    app.time_input(key="plan-starts").set_value(dt.time(9, 30))
    app.time_input(key="plan-ends").set_value(dt.time(12))
    button(app, "Plan a visit").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    (row,) = visits(ledger_of(own)).to_dict("records")
    assert (row["building_id"], row["unit_id"], row["findings"]) == (building, unit, count)
    assert row["planned_by"] == "T. Est"
    assert (row["starts"], row["ends"]) == ("09:30", "12:00")
    visit_id = row["visit_id"]
    assert visit_id in plate(app, "coming") and visit_id in plate(app, "unnoticed")
    assert "without notice" in plate(app, "coming") and "09:30 to 12:00" in plate(app, "coming")

    app.selectbox(key="visit").set_value(visit_id).run()
    labels = [b.label for b in app.get("download_button")]
    assert {"Sheet to tick and sign (HTML)", "Letter: notice of entry (HTML)"} <= set(labels)
    assert "Calendar of all visits (ICS)" in labels
    app.button_group(key="visit-step").set_value("notice").run()
    button(app, "Write it down").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    assert "No visit" not in plates(app) and "None lacks notice" in plates(app)
    (row,) = visits(ledger_of(own)).to_dict("records")
    assert row["noticed"] == count

    app.button_group(key="visit-step").set_value("move").run()
    assert app.time_input(key="move-starts").value == dt.time(9, 30)
    app.time_input(key="move-starts").set_value(dt.time(11))
    app.text_input(key="move-why").set_value("tenant works early")
    button(app, "Write it down").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    (row,) = visits(ledger_of(own)).to_dict("records")
    assert (row["starts"], row["ends"], row["noticed"]) == ("11:00", "12:00", 0)


def test_a_past_visit_is_shown_until_it_is_noted_as_made(show, own):
    ledger = ledger_of(own)
    app = show(own, "visits")
    building, unit = dwelling(app)
    past = TODAY - dt.timedelta(3)
    act = {"who": "T. Est", "origin": "cli"}
    ids = open_findings_of(ledger, building, unit)
    visit_id = plan_visit(ledger, ids, on=past, person="A. Oddy", **act)[0].payload.visit_id
    app = show(own, "visits")
    sound(app)
    assert visit_id in plate(app, "past") and "not noted as made" in plate(app, "past")
    app.selectbox(key="visit").set_value(visit_id).run()
    app.button_group(key="visit-step").set_value("made").run()
    app.text_input(key="who").set_value("T. Est")
    button(app, "Write it down").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    (row,) = visits(ledger).to_dict("records")
    assert (row["standing"], row["made_on"].date(), row["went"]) == ("made", past, "A. Oddy")
    assert "not noted as made" not in plates(app).replace("Past, not noted as made", "")
    assert (row["open"], row["proven"]) == (len(ids), 0)


def test_one_bill_is_written_on_everything_that_a_visit_met(show, own):
    ledger = ledger_of(own)
    app = show(own, "visits")
    building, unit = dwelling(app)
    named = open_findings_of(ledger, building, unit)
    plan_visit(ledger, named, on=SOON, person="A. Oddy", firm="Oddy & Sons", who="T. Est",
               origin="cli")  # fmt: skip
    (visit_id,) = visits(ledger)["visit_id"]
    app = show(own, "visits")
    app.selectbox(key="visit").set_value(visit_id).run()
    assert app.text_input(key=f"bill-firm-{visit_id}").value == "Oddy & Sons"
    button(app, "Write the bill").click().run()
    assert "an invoice number" in app.error[0].value and "your name" in app.error[0].value
    assert bills(ledger).empty

    def fill():
        app.text_input(key="who").set_value("T. Est")
        app.text_input(key=f"bill-invoice-{visit_id}").set_value("2026-17")
        app.number_input(key=f"bill-amount-{visit_id}").set_value(100.01)
        app.date_input(key=f"bill-on-{visit_id}").set_value(TODAY)
        button(app, "Write the bill").click().run()

    fill()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    (row,) = bills(ledger).to_dict("records")
    assert (row["amount"], row["firm"]) == (100.01, "Oddy & Sons")
    assert sorted(row["findings"]) == sorted(each for each, _ in named)
    fill()  # the same once more is asked about
    assert "is this another bill" in app.error[0].value
    assert len(bills(ledger)) == 1


HOSTILE = "<b>box</b>[x](http://y)\u202e.jpg"


def test_files_and_permits_of_a_visit_are_kept_and_downloaded_again(show, own):
    ledger = ledger_of(own)
    app = show(own, "visits")
    named = open_findings_of(ledger, *dwelling(app))
    act = {"who": "T. Est", "origin": "cli"}
    written = plan_visit(ledger, named, on=SOON, person="A. Oddy", **act)
    visit_id = written[0].payload.visit_id
    app = show(own, "visits")
    app.selectbox(key="visit").set_value(visit_id).run()
    _keep_and_note(app, visit_id)
    (row,) = papers.attachments(ledger, own, visit_id).to_dict("records")
    assert row["state"] == "kept" and row["note"] == "the box"
    assert papers.kept_bytes(own, row["sha256"]) == b"a picture"
    (permit,) = papers.permits(ledger, about=visit_id).to_dict("records")
    assert (permit["number"], permit["status"], permit["authority"]) == (
        "E-<i>1", "applied_for", "Town Hall",
    )  # fmt: skip
    shown = plate(app, "permits")
    assert "E-&lt;i&gt;1" in shown and "<i>" not in shown
    (button_,) = [b for b in app.get("download_button") if "box" in b.label]
    assert "[x](http" not in button_.label and "\u202e" not in button_.label
    # what is lost is said, and offered no more
    (papers.folder_of(own) / row["sha256"]).unlink()
    app.run()
    assert "LOST" in app.error[0].value
    assert not [b for b in app.get("download_button") if "box" in b.label]


def test_files_and_permits_of_one_finding(show, own):
    ledger = ledger_of(own)
    finding = current(ledger)["finding_id"].iloc[0]
    app = show(own, "finding", id=finding)
    _keep_and_note(app, finding)
    assert list(papers.attachments(ledger, own, finding)["state"]) == ["kept"]
    assert list(papers.permits(ledger, about=finding)["number"]) == ["E-<i>1"]
    kinds = [event.kind for event in ledger.history(finding)]
    assert kinds[-2:] == ["attached", "permit_noted"]


def _keep_and_note(app, about):
    button(app, "Keep them").click().run()
    assert "your name" in app.error[0].value and "a file" in app.error[0].value
    app.text_input(key="who").set_value("T. Est")
    app.file_uploader(key=f"upload-{about}").upload(HOSTILE, b"a picture", "image/jpeg")
    app.text_input(key=f"upload-note-{about}").set_value("the box")
    button(app, "Keep them").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    app.text_input(key=f"permit-number-{about}").set_value("E-<i>1")
    app.text_input(key=f"permit-authority-{about}").set_value("Town Hall")
    button(app, "Note the permit").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
