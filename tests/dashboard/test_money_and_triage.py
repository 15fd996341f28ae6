"""Money on the progress screen; what is overdue by danger, with nothing ticked at the start."""

import datetime as dt

import pandas as pd
import pytest
from screens_shown import plate, sound

from pipeline.ledger import open_ledger
from pipeline.ledger.bills import write_bill
from pipeline.ledger.due import due
from pipeline.ledger.events import FixReported, Raised
from pipeline.ledger.held import write_held

WHO = {"who": "T. Est", "origin": "cli"}


def late(ledger, opening, condition="false_ground", family="false_ground", days=30):
    raised = Raised(
        building_id="0001", unit_id="2A", opening_id=opening, family=family, grade="confirmed",
        condition=condition, slots="three_slot", first_seen_on=dt.date(2020, 1, 1),
    )  # fmt: skip
    ago = dt.datetime.now(dt.UTC) - dt.timedelta(days=days)
    return ledger.raise_finding(raised, at=ago, **WHO).finding_id


@pytest.fixture
def ledger(own):
    opened = open_ledger(workspace=own.root)
    yield opened
    opened.close()


@pytest.mark.slow
def test_money_is_told_on_the_progress_screen(show, own, ledger):
    ids = [late(ledger, f"new{n}") for n in range(3)]
    for each in ids[:2]:
        fixed = FixReported(
            remedy="circuit_rewired", fixed_on=dt.date.today(), firm="Oddy", cost=280.5
        )
        ledger.append(each, fixed, **WHO)
    write_bill(
        ledger, [(ids[2], None)], firm="Vale", invoice="R-1", amount=100.01, on=dt.date.today(),
        **WHO,
    )  # fmt: skip
    app = show(own, "progress")
    sound(app)
    told = plate(app, "money")
    assert "661.01" in told and "100.01 billed" in told  # 2 × 280.50 + 100.01
    asked = plate(app, "money-questions")
    assert "counted once" in asked and "280.50, 280.50" in asked
    assert any("placeholder" in c.value for c in app.caption)
    assert not any("more than one group" in c.value for c in app.caption)
    app = show(own, "progress", by="firm")
    sound(app)
    assert any("more than one group" in c.value for c in app.caption)


@pytest.mark.slow
def test_a_ledger_that_was_emptied_is_refused_on_every_screen_of_it(show, own):
    opened = open_ledger(workspace=own.root)
    late(opened, "K1")
    write_held(opened, "seal")
    opened.close()
    for each in own.ledger.glob("ledger.sqlite*"):
        each.unlink()
    for screen in ("overdue", "findings", "progress"):
        app = show(own, screen)
        sound(app)
        assert "held" in app.error[0].value and "ledger restore" in app.error[0].value
    assert not (own.ledger / "ledger.sqlite").exists()


@pytest.mark.slow
def test_what_is_overdue_is_sorted_by_danger_and_another_order_can_be_chosen(show, own, ledger):
    old = late(ledger, "old", days=400)
    urgent = late(ledger, "urgent", "hot_on_ground", "hot_on_ground", days=3)
    app = show(own, "overdue")
    sound(app)
    body = plate(app, "overdue")
    assert body.index(urgent) < body.index(old)
    assert "urgent first, then by the chance" in body
    app.selectbox(key="triage").set_value("late").run()
    sound(app)
    body = plate(app, "overdue")
    assert body.index(old) < body.index(urgent)
    assert "longest past the first target first" in body


@pytest.mark.slow
def test_nothing_is_ticked_and_nothing_is_written_at_the_start(show, own, ledger):
    finding = late(ledger, "K1")
    app = show(own, "overdue")
    heads = ledger.heads()
    app.text_input(key="who").set_value("T. Est")
    app.text_input(key="ticked-firm").set_value("Kestrel Wiring")
    next(b for b in app.button if b.label == "Write on 0 findings").click().run()
    sound(app)
    assert "at least one finding, ticked" in app.error[0].value
    assert ledger.heads() == heads
    assert ledger.finding(finding).firm is None


@pytest.mark.slow
@pytest.mark.parametrize("do", ["assign", "pause"])
def test_what_is_ticked_is_assigned_or_paused(show, own, ledger, do, monkeypatch):
    ids = [late(ledger, f"K{n}") for n in range(2)]
    monkeypatch.setattr(
        "streamlit.data_editor",
        lambda frame, **_: frame.assign(take=frame["where"].str.contains("opening K1")),
    )
    app = show(own, "overdue")
    sound(app)
    app.text_input(key="who").set_value("T. Est")
    app.selectbox(key="ticked-do").set_value(do)
    app.text_input(key="ticked-firm").set_value("Kestrel Wiring")
    send = next(b for b in app.button if b.label == "Write on 1 finding")
    if do == "pause":
        send.click().run()
        assert "without a reason in words" in app.error[0].value
        app.text_input(key="ticked-note").set_value("tenant in hospital")
        send = next(b for b in app.button if b.label == "Write on 1 finding")
    send.click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    stands = due(ledger, ledger.rule_book).set_index("finding_id")
    changed = stands["firm"].eq("Kestrel Wiring") if do == "assign" else stands["paused"]
    assert changed[ids[1]] and not changed[ids[0]]
    assert int(pd.Series(changed).sum()) == 1
