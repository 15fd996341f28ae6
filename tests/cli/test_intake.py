"""``intake``: what became of every row, exit codes, and refusals that say what to do."""

import hashlib
import json
import os
import zipfile

import pytest

from tests.cli.running import run, run_apart

GOOD = """\
building_id,unit_id,opening_id,observed_on,method,result,slots
B1,1,001,2024-03-05,three_lamp_tester,correct,three_slot
B1,1,002,2024-03-05,three_lamp_tester,open_ground,three_slot
"""
BAD = GOOD + "B1,1,003,2024-03-05,three_lamp_tester,nonsense,three_slot\n"
FOREIGN = """\
Bldg No,Apt,Outlet,Test Date,Instrument,Finding
B1,1,001,2024-03-05,plug tester,OK
B1,1,002,2024-03-05,plug tester,open ground
"""
KEYS = [
    *("path", "sha256", "record_kind", "mapping", "rows_read"),
    *("accepted", "duplicate", "superseded", "quarantined"),
]


def write(inbox, content, name="looks.csv"):
    path = inbox / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def reconciles(row):
    ended = [row[key] for key in ("accepted", "duplicate", "superseded", "quarantined")]
    return row["rows_read"] == sum(ended) and min(ended) >= 0


def test_json_says_what_became_of_every_row(workspace, inbox):
    path = write(inbox, BAD)
    outcome = run("intake", path, "--workspace", workspace, "--json")
    assert outcome.code == 3
    (row,) = outcome.json()
    assert (
        row
        | {
            "path": str(path),
            "sha256": hashlib.sha256(BAD.encode()).hexdigest(),
            "record_kind": "opening_observations",
            "mapping": "default layout",
            "rows_read": 3,
            "accepted": 2,
            "duplicate": 0,
            "superseded": 0,
            "quarantined": 1,
        }
        == row
    )
    assert set(KEYS) <= set(row)
    assert "quarantine" in outcome.err


@pytest.mark.slow
def test_rows_wrapped_whole_in_quotes_are_rows_and_an_open_ground_among_them_stays(
    workspace, inbox
):
    head, *rows = GOOD.splitlines()
    path = write(inbox, "\n".join([head, *(f'"{row}"' for row in rows)]) + "\n")
    outcome = run("intake", path, "--workspace", workspace, "--json")
    assert outcome.code == 0
    assert [row["accepted"] for row in outcome.json()] == [2]
    assert run("build", "--workspace", workspace).code == 0
    listed = run("openings", "B1", "--workspace", workspace, "--json").json()
    assert [o["opening_id"] for o in listed if o["defect"] == "ungrounded"] == ["002"]


def test_rows_that_were_not_parted_are_set_aside_and_not_taken_for_titles(workspace, inbox):
    rows = GOOD.splitlines()
    path = write(inbox, "\t".join(rows[0].split(",")) + "\n" + "\n".join(rows[1:]) + "\n")
    outcome = run("intake", path, "--workspace", workspace, "--json")
    assert outcome.code == 3
    assert [row["quarantined"] for row in outcome.json()] == [2]


@pytest.mark.slow
def test_a_building_twice_in_one_register_is_told_with_what_differs(workspace, inbox):
    text = "building_id,year_built,address\nB1,1925,12 Rowan St\nB1,1952,14 Ash Rd\nB2,1930,x\n"
    outcome = run("intake", write(inbox, text, "register.csv"), "--workspace", workspace)
    assert outcome.code == 3 and "says other things of" in outcome.out
    assert run("build", "--workspace", workspace).code == 0
    listed = run("quality", "--workspace", workspace, "--json").json()
    told = {row["column"]: row for row in listed if row["kind"] == "building_named_twice"}
    assert set(told) == {"year_built", "address"}
    assert "1925 (row 2), 1952 (row 3)" in told["year_built"]["message"]


@pytest.mark.slow
def test_one_opening_named_as_several_is_asked_about_and_the_answer_kept(workspace, inbox):
    path = write(inbox, GOOD.replace("001", "K1-K6"))
    refused = run("intake", path, "--workspace", workspace)
    assert refused.code == 2 and "--set opening_id:K1-K6=K1-K6" in refused.err
    answer = ("--set", "opening_id:K1-K6=K1-K6")
    assert run("intake", path, *answer, "--workspace", workspace).code == 0
    later = write(inbox, GOOD.replace("001", "K1-K6").replace("03-05", "04-05"), "later.csv")
    assert run("intake", later, "--workspace", workspace).code == 0


def test_a_folder_gives_one_row_a_file_and_each_reconciles(workspace, inbox):
    write(inbox, GOOD, "a.csv")
    write(inbox, BAD, "b.csv")
    write(inbox, "building_id,year_built\nB1,1950\n", "c.csv")
    rows = run("intake", inbox, "--workspace", workspace, "--json").json()
    assert len(rows) == 3 and all(map(reconciles, rows))
    assert [row["record_kind"] for row in rows] == [
        "opening_observations",
        "opening_observations",
        "building_register",
    ]
    # The two rows of a.csv stand in b.csv again.
    assert [row["duplicate"] for row in rows] == [0, 2, 0]


@pytest.mark.parametrize(("rows", "code"), [(GOOD, 0), (BAD, 3)])
def test_the_same_file_again_changes_nothing_and_ends_as_it_did(workspace, inbox, rows, code):
    path = write(inbox, rows)
    assert run("intake", path, "--workspace", workspace).code == code
    again = run("intake", path, "--workspace", workspace, "--json")
    assert again.code == code
    assert ("still in quarantine" in again.err) is (code == 3)
    assert again.json()[0]["already_landed"] is True


@pytest.mark.slow
def test_it_makes_the_workspace_and_never_asks(tmp_path, inbox):
    path = write(inbox, GOOD)
    outcome = run_apart("intake", path, "--workspace", "deep/new", "--json", folder=tmp_path)
    assert outcome.code == 0
    assert (tmp_path / "deep" / "new" / "landed").is_dir()
    assert len(outcome.json()) == 1


def test_the_printed_counts_are_those_of_the_json(workspace, inbox):
    outcome = run("intake", write(inbox, BAD), "--workspace", workspace)
    assert outcome.code == 3
    line = next(line for line in outcome.out.splitlines() if line.startswith("looks.csv"))
    assert line.split()[-5:] == ["3", "2", "0", "0", "1"]
    assert outcome.out.startswith("Rows read = accepted + duplicate + superseded + quarantined")


NONSENSE = {
    "random bytes": ("noise.csv", bytes(range(256)) * 40),
    "random bytes called a workbook": ("noise.xlsx", bytes(range(256)) * 40),
    "empty": ("empty.csv", b""),
    "a NUL": ("nul.csv", b"\0"),
    "prose": ("letter.txt", b"Dear all,\n\nplease find enclosed nothing.\n"),
    "broken JSON": ("half.json", b'{"rows": [{"building_id": '),
    "broken JSON Lines": ("half.jsonl", b'{"building_id": "A"}\n{"building'),
    "broken Parquet": ("half.parquet", b"PAR1" + b"\0" * 100),
    "broken ZIP": ("half.zip", b"PK\x03\x04 and no more"),
    "workbook cut short": ("half.xlsx", b"PK\x03\x04" + b"\0" * 500),
    "settings with an error": ("settings.toml", b"[circuit\nvolts = = 3\n"),
    "columns nobody knows": ("other.csv", b"alpha,beta\n1,2\n3,4\n"),
}


@pytest.mark.parametrize("case", NONSENSE)
def test_nonsense_is_refused_with_nothing_taken_in_and_what_to_do(workspace, inbox, case):
    name, content = NONSENSE[case]
    path = write(inbox, content, name)
    outcome = run("intake", path, "--workspace", workspace, "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "Refused: " in outcome.err and "What to do: " in outcome.err
    assert name in outcome.err
    assert list((workspace / "landed").iterdir()) == []


def test_an_empty_folder_is_refused(workspace, tmp_path):
    (tmp_path / "none").mkdir()
    outcome = run("intake", tmp_path / "none", "--workspace", workspace)
    assert outcome.code == 2
    assert "no table was found" in outcome.err


def test_an_empty_zip_is_refused(workspace, tmp_path):
    with zipfile.ZipFile(tmp_path / "none.zip", "w"):
        pass
    assert run("intake", tmp_path / "none.zip", "--workspace", workspace).code == 2


def test_a_missing_file_is_refused(workspace, tmp_path):
    outcome = run("intake", tmp_path / "absent.csv", "--workspace", workspace)
    assert outcome.code == 2
    assert "absent.csv" in outcome.err and "What to do: " in outcome.err


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads anything")
def test_an_unreadable_file_is_refused(workspace, inbox):
    path = write(inbox, GOOD)
    path.chmod(0)
    outcome = run("intake", path, "--workspace", workspace)
    assert outcome.code == 2
    assert "looks.csv" in outcome.err


@pytest.mark.slow
def test_a_date_order_that_could_be_two_is_asked_about(workspace, inbox):
    path = write(inbox, GOOD.replace("2024-03-05", "05/03/2024"))
    outcome = run("intake", path, "--workspace", workspace, "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "observed_on" in outcome.err and "date_order" in outcome.err
    # A date that has one reading settles it.
    settled = GOOD.replace("2024-03-05", "05/03/2024", 1).replace("2024-03-05", "25/03/2024")
    assert run("intake", write(inbox, settled, "b.csv"), "--workspace", workspace).code == 0


def test_one_refused_file_keeps_the_others_out(workspace, inbox):
    write(inbox, GOOD, "a.csv")
    write(inbox, '{"rows": [', "b.json")
    outcome = run("intake", inbox, "--workspace", workspace)
    assert outcome.code == 2
    assert list((workspace / "landed").iterdir()) == []


def test_an_unknown_mapping_is_refused(workspace, inbox):
    outcome = run("intake", write(inbox, GOOD), "--mapping", "nobody", "--workspace", workspace)
    assert outcome.code == 2
    assert "nobody" in outcome.err


def test_a_file_where_the_workspace_should_be_is_refused(tmp_path, inbox):
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    outcome = run("intake", write(inbox, GOOD), "--workspace", tmp_path / "taken")
    assert outcome.code == 2


def test_foreign_headers_go_in_through_a_saved_proposal(workspace, inbox):
    path = write(inbox, FOREIGN, "firm.csv")
    proposed = run("mapping", "propose", path, "--save", "firm", "--workspace", workspace, "--json")
    assert proposed.code == 0, proposed.err
    (table,) = proposed.json()
    columns = {column["column"]: column["header"] for column in table["columns"]}
    assert columns["building_id"] == "Bldg No"
    assert columns["opening_id"] == "Outlet"
    assert columns["result"] == "Finding"
    assert table["record_kind"] == "opening_observations"
    assert 0 < table["confidence"] <= 1
    assert "firm" in {
        row["name"] for row in run("mapping", "list", "--workspace", workspace, "--json").json()
    }
    shown = run("mapping", "show", "firm", "--workspace", workspace)
    assert shown.code == 0 and 'name = "firm"' in shown.out
    outcome = run("intake", path, "--mapping", "firm", "--workspace", workspace, "--json")
    (row,) = outcome.json()
    assert (row["mapping"], row["accepted"], row["quarantined"]) == ("firm", 2, 0)


def test_answers_make_a_proposal_whole(workspace, inbox):
    text = FOREIGN.replace("Bldg No", "Where").replace("Outlet", "What")
    path = write(inbox, text, "firm.csv")
    ask = ("mapping", "propose", path, "--save", "firm", "--workspace", workspace)
    refused = run(*ask)
    assert refused.code == 2 and "--set COLUMN=HEADER" in refused.err
    said = ("--set", "building_id=Where", "--set", "opening_id=What")
    assert run(*ask, *said).code == 0
    (row,) = run("intake", path, "--mapping", "firm", "--workspace", workspace, "--json").json()
    assert (row["mapping"], row["accepted"], row["quarantined"]) == ("firm", 2, 0)


def test_a_proposal_takes_nothing_in(workspace, inbox):
    assert run("mapping", "propose", write(inbox, FOREIGN), "--workspace", workspace).code == 0
    assert not list(workspace.glob("landed/*"))


@pytest.mark.parametrize(
    "text,faults",
    [("[mapping\n", ["TOML"]), ('name = "x"\nnonsense = 1\n', ["nonsense", "records"])],
)
def test_a_faulty_mapping_is_refused_with_every_fault(workspace, inbox, text, faults):
    outcome = run("mapping", "save", write(inbox, text, "m.toml"), "--workspace", workspace)
    assert outcome.code == 2
    assert all(fault in outcome.err for fault in faults)


@pytest.mark.slow
def test_a_quarantined_row_comes_back_corrected_and_counts_once(workspace, inbox, tmp_path):
    run("intake", write(inbox, BAD), "--workspace", workspace)
    (listed,) = run("quarantine", "list", "--workspace", workspace, "--json").json()
    assert listed["row"] == 4
    assert listed["cells"]["result"] == "nonsense"
    (reason,) = listed["reasons"]
    assert (reason["column"], reason["found"]) == ("result", "nonsense")
    assert reason["expected"].startswith("one of correct,")
    shown = run("quarantine", "list", "--workspace", workspace).out
    assert "nonsense" in shown and "looks.csv" in shown

    export = tmp_path / "to-correct.csv"
    exported = run("quarantine", "export", export, "--workspace", workspace, "--json")
    assert exported.json() == [{"path": str(export), "rows": 1, "sources": ["looks.csv"]}]
    text = export.read_text(encoding="utf-8-sig")
    assert text.count("nonsense") >= 1
    corrected = "\n".join(
        line.replace(",nonsense,", ",false_ground,", 1) for line in text.splitlines()
    )
    export.write_text(corrected, encoding="utf-8")
    outcome = run("intake", export, "--workspace", workspace, "--json")
    assert outcome.code == 0, outcome.err
    (row,) = outcome.json()
    assert (row["rows_read"], row["accepted"], row["quarantined"]) == (1, 1, 0)
    assert run("quarantine", "list", "--workspace", workspace, "--json").json() == []
    assert len(run("quarantine", "list", "--all", "--workspace", workspace, "--json").json()) == 1
    # Once more, and a copy of the corrected line: still once.
    assert run("intake", export, "--workspace", workspace, "--json").json()[0]["already_landed"]
    again = write(inbox, BAD.replace("nonsense", "false_ground"), "later.csv")
    assert run("intake", again, "--workspace", workspace, "--json").json()[0]["duplicate"] == 3
    assert json.loads(run("quarantine", "list", "--workspace", workspace, "--json").out) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["housing", "manager", "insurer"])
def test_the_quarantine_of_every_demo_can_be_listed_and_exported(request, name, tmp_path):
    found = request.getfixturevalue(name)
    place = found if name == "housing" else found[1]
    rows = run("quarantine", "list", "--workspace", place, "--json").json()
    assert rows
    for row in rows:
        assert row["reasons"] and row["cells"] and row["row"] > 0
        assert all(reason["column"] and reason["expected"] for reason in row["reasons"])
    assert run("quarantine", "list", "--workspace", place).code == 0
    exported = run("quarantine", "export", tmp_path / "q.csv", "--workspace", place, "--json")
    assert 0 < exported.json()[0]["rows"] <= len(rows)


@pytest.mark.slow
def test_one_value_corrects_all_rows_alike(workspace, inbox):
    file = inbox / "looks.csv"
    file.write_text(
        "building_id,unit_id,opening_id,observed_on,method,slots,result\n"
        + "".join(f"B1,1A,{n},2024-03-05,three_lamp_tester,three_slot,hm\n" for n in range(3))
        + "B1,1A,9,2024-03-05,three_lamp_tester,three_slot,open_ground\n",
        encoding="utf-8",
    )
    assert run("intake", file, "--workspace", workspace).code == 3
    (group,) = run("quarantine", "alike", "--workspace", workspace, "--json").json()
    assert (group["found"], group["rows"]) == ("hm", 3)
    assert "(result)" in run("quarantine", "alike", "--workspace", workspace).out
    unsaid = run("quarantine", "correct", group["key"], "--workspace", workspace)
    assert unsaid.code == 2 and "--blank" in unsaid.err
    done = run("quarantine", "correct", group["key"], "no_power", "--workspace", workspace)
    assert done.code == 0
    assert run("quarantine", "list", "--workspace", workspace, "--json").json() == []


@pytest.mark.slow
def test_trying_says_what_would_be_different_and_changes_nothing(workspace, inbox):
    register = write(inbox, "building_id,year_built\nB1,1948\nB2,1951\n", "register.csv")
    assert run("intake", register, "--workspace", workspace).code == 0
    assert run("intake", write(inbox, GOOD), "--workspace", workspace).code == 0
    later = GOOD.replace("2024-03-05", "2024-04-05").replace("correct", "reversed_false_ground")
    later += later.splitlines()[1].replace("B1,", "B9,") + "\n"
    file = write(inbox, later, "later.csv")
    landed = sorted(path.name for path in (workspace / "landed").iterdir())
    tried = run("intake", file, "--try", "--workspace", workspace, "--json")
    found = {row["building_id"]: row for row in tried.json()}
    assert set(found) == {"B1", "B9"}
    assert found["B1"]["newly_urgent"] and not found["B1"]["new"]
    assert (found["B1"]["more_urgent_openings"], found["B1"]["more_looks"]) == (1, 2)
    assert found["B9"]["new"] and found["B9"]["newly_urgent"]
    shown = run("intake", file, "--try", "--workspace", workspace)
    assert "newly urgent" in shown.out and "Nothing was taken in" in shown.err
    assert sorted(path.name for path in (workspace / "landed").iterdir()) == landed


@pytest.mark.parametrize("packed", [False, True], ids=["folder", "zip"])
def test_pictures_and_files_of_the_system_do_not_keep_an_export_out(tmp_path, packed):
    inbox = tmp_path / "in"
    inbox.mkdir()
    (inbox / "a.csv").write_text(GOOD)
    (inbox / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    (inbox / "~$a.xlsx").write_bytes(b"\x05Quill")
    (inbox / "outlet 1.JPG").write_bytes(bytes(range(1, 256)) * 20)
    (inbox / "plan.gif").write_bytes(b"GIF89a" + bytes(range(1, 200)))
    path = inbox
    if packed:
        path = tmp_path / "in.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for each in sorted(inbox.iterdir()):
                archive.write(each, each.name)
    done = run("intake", path, "--workspace", tmp_path / "w")
    assert done.code == 3  # pictures are counted as left out
    for name in ("Thumbs.db", "~$a.xlsx"):
        assert f"{name}: a file that the system or an open program keeps there" in done.err
    for name in ("outlet 1.JPG", "plan.gif"):
        assert f"{name}: the file holds no table and was left out" in done.out
    listed = run("intake", path, "--workspace", tmp_path / "w2", "--json").json()
    assert sum(row["accepted"] for row in listed) == 2


def test_a_hidden_file_in_a_folder_or_zip_is_told_and_a_damaged_member_named(tmp_path):
    inbox, text = tmp_path / "in", "building_id,year_built\nB1,1948\n"
    inbox.mkdir()
    (inbox / "a.csv").write_text(text)
    (inbox / ".b.csv").write_text(text.replace("B1", "B2"))
    with zipfile.ZipFile(inbox / "z.zip", "w") as packed:
        packed.writestr("c.csv", text.replace("B1", "B3"))
        packed.writestr(".d.csv", text.replace("B1", "B4"))
    done = run("intake", inbox, "--workspace", tmp_path / "w")
    assert done.code == 0
    assert ".b.csv: a hidden file, not read" in done.err
    assert "z.zip!/.d.csv: a hidden file, not read" in done.err
    whole = (inbox / "z.zip").read_bytes()
    (tmp_path / "bad.zip").write_bytes(whole.replace(b"B3,1948", b"B3,1949", 1))
    refused = run("intake", tmp_path / "bad.zip", "--workspace", tmp_path / "w")
    assert refused.code == 2 and "bad.zip: the ZIP cannot be read at c.csv" in refused.err
