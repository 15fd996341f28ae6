"""Which mapping reads a file, how sure a proposal is, and what a person may save and edit."""

import pytest

from pipeline.landing import (
    Workspace,
    find_mapping,
    intake,
    list_mappings,
    list_quarantine,
    load_mapping,
    propose_mapping,
    save_mapping,
)
from pipeline.landing.mapping import SHIPPED, parse_mapping
from pipeline.landing.mapping_store import as_toml
from shared.faults import CoverplateError
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, counts, land, query

CREW_HEADER = (
    "Bldg #;Apt;Location;Outlet No;Date tested;Tested by;Instrument;Type;Test result;N-G mV;Remarks"
)
CREW = [
    "0007;1A;kitchen;1;13.03.2024;Ada;plug-in tester;3-prong;OK;;",
    "0007;1A;hall;2;14.03.2024;Ada;Plug in tester;2 prong;No ground;;old",
    "0007;1B;hall;3;15.03.2024;Ben;Meter under load;3 prong;OK;3680;",
]
CREW_CSV = "\n".join([CREW_HEADER, *CREW]) + "\n"


def cells(text, delimiter=";"):
    return [line.split(delimiter) for line in text.strip().split("\n")]


@pytest.mark.slow
def test_a_sure_proposal_reads_the_file_and_is_recorded(workspace, inbox):
    (report,) = land(workspace, inbox, CREW_CSV, "crew.csv")
    assert counts(report) == (3, 3, 0, 0, 0)
    assert report.mapping == "proposed"
    assert 0.8 <= report.mapping_confidence < 1
    select = (
        "SELECT building_id, unit_id, opening_id, observed_on::VARCHAR, method, slots, result, "
        "neutral_ground_volts, note FROM opening_observations_current ORDER BY _row"
    )
    assert query(workspace, select) == [
        ("0007", "1A", "1", "2024-03-13", "three_lamp_tester", "three_slot", "correct", None, None),
        (
            "0007",
            "1A",
            "2",
            "2024-03-14",
            "three_lamp_tester",
            "two_slot",
            "open_ground",
            None,
            "old",
        ),
        (
            "0007",
            "1B",
            "3",
            "2024-03-15",
            "voltmeter_under_load",
            "three_slot",
            "correct",
            3.68,
            None,
        ),
    ]
    (manifest,) = workspace.manifests()
    assert manifest.parts[0].date_orders == {"observed_on": "dmy"}


def test_confidence_falls_with_words_that_cannot_be_read():
    header, *rows = cells(CREW_CSV)
    sure = propose_mapping(header, rows)
    odd = propose_mapping(header, [[*row[:8], "hmm", *row[9:]] for row in rows])
    assert odd.confidence < 0.5 < 0.8 < sure.confidence
    assert {c.column: c.unread for c in odd.columns}["result"] == {"hmm": 3}
    assert "result" in odd.explanation()


def test_a_missing_required_column_is_named_and_refused(workspace, inbox):
    text = CREW_CSV.replace("Instrument", "Kit colour")
    with pytest.raises(CoverplateError) as refused:
        land(workspace, inbox, text, "crew.csv")
    assert "method" in str(refused.value)
    assert "coverplate mapping propose" in str(refused.value)
    assert "--save" in str(refused.value)


def test_a_header_cut_short_is_read_with_less_confidence(workspace, inbox):
    whole = propose_mapping(HEADER.split(","), [row.split(",") for row in ROWS])
    cut = HEADER.replace("building_id", "building_i").replace("inspector", "inspecto")
    short = propose_mapping(cut.split(","), [row.split(",") for row in ROWS])
    assert short.confidence < whole.confidence
    (report,) = land(workspace, inbox, CSV.replace(HEADER, cut))
    assert counts(report) == (2, 2, 0, 0, 0)
    assert report.mapping == "proposed"
    assert query(
        workspace, "SELECT DISTINCT building_id, inspector FROM opening_observations_current"
    ) == [("B007", "Ada")]


def test_the_default_layout_needs_no_mapping(workspace, inbox):
    (report,) = land(workspace, inbox, CSV)
    assert (report.mapping, report.mapping_confidence) == ("default layout", 1.0)


def test_unknown_columns_beside_the_default_layout_are_listed_and_kept(workspace, inbox):
    text = "\n".join(
        line + "," + extra
        for line, extra in zip(CSV.split("\n"), ["weather", "dry", "wet"], strict=False)
    )
    (report,) = land(workspace, inbox, text)
    assert (report.mapping, report.accepted) == ("default layout", 2)
    assert workspace.manifests()[0].parts[0].unmapped == ("weather",)


@pytest.mark.slow
def test_a_saved_mapping_is_listed_found_and_used(workspace, inbox):
    header, *rows = cells(CREW_CSV)
    proposal = propose_mapping(header, rows, name="crew")
    path = save_mapping(workspace, proposal.mapping)
    assert load_mapping(path) == proposal.mapping
    assert [m.name for m in list_mappings(workspace)] == ["crew"]
    assert find_mapping(workspace, "crew") == proposal.mapping
    (report,) = land(workspace, inbox, CREW_CSV, "crew.csv")
    assert (report.mapping, report.mapping_confidence) == ("crew", 1.0)
    with pytest.raises(CoverplateError, match="saved already"):
        save_mapping(workspace, proposal.mapping)


@pytest.mark.slow
def test_the_sources_own_words_can_be_added_to_a_saved_mapping(workspace, inbox):
    header, *rows = cells(CREW_CSV)
    path = save_mapping(workspace, propose_mapping(header, rows, name="crew").mapping)
    text = path.read_text(encoding="utf-8")
    assert 'ok = "correct"' in text
    path.write_text(text.replace('ok = "correct"', 'ok = "correct", "tip top" = "correct"'))
    (report,) = land(workspace, inbox, CREW_CSV.replace("OK", "Tip-Top"), "crew.csv")
    assert counts(report) == (3, 3, 0, 0, 0)


@pytest.mark.slow
def test_a_file_is_read_anew_in_its_place_when_its_mapping_is_edited(workspace, inbox):
    header, *rows = cells(CREW_CSV)
    path = save_mapping(workspace, propose_mapping(header, rows, name="crew").mapping)
    odd = CREW_CSV.replace("No ground", "NGD")
    (first,) = land(workspace, inbox, odd, "crew.csv")
    assert counts(first) == (3, 2, 0, 0, 1)
    later = "\n".join([CREW_HEADER, CREW[0].replace("OK", "No ground"), CREW[2]]) + "\n"
    (second,) = land(workspace, inbox, later, "later.csv")
    assert counts(second) == (2, 1, 1, 0, 0)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"no ground" = "open_ground"', 'ngd = "open_ground"\n'.strip()))
    (anew,) = land(workspace, inbox, odd, "crew.csv")
    assert not anew.already_landed
    assert counts(anew) == (3, 3, 0, 0, 0)
    assert list_quarantine(workspace) == []
    assert [m.name for m in workspace.manifests()] == ["crew.csv", "later.csv"]
    # the file that came later still comes later: its correction of opening 1 stands
    select = "SELECT opening_id, result FROM opening_observations_current ORDER BY 1"
    assert query(workspace, select) == [
        ("1", "open_ground"),
        ("2", "open_ground"),
        ("3", "correct"),
    ]
    assert not list(workspace.replaced.glob("*"))


@pytest.mark.slow
def test_outcomes_of_later_files_follow_a_reading_that_changed(workspace, inbox):
    header, *rows = cells(CREW_CSV)
    mapping = propose_mapping(header, rows, name="crew").mapping
    path = save_mapping(workspace, mapping.model_copy(update={"date_order": "mdy"}))
    ambiguous = "\n".join([CREW_HEADER, CREW[0].replace("13.03.2024", "05.03.2024")]) + "\n"
    clear = "\n".join([CREW_HEADER, CREW[0].replace("13.03.2024", "2024-05-03")]) + "\n"
    land(workspace, inbox, ambiguous, "a.csv")
    (second,) = land(workspace, inbox, clear, "b.csv")
    assert counts(second) == (1, 0, 1, 0, 0)
    path.write_text(path.read_text(encoding="utf-8").replace('"mdy"', '"dmy"'), encoding="utf-8")
    land(workspace, inbox, ambiguous, "a.csv")
    select = "SELECT observed_on::VARCHAR FROM opening_observations_current ORDER BY 1"
    assert query(workspace, select) == [("2024-03-05",), ("2024-05-03",)]
    parts = [part for manifest in workspace.manifests() for part in manifest.parts]
    assert [(part.accepted, part.duplicate) for part in parts] == [(1, 0), (1, 0)]


def test_a_killed_replacement_is_undone_by_the_next_intake(workspace, inbox):
    (report,) = land(workspace, inbox, CSV)
    workspace.replaced.mkdir()
    workspace.folder(report.sha256).rename(workspace.replaced / report.sha256)
    (workspace.scratch / "left behind").mkdir()
    (again,) = land(workspace, inbox, CSV)
    assert again.already_landed
    assert query(workspace, "SELECT count(*) FROM opening_observations_current") == [(2,)]
    assert list(workspace.scratch.iterdir()) == []


def test_a_mapping_that_does_not_fit_says_which_columns_are_missing(workspace, inbox):
    header, *rows = cells(CREW_CSV)
    save_mapping(workspace, propose_mapping(header, rows, name="crew").mapping)
    with pytest.raises(CoverplateError, match=r"does not fit.*building_id"):
        land(workspace, inbox, "a,b\n1,2\n", "other.csv", mapping="crew")


def test_an_unknown_mapping_lists_those_that_exist(workspace, inbox):
    with pytest.raises(CoverplateError, match="rental_building_evaluations"):
        land(workspace, inbox, CSV, mapping="nobody")


def test_every_fault_of_a_mapping_is_named():
    content = {
        "name": "bad name!",
        "date_order": "dym",
        "colour": "red",
        "records": [
            {
                "kind": "opening_observations",
                "columns": {
                    "building_id": {"from": ["a"], "constant": "b"},
                    "opening_no": {"from": ["x"]},
                    "result": {"from": ["r"], "values": {"ok": "fine"}},
                    "neutral_ground_volts": {"from": ["v"], "unit": "furlong"},
                },
            },
            {
                "kind": "building_register",
                "columns": {"name": {"from": ["n"]}, "building_no": {"from": ["x"]}},
            },
        ],
    }
    with pytest.raises(CoverplateError) as refused:
        parse_mapping(content, "bad.toml")
    said = str(refused.value)
    for part in ("name", "date_order", "colour", "only one of", "building_no", "bad.toml"):
        assert part in said, part


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_mappings_survive_being_saved(path, tmp_path):
    mapping = load_mapping(path)
    copy = tmp_path / path.name
    copy.write_text(as_toml(mapping), encoding="utf-8")
    assert load_mapping(copy) == mapping


def test_one_file_gives_two_record_kinds(workspace, inbox):
    save_mapping(
        workspace,
        parse_mapping(
            {
                "name": "city",
                "recognised_by": ["Reg", "Built", "Sockets", "Graded"],
                "records": [
                    {
                        "kind": "building_register",
                        "columns": {
                            "building_id": {"from": ["Reg"]},
                            "year_built": {"from": ["Built"]},
                        },
                    },
                    {
                        "kind": "building_evaluations",
                        "grade_scale": {"worst": 5, "best": 1},
                        "columns": {
                            "building_id": {"from": ["Reg"]},
                            "evaluated_on": {"from": ["Seen"]},
                            "item": {"constant": "sockets"},
                            "grade": {"from": ["Sockets"]},
                            "items_graded": {
                                "count_columns": {"first": "Sockets", "last": "Stairs"}
                            },
                            "items_reported": {"from": ["Graded"]},
                        },
                    },
                ],
            },
            "test",
        ),
    )
    rows = [
        "007,1931,2024-03-05,1,3,2",
        "008,1931,2024-03-05, 4 ,N/A,1",
        "009,1931,2024-03-05,N/A,2,2",
        "010,1931,2024-03-05,6,2,2",
    ]
    text = "Reg,Built,Seen,Sockets,Stairs,Graded\n" + "\n".join(rows) + "\n"
    register, evaluations = land(workspace, inbox, text, "city.csv")
    assert counts(register) == (4, 4, 0, 0, 0)
    assert counts(evaluations) == (4, 2, 0, 0, 2)
    select = (
        "SELECT building_id, grade, scale_best, items_graded FROM building_evaluations_current "
        "ORDER BY _row"
    )
    assert query(workspace, select) == [("007", 4.0, 4.0, 2), ("008", 1.0, 4.0, 1)]
    shifted, outside = list_quarantine(workspace)
    assert {reason.found for reason in shifted.reasons} == {"items_reported 2, items_graded 1"}
    assert [reason.column for reason in outside.reasons] == ["grade"]


def test_a_workspace_is_made_by_intake_and_made_again_without_harm(tmp_path):
    path = tmp_path / "looks.csv"
    path.write_text(CSV)
    workspace = Workspace(tmp_path / "deep" / "workspace")
    intake(workspace, [path], today=TODAY)
    workspace.create()
    assert len(workspace.manifests()) == 1
