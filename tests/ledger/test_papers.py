"""Files kept with a visit or a finding by what they hold, and permits that expire."""

import datetime as dt
import json

import pytest
from ledger_samples import WHO
from visit_samples import dwelling, plan

from pipeline.landing import Workspace
from pipeline.ledger import current, papers
from pipeline.ledger.visit_rows import visit_rows
from pipeline.ledger.visit_sheet import visit_sheet
from pipeline.ledger.visits import visit
from shared.faults import CoverplateError
from tests.cli.running import run


@pytest.fixture
def place(tmp_path):
    return Workspace(tmp_path / "workspace").create()


@pytest.fixture
def planned(ledger):
    return plan(ledger, dwelling(ledger, 2))


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "box.jpg"
    path.write_bytes(b"a picture of a box")
    return path


def test_a_file_is_kept_once_by_what_it_holds(ledger, place, planned, photo):
    states = current(ledger)["state"].tolist()
    written = papers.attach(ledger, place, planned, [photo], note="the box", **WHO)
    assert len(written) == 2  # on each finding of the visit
    photo.rename(photo.with_name("same.jpg"))
    same = photo.with_name("same.jpg")
    assert papers.attach(ledger, place, planned, [same, same], **WHO) == []
    frame = papers.attachments(ledger, place, planned)
    (row,) = frame.to_dict("records")
    assert (row["name"], row["size"], row["state"]) == ("box.jpg", 18, "kept")
    assert (papers.folder_of(place) / row["sha256"]).read_bytes() == b"a picture of a box"
    assert papers.attachment_breaks(ledger, place) == []
    assert not ledger.verify()
    assert current(ledger)["state"].tolist() == states
    assert papers.attachments(ledger, place, "V-none-1-1-1").empty


@pytest.mark.parametrize("harm", ["lost", "altered"])
def test_a_file_that_is_lost_or_altered_is_told(ledger, place, planned, photo, harm):
    papers.attach(ledger, place, planned, [photo], **WHO)
    (kept,) = papers.folder_of(place).iterdir()
    kept.unlink() if harm == "lost" else kept.write_bytes(b"another picture")
    told = papers.attachment_breaks(ledger, place)
    assert len(told) == 2 and all(harm in each.said and "box.jpg" in each.said for each in told)
    assert set(papers.attachments(ledger, place)["state"]) == {harm}
    # the same file once more puts it right
    papers.attach(ledger, place, planned, [photo], **WHO)
    assert papers.attachment_breaks(ledger, place) == []


def test_nothing_is_kept_with_no_visit_and_no_file_that_is_not_there(ledger, place, photo):
    with pytest.raises(CoverplateError, match="no visit"):
        papers.attach(ledger, place, "V-B1-2A-20250101-1", [photo], **WHO)
    with pytest.raises(CoverplateError, match=r"gone\.jpg cannot be read"):
        made = plan(ledger, dwelling(ledger, 1))
        papers.attach(ledger, place, made, [photo.with_name("gone.jpg")], **WHO)


def test_a_file_and_a_permit_can_belong_to_one_finding_alone(ledger, place, planned, photo):
    first, second = visit(ledger, planned)["finding_ids"]
    (written,) = papers.attach(ledger, place, first, [photo], **WHO)
    assert written.payload.visit_id is None
    papers.note_permit(
        ledger, first, number="E-7", status="applied_for", on=dt.date(2025, 4, 1), **WHO
    )
    assert papers.papers_words(ledger, first) == ["permit E-7: applied for", "file box.jpg"]
    assert papers.papers_words(ledger, second) == papers.papers_words(ledger, planned) == []
    # a finding has what its visits have besides
    papers.attach(ledger, place, planned, [photo], **WHO)
    assert list(papers.attachments(ledger, about=first)["about"]) == [first, planned]
    assert list(papers.attachments(ledger, about=second)["about"]) == [planned]
    assert not ledger.verify()
    with pytest.raises(CoverplateError, match="no finding F-0"):
        papers.attach(ledger, place, "F-0", [photo], **WHO)


def test_a_file_that_is_empty_or_too_large_is_refused_and_nothing_is_written(
    ledger, place, planned, photo, monkeypatch
):
    large = photo.with_name("large.pdf")
    with large.open("wb") as handle:
        handle.truncate(papers.LARGEST + 1)
    empty = photo.with_name("empty.pdf")
    empty.touch()
    for wrong in (large, empty):
        with pytest.raises(CoverplateError, match=f"{wrong.name} has"):
            papers.attach(ledger, place, planned, [photo, wrong], **WHO)
    assert papers.attachments(ledger).empty
    assert not papers.folder_of(place).exists()


def test_a_kept_file_comes_back_whole_or_not_at_all(ledger, place, planned, photo):
    papers.attach(ledger, place, planned, [photo], **WHO)
    (kept,) = papers.folder_of(place).iterdir()
    assert papers.kept_bytes(place, kept.name) == b"a picture of a box"
    kept.write_bytes(b"another picture")
    with pytest.raises(CoverplateError, match="is altered"):
        papers.kept_bytes(place, kept.name)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("box (2).jpg", "box (2).jpg"),
        ("../../etc/passwd", "_.._etc_passwd"),
        ('a"; x=.html\r\nSet-Cookie: y', "a__ x=.html__Set-Cookie_ y".replace("=", "_")),
        ("...", "file"),
        ("\u202egnp.exe", "_gnp.exe"),
    ],
)
def test_the_name_of_a_file_is_no_path_and_no_header(name, told):
    assert papers.file_name(name) == told


def test_the_last_word_on_a_permit_counts_and_it_expires_after_its_last_day(ledger, planned):
    day = dt.date(2025, 4, 1)

    def note(status, **more):
        said = {"number": "E-118", "status": status, "on": day, **WHO, **more}
        return papers.note_permit(ledger, planned, **said)

    note("applied_for")
    assert len(note("issued", expires_on=dt.date(2025, 10, 1))) == 2

    def stands(today):
        (row,) = papers.permits(ledger, today=today).to_dict("records")
        return row["status"], row["expired"]

    assert stands(dt.date(2025, 10, 1)) == ("issued", False)
    assert stands(dt.date(2025, 10, 2)) == ("issued", True)
    with pytest.raises(CoverplateError, match="expires on 2025-03-31"):
        note("issued", expires_on=dt.date(2025, 3, 31))
    with pytest.raises(CoverplateError, match="status"):
        note("lost")
    note("applied_for", on=day - dt.timedelta(9))  # written later, of an earlier day
    assert stands(dt.date(2025, 10, 2)) == ("issued", True)
    note("closed", expires_on=dt.date(2025, 10, 1))
    assert stands(dt.date(2026, 1, 1)) == ("closed", False)
    assert not ledger.verify()


def test_the_sheet_names_permits_and_files(ledger, place, planned, photo):
    expires = dt.date(2025, 10, 1)
    papers.note_permit(
        ledger, planned, number="<E>118", status="issued", on=dt.date(2025, 4, 1),
        expires_on=expires, **WHO,
    )  # fmt: skip
    papers.attach(ledger, place, planned, [photo], **WHO)
    told = papers.papers_words(ledger, planned, today=dt.date(2025, 4, 2))
    assert told == ["permit <E>118: issued, holds until 2025-10-01", "file box.jpg"]
    page = visit_sheet(visit(ledger, planned), visit_rows(ledger, planned), papers=told)
    assert "permit &lt;E&gt;118: issued" in page and "file box.jpg" in page
    assert "EXPIRED" in papers.papers_words(ledger, planned)[0]


@pytest.mark.slow
def test_the_commands_keep_list_and_verify(ledger, place, planned, photo, monkeypatch):
    at = ("--ledger", ledger.engine.url.database, "--workspace", place.root)
    (row,) = run("visits", "attach", planned, photo, *at, "--json").json()
    assert row["state"] == "kept"
    done = run(
        "visits", "permit", planned, "--number", "E-118", "--status", "issued", "--on",
        "2025-04-01", "--expires-on", "2025-10-01", *at,
    )  # fmt: skip
    assert done.code == 0 and "EXPIRED" in done.out
    assert run("visits", "permits", *at, "--json").json()[0]["expired"] is True
    (shown,) = run("visits", "show", planned, *at, "--json").json()
    assert [each["name"] for each in shown["attachments"]] == ["box.jpg"]
    assert [each["number"] for each in shown["permits"]] == ["E-118"]
    assert "box.jpg" in run("visits", "show", planned, *at).out
    out = place.root / "again.jpg"
    assert run("visits", "fetch", planned, row["sha256"][:6], "-o", out, *at).code == 0
    assert out.read_bytes() == photo.read_bytes()
    refused = run("visits", "fetch", planned, "0" * 64, "-o", out, *at)
    assert refused.code == 2 and "0 files" in refused.err
    finding = shown["finding_ids"][0]
    paper = photo.with_name("paper.pdf")
    paper.write_bytes(b"a paper")
    done = run("findings", "attach", finding, paper, "--note", "invoice", *at)
    assert done.code == 0 and "paper.pdf" in done.out
    done = run("findings", "permit", finding, "--number", "E-9", "--status", "applied_for", *at)
    assert done.code == 0 and "E-9" in done.out
    listed = run("findings", "files", finding, *at, "--json").json()
    assert [each["name"] for each in listed] == ["box.jpg", "paper.pdf"]
    assert "paper.pdf" not in run("visits", "show", planned, *at).out
    assert run("ledger", "verify", *at).code == 0
    (papers.folder_of(place) / row["sha256"]).unlink()
    broken = run("ledger", "verify", *at, "--json")
    assert broken.code == 2
    assert len(json.loads(broken.out)) == 2


@pytest.fixture
def at(ledger, place):
    return ("--ledger", ledger.engine.url.database, "--workspace", place.root)


def test_a_backup_takes_kept_files_along_and_restore_puts_them_back(
    ledger, place, planned, photo, at, tmp_path
):
    paper = photo.with_name("paper.pdf")
    paper.write_bytes(b"a paper")
    finding = visit(ledger, planned)["finding_ids"][0]
    papers.attach(ledger, place, planned, [photo], **WHO)
    papers.attach(ledger, place, finding, [paper], **WHO)
    first, second = tmp_path / "safe" / "monday", tmp_path / "safe" / "tuesday"
    (told,) = run("ledger", "backup", first, *at, "--json").json()
    assert (told["copied"], told["there"], told["missing"]) == (2, 0, [])
    (told,) = run("ledger", "backup", second, *at, "--json").json()
    assert (told["copied"], told["there"]) == (0, 2)  # the same bytes are kept once
    held = {each.read_bytes() for each in papers.beside_backup(second).iterdir()}
    assert held == {b"a picture of a box", b"a paper"}
    # another place, from nothing
    other = Workspace(tmp_path / "other").create()
    there = ("--ledger", tmp_path / "other.sqlite", "--workspace", other.root)
    done = run("ledger", "restore", second, *there)
    assert done.code == 0 and "2 kept files copied" in done.err
    assert run("ledger", "verify", *there).code == 0
    rows = run("findings", "files", finding, *there, "--json").json()
    assert {(each["name"], each["state"]) for each in rows} == {
        ("box.jpg", "kept"), ("paper.pdf", "kept"),
    }  # fmt: skip


@pytest.mark.parametrize("harm", ["lost", "altered"])
def test_a_backup_without_a_kept_file_says_so_and_so_does_what_comes_of_it(
    ledger, place, planned, photo, at, tmp_path, harm
):
    papers.attach(ledger, place, planned, [photo], **WHO)
    (kept,) = papers.folder_of(place).iterdir()
    kept.unlink() if harm == "lost" else kept.write_bytes(b"another picture")
    path = tmp_path / "safe" / "ledger"
    done = run("ledger", "backup", path, *at)
    assert done.code == 3 and "Missing or altered: box.jpg" in done.err
    assert path.exists() and not papers.beside_backup(path).exists()
    other = Workspace(tmp_path / "other").create()
    there = ("--ledger", tmp_path / "other.sqlite", "--workspace", other.root)
    assert run("ledger", "restore", path, *there).code == 3
    told = run("ledger", "verify", *there)
    assert told.code == 2 and "its file 'box.jpg' is lost" in told.out


def test_an_altered_file_beside_a_backup_is_not_put_back(ledger, place, planned, photo, tmp_path):
    papers.attach(ledger, place, planned, [photo], **WHO)
    safe = tmp_path / "safe"
    assert papers.carry(ledger, papers.folder_of(place), safe).copied == 1
    (copy,) = safe.iterdir()
    copy.write_bytes(b"another picture")
    again = tmp_path / "again"
    assert papers.carry(ledger, safe, again).missing == ("box.jpg",)
    assert not again.exists()
    # the next back-up puts the copy right
    assert papers.carry(ledger, papers.folder_of(place), safe).copied == 1
    assert copy.read_bytes() == b"a picture of a box"


def test_verify_names_lost_files_whatever_else_is_wrong(ledger, place, planned, photo, at):
    papers.attach(ledger, place, planned, [photo], **WHO)
    (kept,) = papers.folder_of(place).iterdir()
    kept.unlink()
    with ledger.writing() as con:
        con.exec_driver_sql("UPDATE current_states SET content = replace(content, 'B1', 'B2')")
    told = run("ledger", "verify", *at).out
    assert "its file 'box.jpg' is lost" in told and "its kept state is not" in told
