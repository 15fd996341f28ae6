"""Every input row ends as exactly one of accepted, duplicate, superseded or quarantined."""

import csv
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.landing import Workspace, export_quarantine, intake, list_quarantine
from pipeline.landing.certificate import left_out
from shared.faults import CoverplateError
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, counts, land, query, reconciles

CURRENT = "SELECT opening_id, result FROM opening_observations_current ORDER BY ALL"


def csv_of(*rows):
    return "\n".join([HEADER, *rows]) + "\n"


def test_the_same_file_again_changes_nothing(workspace, inbox):
    (first,) = land(workspace, inbox, CSV)
    (again,) = land(workspace, inbox, CSV, "renamed.csv")
    assert not first.already_landed
    assert again.already_landed
    assert counts(again) == counts(first)
    assert again.path.endswith("renamed.csv")
    assert len(workspace.manifests()) == 1
    assert query(workspace, "SELECT count(*) FROM opening_observations_current") == [(2,)]


@pytest.mark.slow
def test_a_newer_overlapping_extract_adds_only_what_is_new(workspace, inbox):
    land(workspace, inbox, CSV, "march.csv")
    new = ROWS[0].replace(",001,", ",003,")
    (report,) = land(workspace, inbox, CSV + new + "\n", "april.csv")
    assert counts(report) == (3, 1, 2, 0, 0)
    assert query(workspace, CURRENT) == [
        ("001", "correct"),
        ("002", "open_ground"),
        ("003", "correct"),
    ]


@pytest.mark.slow
def test_a_correction_supersedes_and_the_old_row_stays_in_history(workspace, inbox):
    land(workspace, inbox, CSV, "march.csv")
    corrected = ROWS[0].replace("correct", "false_ground")
    (report,) = land(workspace, inbox, csv_of(corrected), "april.csv")
    assert counts(report) == (1, 1, 0, 0, 0)
    assert query(workspace, CURRENT) == [("001", "false_ground"), ("002", "open_ground")]
    history = (
        "SELECT result, status, h._row, l.path LIKE '%april.csv', superseded_by_row "
        "FROM observations_history h JOIN landed_files l "
        "ON l._part = coalesce(superseded_by_part, h._part) "
        "WHERE opening_id = '001' ORDER BY h._part"
    )
    assert query(workspace, history) == [
        ("correct", "superseded", 2, True, 2),
        ("false_ground", "accepted", 2, True, None),
    ]


@pytest.mark.slow
def test_the_later_landed_row_wins_even_when_it_goes_back(workspace, inbox):
    other = ROWS[0].replace("correct", "no_power")
    for number, row in enumerate([ROWS[0], other, ROWS[0] + " "]):
        land(workspace, inbox, csv_of(row), f"{number}.csv")
    assert query(workspace, CURRENT) == [("001", "correct")]
    statuses = "SELECT result, status FROM observations_history ORDER BY _part"
    assert query(workspace, statuses) == [
        ("correct", "superseded"),
        ("no_power", "superseded"),
        ("correct", "accepted"),
    ]


def test_within_a_file_the_later_row_wins(workspace, inbox):
    a, b = ROWS[0], ROWS[0].replace("correct", "no_power")
    (report,) = land(workspace, inbox, csv_of(a, a, b, b, ROWS[1], a))
    assert counts(report) == (6, 2, 2, 2, 0)
    assert query(workspace, CURRENT) == [("001", "correct"), ("002", "open_ground")]


@pytest.mark.slow
def test_missing_parts_of_a_key_are_the_same_key(workspace, inbox):
    without_unit = ROWS[0].replace(",1A,", ",,")
    land(workspace, inbox, csv_of(without_unit), "a.csv")
    (report,) = land(workspace, inbox, csv_of(without_unit.replace("Ada", "ADA"), without_unit))
    assert counts(report) == (2, 1, 1, 0, 0)


def test_every_reason_is_kept_with_what_was_found_and_expected(workspace, inbox):
    row = "B1,1A,kitchen,,2024-13-45,Ada,dowsing,random,four_slot,correct"
    (report,) = land(workspace, inbox, csv_of(ROWS[0], row))
    assert counts(report) == (2, 1, 0, 0, 1)
    (held,) = list_quarantine(workspace)
    assert (held.row, held.record_kind, held.cells["method"]) == (
        3,
        "opening_observations",
        "dowsing",
    )
    found = {reason.column: reason.found for reason in held.reasons}
    assert found == {
        "opening_id": "",
        "observed_on": "2024-13-45",
        "method": "dowsing",
        "slots": "four_slot",
    }
    expected = {reason.column: reason.expected for reason in held.reasons}
    assert "three_lamp_tester" in expected["method"]
    assert "an identifier" in expected["opening_id"]


@pytest.mark.parametrize("copies", [1, 700])
def test_a_required_cell_that_is_not_there_is_found_empty(workspace, inbox, copies):
    good = [ROWS[0].replace(",001,", f",G{n:04},") for n in range(copies)]
    land(workspace, inbox, csv_of(*good, ROWS[1].rsplit(",", 2)[0]))
    (held,) = list_quarantine(workspace)
    assert [(reason.column, reason.found) for reason in held.reasons] == [("result", "")]
    assert held.cells["result"] is None


MARKS = ("coverplate_source", "coverplate_row", "coverplate_reasons")


@pytest.mark.slow
def test_rows_of_one_layout_go_back_in_one_file_however_many_files_they_came_in(
    workspace, inbox, tmp_path
):
    for number in range(3):
        row = ROWS[0].replace(",001,", f",{number:03},").replace("correct", "hm")
        land(workspace, inbox, csv_of(row), f"{number}.csv")
    (written,) = export_quarantine(workspace, tmp_path / "out.csv")
    assert (written.rows, len(written.sources)) == (3, 3)
    _corrected(written.path, result="no_power")
    reports = intake(workspace, [written.path], today=TODAY)
    assert [counts(report) for report in reports] == [(1, 1, 0, 0, 0)] * 3
    assert list_quarantine(workspace) == []


def test_columns_that_differ_in_case_only_go_out_and_come_back(workspace, inbox, tmp_path):
    text = HEADER + ",Result\n" + ROWS[0].replace("correct", "hm") + ",\n"
    land(workspace, inbox, text)
    (written,) = export_quarantine(workspace, tmp_path / "out.csv")
    _corrected(written.path, result="no_power")
    (report,) = intake(workspace, [written.path], today=TODAY)
    assert counts(report) == (1, 1, 0, 0, 0)


def test_what_comes_back_says_what_still_fails(workspace, inbox, tmp_path):
    land(workspace, inbox, csv_of(ROWS[0].replace("correct", "hm")))
    (written,) = export_quarantine(workspace, tmp_path / "out.csv")
    _corrected(written.path, result="hmm")
    (report,) = intake(workspace, [written.path], today=TODAY)
    assert "result 'hmm' ×1" in " ".join(finding.message for finding in report.findings)


@pytest.mark.slow
def test_a_bad_optional_cell_is_blanked_and_can_be_corrected(workspace, inbox, tmp_path):
    text = HEADER + ",gfci_protected\n" + ROWS[1] + ",perhaps\n"
    (report,) = land(workspace, inbox, text)
    assert (counts(report), report.blanked) == ((1, 1, 0, 0, 0), 1)
    select = "SELECT result, gfci_protected FROM opening_observations_current"
    assert query(workspace, select) == [("open_ground", None)]
    (held,) = list_quarantine(workspace)
    assert (held.level, held.reasons[0].column, held.reasons[0].found) == (
        "cell",
        "gfci_protected",
        "perhaps",
    )
    (written,) = export_quarantine(workspace, tmp_path / "out.csv")
    _corrected(written.path, gfci_protected="yes")
    intake(workspace, [written.path], today=TODAY)
    assert query(workspace, select) == [("open_ground", "yes")]
    assert list_quarantine(workspace) == []


@pytest.mark.parametrize(("result", "stands"), [("correct", 0), ("open_ground", 1)])
def test_an_unread_cell_that_may_report_danger_leaves_no_clean_bill(
    workspace, inbox, result, stands
):
    row = ROWS[0].rsplit(",", 1)[0] + f",{result},12O"
    (report,) = land(workspace, inbox, HEADER + ",plate_earth_volts\n" + row + "\n")
    assert (report.accepted, report.quarantined) == (stands, 1 - stands)


def _corrected(path, **changes):
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    for row in rows:
        row.update(changes)
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue(), encoding="utf-8")
    return rows


@pytest.mark.slow
def test_a_corrected_row_counts_once_and_resolves_the_one_set_aside(workspace, inbox, tmp_path):
    bad = ROWS[0].replace("three_lamp_tester", "dowsing")
    land(workspace, inbox, csv_of(bad, ROWS[1]))
    out = tmp_path / "correct me.csv"
    assert [each.rows for each in export_quarantine(workspace, out)] == [1]
    (row,) = _corrected(out, method="visual")
    assert row["coverplate_row"] == "2"
    assert row["coverplate_source"].startswith("looks.csv [")
    assert "dowsing" in row["coverplate_reasons"]
    (report,) = intake(workspace, [out], today=TODAY)
    assert counts(report) == (1, 1, 0, 0, 0)
    assert list_quarantine(workspace) == []
    assert [held.resolved for held in list_quarantine(workspace, unresolved_only=False)] == [True]
    assert query(workspace, CURRENT) == [("001", "correct"), ("002", "open_ground")]
    assert export_quarantine(workspace, tmp_path / "again.csv") == []


@pytest.mark.slow
def test_a_correction_that_is_still_wrong_stands_once(workspace, inbox, tmp_path):
    land(workspace, inbox, csv_of(ROWS[0].replace("three_lamp_tester", "dowsing"), ROWS[1]))
    out = tmp_path / "one.csv"
    export_quarantine(workspace, out)
    _corrected(out, method="divining")
    (report,) = intake(workspace, [out], today=TODAY)
    assert counts(report) == (1, 0, 0, 0, 1)
    (held,) = list_quarantine(workspace)
    assert held.cells["method"] == "divining"
    again = tmp_path / "two.csv"
    assert [each.rows for each in export_quarantine(workspace, again)] == [1]
    (row,) = _corrected(again, method="visual")
    assert (row["method"], row["coverplate_row"]) == ("visual", "2")
    intake(workspace, [again], today=TODAY)
    assert list_quarantine(workspace) == []


@pytest.mark.slow
def test_a_correction_is_read_the_way_its_source_was(workspace, inbox, tmp_path):
    day_first = [
        ROWS[0].replace("2024-03-05", "13/03/2024"),
        ROWS[1].replace("2024-03-05", "5/3/2024"),
    ]
    land(workspace, inbox, csv_of(day_first[0], day_first[1].replace("three_lamp", "no_lamp")))
    out = tmp_path / "out.csv"
    export_quarantine(workspace, out)
    _corrected(out, method="visual")
    intake(workspace, [out], today=TODAY)
    assert query(
        workspace,
        "SELECT observed_on::VARCHAR FROM opening_observations_current WHERE opening_id = '002'",
    ) == [("2024-03-05",)]


@pytest.mark.slow
def test_rows_that_are_too_long_can_be_corrected(workspace, inbox, tmp_path):
    land(workspace, inbox, csv_of(ROWS[0] + ",too,much", ROWS[1]))
    out = tmp_path / "out.csv"
    export_quarantine(workspace, out)
    (row,) = _corrected(out, coverplate_extra_1="", coverplate_extra_2="")
    assert row["coverplate_extra_2"] == ""
    (report,) = intake(workspace, [out], today=TODAY)
    assert counts(report) == (1, 1, 0, 0, 0)
    assert list_quarantine(workspace) == []


@pytest.mark.slow
def test_rows_of_several_layouts_go_out_and_back_in_a_file_each(workspace, inbox, tmp_path):
    register = "building_id,year_built\nB1,19x1\n"
    land(workspace, inbox, register, "register.csv")
    land(workspace, inbox, csv_of(ROWS[0].replace("correct", "hm"), ROWS[1]))
    one, other = export_quarantine(workspace, tmp_path / "out.csv")
    assert (one.sources, other.sources) == (("register.csv",), ("looks.csv",))
    (row,) = _corrected(one.path, year_built="1931")
    assert list(row) == [*MARKS, "building_id", "year_built"]
    (row,) = _corrected(other.path, result="correct")
    assert list(row) == [*MARKS, *HEADER.split(",")]
    reports = intake(workspace, [one.path, other.path], today=TODAY)
    assert {(r.record_kind, counts(r)) for r in reports} == {
        ("building_register", (1, 1, 0, 0, 0)),
        ("opening_observations", (1, 1, 0, 0, 0)),
    }
    assert list_quarantine(workspace) == []


def test_a_correction_without_its_source_is_refused(workspace, inbox, tmp_path):
    land(workspace, inbox, csv_of(ROWS[0].replace("correct", "hm")))
    out = tmp_path / "out.csv"
    export_quarantine(workspace, out)
    _corrected(out, coverplate_source="somewhere")
    with pytest.raises(CoverplateError, match="do not say which landed row"):
        intake(workspace, [out], today=TODAY)


def test_one_refused_file_leaves_nothing_of_the_call(workspace, inbox):
    land(workspace, inbox, csv_of(ROWS[1]), "before.csv")
    (inbox / "good.csv").write_text(CSV)
    (inbox / "bad.csv").write_text("alpha,beta\n1,2\n")
    (inbox / "worse.csv").write_text("gamma,delta\n1,2\n")
    with pytest.raises(CoverplateError) as refused:
        intake(workspace, [inbox / n for n in ("good.csv", "bad.csv", "worse.csv")], today=TODAY)
    assert "bad.csv" in str(refused.value)
    assert "worse.csv" in str(refused.value)
    assert [m.name for m in workspace.manifests()] == ["before.csv"]
    assert query(workspace, CURRENT) == [("002", "open_ground")]


def test_a_second_intake_at_the_same_time_is_refused(workspace, inbox):
    with workspace.lock(), pytest.raises(CoverplateError, match="another intake"):
        land(workspace, inbox, CSV)


def test_a_file_that_is_missing_is_named(workspace, tmp_path):
    with pytest.raises(CoverplateError, match=r"no such file.*gone\.csv"):
        intake(workspace, [tmp_path / "gone.csv"])


CELL = st.sampled_from(
    [
        "B1",
        "B2",
        "001",
        "002",
        "2024-03-05",
        "2024-03-06",
        "visual",
        "dowsing",
        "correct",
        "",
        " ",
        "-",
    ]
)
GOOD = st.tuples(
    st.sampled_from(["B1", "B2"]), st.sampled_from(["1", ""]), st.just("hall"),
    st.sampled_from(["001", "002"]), st.sampled_from(["2024-03-05", "2024-03-06"]), st.just("Ada"),
    st.just("visual"), st.just(""), st.just("two_slot"), st.sampled_from(["correct", "no_power"]),
).map(list)  # fmt: skip
MESSY = st.lists(CELL, min_size=1, max_size=14)


@pytest.mark.slow
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(files=st.lists(st.lists(GOOD | MESSY, max_size=8), min_size=1, max_size=4))
def test_counts_always_add_up(tmp_path_factory, files):
    folder = tmp_path_factory.mktemp("property")
    workspace = Workspace(folder / "workspace")
    truth = {}
    for number, rows in enumerate(files):
        text = csv_of(*map(",".join, rows))
        try:
            (report,) = land(workspace, folder, text, f"{number}.csv")
        except CoverplateError:
            continue  # a lone cell between the rows may be a title: asked
        assert reconciles(report)
        filled = sum(any(c.strip() for c in row) for row in rows)
        assert report.rows_read + sum(s.rows for s in left_out(report.certificate)) == filled
        covered = [s.last - s.first + 1 for s in report.certificate]
        assert sum(covered) == len(text.splitlines())
        if report.already_landed:
            continue
        for row in rows:
            if row in GOOD_ROWS:
                truth[tuple(row[:7])] = row[9]
    current = query(
        workspace,
        "SELECT building_id, coalesce(unit_id, ''), opening_id, observed_on::VARCHAR, result "
        "FROM opening_observations_current",
    )
    assert len({row[:-1] for row in current}) == len(current)
    for key, result in truth.items():
        assert (key[0], key[1], key[3], key[4], result) in current


class _GoodRows:
    def __contains__(self, row):
        return (
            len(row) == 10
            and row[0] in ("B1", "B2")
            and row[2:3] + row[5:9] == ["hall", "Ada", "visual", "", "two_slot"]
            and row[9] in ("correct", "no_power")
        )


GOOD_ROWS = _GoodRows()
