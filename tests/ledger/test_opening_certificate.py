"""A certificate holds all that it rests on, tells who signed it, and whatever was changed in it."""

import datetime as dt
import json
import shutil

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from forging import FIRST, FIXED, LOOKED, chained, honest
from ledger_samples import DAY, WHO, fix, look, raised

from pipeline.landing import Workspace
from pipeline.ledger.opening_certificate import (
    FORM,
    FORM_1,
    check,
    look_hash,
    new_key,
    opening_certificate,
    read_private,
    read_public,
    write_certificate,
)
from shared.faults import CoverplateError
from tests.cli.running import run
from tests.dashboard.screens_shown import plate, screen_of, sound

pytestmark = pytest.mark.slow


RFC_8032_SECRET = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
RFC_8032_PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
RFC_8032_SIGNATURE = (
    "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
    "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
)
"""RFC 8032 (2017), section 7.1, test 1: the signature of the empty message."""


def place_of(finding):
    return finding.raised.building_id, finding.raised.unit_id, finding.raised.opening_id


@pytest.fixture
def keys(tmp_path):
    new_key(tmp_path / "signer.pem")
    return read_private(tmp_path / "signer.pem"), read_public(tmp_path / "signer.pem.pub")


@pytest.fixture
def made(tmp_path, keys, ledger):
    """A certificate of a proven repair."""
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    ledger.append(finding, fix(), at=FIXED, **WHO)
    ledger.record_look(finding, look(), at=LOOKED, **WHO)
    looks = [{"result": "correct", "method": "three_lamp_tester", "file": "a.csv", "file_row": 2}]
    content = opening_certificate(ledger, place_of(ledger.finding(finding)), looks=looks)
    write_certificate(content, keys[0], tmp_path / "k1.json")
    return tmp_path / "k1.json"


def test_the_signature_is_that_of_the_standard():
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC_8032_SECRET))
    assert key.public_key().public_bytes_raw().hex() == RFC_8032_PUBLIC
    assert key.sign(b"").hex() == RFC_8032_SIGNATURE


def test_a_certificate_is_checked_with_nothing_but_itself_and_the_key(made, keys):
    found = check(made, keys[1])
    assert (found.faults, found.unknown_books) == ([], [])
    (row,) = found.says
    assert (row["state"], row["proven_with"]) == ("repair_proven", "ground_impedance_meter")
    assert row["proven_on"] == (DAY + dt.timedelta(12)).isoformat()
    content = json.loads(made.read_text())
    assert content["form"] == FORM and content["looks"][0]["file_row"] == 2
    assert "three-lamp" in content["limits"] and content["cautions"]


@pytest.mark.parametrize(
    "change",
    [
        lambda c: c["says"][0].update(state="repair_proven", family="polarity"),
        lambda c: c["events"].pop(),
        lambda c: c["events"][1].update(payload=c["events"][1]["payload"].replace("2025", "2024")),
        lambda c: c["events"][1].update(payload=c["events"][1]["payload"] + "x"),
        lambda c: c["events"][2].update(payload=c["events"][2]["payload"] + "x"),
        lambda c: c["looks"].clear(),
        lambda c: c["looks"][0].update(result="false_ground"),
        lambda c: c.update(opening_id="K9"),
        lambda c: c.update(made_at="2031-01-01T00:00:00.000000Z"),
        lambda c: c["rule_books"].clear(),
        lambda c: c.update(limits="It is safe."),
        lambda c: c.update(signature="AAAA"),
        lambda c: c.update(signed_by="AAAA"),
    ],
)
def test_whatever_is_changed_is_told(made, keys, change):
    content = json.loads(made.read_text())
    change(content)
    made.write_text(json.dumps(content))
    assert check(made, keys[1]).faults


def test_signing_anew_does_not_make_a_made_up_proof_follow_the_rules(made, keys, tmp_path):
    """Who holds the key can sign anything: the replay still tells what does not follow."""
    content = json.loads(made.read_text())
    steps = honest(tmp_path)
    steps[2][1]["look"] |= {"method": "three_lamp_tester"}
    content["events"] = chained(steps)
    write_certificate(content, keys[0], made)
    faults = check(made, keys[1]).faults
    assert faults and not any("signature" in each for each in faults)


def test_another_key_is_told(made, tmp_path):
    new_key(tmp_path / "other.pem")
    faults = check(made, read_public(tmp_path / "other.pem.pub")).faults
    assert any("signed by another key" in each for each in faults)
    assert any("signature" in each for each in faults)


@pytest.mark.parametrize("text", ["", "{}", "[1]", "[" * 4000, '{"form": "another"}'])
def test_what_is_no_certificate_is_refused_in_words(text, keys, tmp_path):
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(CoverplateError, match="is no certificate"):
        check(tmp_path / "x.json", keys[1])


def test_a_key_is_never_overwritten_and_nobody_else_reads_it(tmp_path):
    new_key(tmp_path / "k.pem")
    assert (tmp_path / "k.pem").stat().st_mode & 0o077 == 0
    with pytest.raises(CoverplateError, match="is there already"):
        new_key(tmp_path / "k.pem")
    for wrong in ("k.pem.pub", "none.pem"):
        with pytest.raises(CoverplateError, match="is no key to use here"):
            read_private(tmp_path / wrong)
    with pytest.raises(CoverplateError, match="is no key to use here"):
        read_public(tmp_path / "k.pem")


def test_an_opening_of_which_nothing_is_known_gets_none(ledger):
    with pytest.raises(CoverplateError, match="nothing is recorded of B9, unit 1, opening K1"):
        opening_certificate(ledger, ("B9", "1", "K1"))


COVER = "cover_off_inspection,random,three_slot,false_ground,yes,yes,correct"
LAMPS = "three_lamp_tester,random,three_slot,correct,,,"
REPAIRED = "cover_off_inspection,random,three_slot,correct,yes,no,correct"
HEAD = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,selection,slots,result,"
    "cover_removed,neutral_ground_jumper,polarity\n"
)
STORIES = ("B1", "LATER", "LEFT-OUT", "BACK", "SLOTS", "REREAD")
"""Each has a building of its own, in which opening K1 of unit 2A was looked at twice."""

LOOKED_AT = {
    "one.csv": f"2024-04-01,Ada Orme,{LAMPS}",
    "two.csv": f"2024-05-01,Bo Quill,{COVER}",
}


def written(path, looks):
    """A file of looks at the opening of each building."""
    path.write_text(HEAD + "".join(f"{each},2A,K1,{row}\n" for each, row in looks.items()))
    return path


def took(root, *steps):
    for step in steps:
        done = run(*step, "--workspace", root)
        assert done.code == 0, done.err


SYNCED = (("build",), ("findings", "sync"), ("build",))


def certified(root, folder, building, *more):
    made = ("certificate", "make", building, "K1", "--unit", "2A", "--key", folder / "h.pem")
    return run(*made, "-o", folder / f"{building}.json", "--workspace", root, *more)


def family(root, building):
    (found,) = (
        each["finding_id"]
        for each in run("findings", "list", "--all", "--workspace", root, "--json").json()
        if (each["family"], each["building_id"]) == ("false_ground", building)
    )
    return found


class Stage:
    """A workspace as it once stood, with the key and the certificates made until then."""

    def __init__(self, folder):
        self.folder = folder
        self.root = folder / "w"

    def copied(self, to):
        shutil.copytree(self.folder, to)
        return type(self)(to)

    def of(self, building):
        """Workspace, key and certificate, for a test that changes nothing but the last."""
        return self.root, read_private(self.folder / "h.pem"), self.folder / f"{building}.json"


@pytest.fixture(scope="module")
def two_looks(tmp_path_factory):
    """Of every story an opening with two looks from two files, and a certificate of it."""
    stage = Stage(tmp_path_factory.mktemp("stages") / "two-looks")
    stage.folder.mkdir()
    for name, row in LOOKED_AT.items():
        file = written(stage.folder / name, dict.fromkeys(STORIES, row))
        took(stage.root, ("intake", file), *SYNCED)
    assert run("certificate", "key", stage.folder / "h.pem").code == 0
    for each in ("B1", "LATER"):
        assert certified(stage.root, stage.folder, each).code == 0
    return stage


@pytest.fixture(scope="module")
def repaired(two_looks):
    """A month on: three false grounds are repaired and proven, one opening was looked at once more,
    of one the slots are in doubt."""
    stage = two_looks.copied(two_looks.folder.with_name("repaired"))
    said = ("--remedy", "grounding_conductor_added", "--on", "2024-06-01", "--firm", "Pellworth")
    for each in ("LEFT-OUT", "BACK", "REREAD"):
        fix_of = ("fix", "report", family(stage.root, each), *said)
        took(stage.root, (*fix_of, "--worker", "D. Orme", "--by", "Ann"))
    later = COVER.replace("false_ground,yes,yes", "correct,yes,no")
    took(
        stage.root,
        ("intake", written(stage.folder / "three.csv", {
            "LATER": f"2024-06-01,Cy Vane,{later}",
            "SLOTS": f"2024-05-02,Bo Quill,{COVER.replace('three_slot', 'two_slot')}",
        })),
        ("intake", proof(stage.folder / "proof.csv", "2024-06-20", "LEFT-OUT", "BACK")),
        ("intake", proof(stage.folder / "dated.csv", "03/07/2024", "REREAD"),
         "--set", "date_order=dmy"),
        *SYNCED,
    )  # fmt: skip
    for each in ("LEFT-OUT", "BACK", "REREAD"):
        states = {
            row["family"]: row["state"]
            for row in certified(stage.root, stage.folder, each, "--json").json()
        }
        assert states["false_ground"] == "repair_proven", (each, states)
    return stage


def proof(path, day, *buildings):
    """A file of looks that prove a repair."""
    head = HEAD.replace("\n", ",ground_present,ground_path_ohms,firm_of_inspector\n")
    row = f"2A,K1,{day},Cy Vane,{REPAIRED},yes,0.2,Lowmoor\n"
    path.write_text(head + "".join(f"{each},{row}" for each in buildings))
    return path


@pytest.fixture(scope="module")
def since(repaired):
    """Later still: a false ground is back, and the look that proved another repair is read with
    months first, so that it is of March, before the fix."""
    stage = repaired.copied(repaired.folder.with_name("since"))
    back = written(stage.folder / "back.csv", {"BACK": f"2024-09-01,Ada Orme,{COVER}"})
    took(stage.root, ("intake", back))
    again = ("intake", stage.folder / "dated.csv", "--set", "date_order=mdy")
    assert run(*again, "--workspace", stage.root).code in (0, 3)
    took(stage.root, ("build",), ("findings", "sync"))
    return stage


@pytest.fixture(scope="module")
def elsewhere(two_looks):
    """Somebody else's workspace: the same exports taken in there, and others."""
    stage = two_looks.folder.with_name("elsewhere")
    stage.mkdir()
    (stage / "register.csv").write_text("building_id,year_built\nOWN,1952\n")
    (stage / "looks.csv").write_text(
        f"{HEAD}OWN,2A,K1,2024-05-01,Ada Orme,{COVER}\nOWN,2A,K1,2024-04-01,Ada Orme,{LAMPS}\n"
    )
    files = [stage / "register.csv", stage / "looks.csv"]
    files += [two_looks.folder / name for name in LOOKED_AT]
    took(stage / "w", *(("intake", file) for file in files), ("build",), ("findings", "sync"))
    return stage / "w"


@pytest.fixture
def signed(two_looks, tmp_path):
    """A workspace to read, the key, and a certificate of its own of an opening with two looks."""
    for name in ("h.pem", "h.pem.pub", "B1.json"):
        shutil.copy(two_looks.folder / name, tmp_path)
    return two_looks.root, read_private(tmp_path / "h.pem"), tmp_path / "B1.json"


def test_from_a_landed_file_to_a_certificate_that_stands_alone(elsewhere, tmp_path):
    at = ["--workspace", elsewhere]
    assert run("certificate", "key", tmp_path / "h.pem").code == 0
    done = certified(elsewhere, tmp_path, "OWN", "--json")
    assert (done.code, done.json()[0]["state"]) == (0, "confirmed_defect")
    paper = tmp_path / "OWN.json"
    content = json.loads(paper.read_text())
    assert [(each["file_row"], each["result"]) for each in content["looks"]] == [
        (3, "correct"),
        (2, "false_ground"),
    ]
    assert all(len(each["file_sha256"]) == 64 for each in content["looks"])
    told = run("certificate", "check", paper, "--key", tmp_path / "h.pem.pub")
    assert told.code == 0 and "false ground: confirmed defect" in told.out
    assert "does not say that the opening is safe" in " ".join(told.out.split())
    paper.write_text(paper.read_text().replace("confirmed_defect", "repair_proven"))
    told = run("certificate", "check", paper, "--key", tmp_path / "h.pem.pub", "--json")
    assert told.code == 2 and len(told.json()) == 2
    key = ["--key", tmp_path / "h.pem"]
    gone = run("certificate", "make", "OWN", "K7", *key, "-o", tmp_path / "x.json", *at)
    assert gone.code == 2 and "nothing is recorded" in gone.err


def held_against(paper, root):
    key = paper.parent / "h.pem.pub"
    return run("certificate", "check", paper, "--key", key, "--workspace", root)


def without_the_cover_off(content):
    """What a signer would write who leaves out the look that found the false ground."""
    content["looks"] = content["looks"][:1]
    content["rests_on"] |= {
        "looks": 1, "look_hashes": content["rests_on"]["look_hashes"][:1],
    }  # fmt: skip


def test_a_certificate_that_holds_all_looks_says_so(signed, repaired, tmp_path):
    root, _, paper = signed
    rests = json.loads(paper.read_text())["rests_on"]
    assert rests["looks"] == len(set(rests["look_hashes"])) == 2
    assert len(rests["files"]) == 2 and len(rests["logbook"]) == len(rests["warehouse"]) == 64
    told = held_against(paper, root)
    assert told.code == 0 and "No look was left out" in told.out, told.err
    alone = run("certificate", "check", paper, "--key", tmp_path / "h.pem.pub")
    assert alone.code == 0 and "was not checked" in alone.out
    # what landed since is told and is no fault; what took the place of a look neither
    root, _, paper = repaired.of("LATER")
    told = held_against(paper, root)
    assert told.code == 0, told.out
    assert "not in it, as the file had not landed by its word: 2024-06-01" in told.err


def test_a_look_removed_before_signing_is_told_by_the_exports_only(signed, elsewhere, tmp_path):
    root, key, paper = signed
    content = json.loads(paper.read_text())
    without_the_cover_off(content)
    write_certificate(content, key, paper)
    assert run("certificate", "check", paper, "--key", tmp_path / "h.pem.pub").code == 0
    told = held_against(paper, root)
    assert told.code == 2
    assert (
        "a look was left out: 2024-05-01, cover_off_inspection, false_ground (two.csv row 2)"
        in (" ".join(told.out.split()))
    )
    # somebody else who took the same exports in can tell as well
    told = held_against(paper, elsewhere)
    assert told.code == 2 and "a look was left out" in told.out
    assert "made from another workspace" in told.err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda c: c["looks"].pop(), "it says that it rests on 2 looks"),
        # the file and the logbook of before it landed, to make it look like a later one
        (
            lambda c: (
                without_the_cover_off(c),
                c["rests_on"].update(files=c["rests_on"]["files"][:1]),
            ),
            "the files that it names are not those that had landed",
        ),
        (lambda c: c["rests_on"].update(warehouse="0" * 64), "no warehouse was built here"),
        (
            lambda c: (
                c["looks"][0].update(result="open_ground"),
                c["rests_on"].update(look_hashes=[look_hash(each) for each in c["looks"]]),
            ),
            "a look is not in these exports: 2024-04-01",
        ),
        (
            lambda c: (without_the_cover_off(c), c.pop("rests_on"), c.update(form=FORM_1)),
            "a look was left out: 2024-05-01",
        ),
    ],
)
def test_what_is_signed_and_not_so_is_told_by_the_exports(signed, change, said):
    root, key, paper = signed
    content = json.loads(paper.read_text())
    change(content)
    write_certificate(content, key, paper)
    told = held_against(paper, root)
    assert told.code == 2 and said in " ".join(told.out.split()), told.out


def test_a_logbook_head_of_before_the_file_landed_hides_no_look(signed):
    root, key, paper = signed
    content = json.loads(paper.read_text())
    without_the_cover_off(content)
    lines = [json.loads(each) for each in (root / "logbook.jsonl").read_text().splitlines()]
    first = next(line for line in lines if line["what"] == "built")
    content["rests_on"] |= {
        "logbook": first["hash"], "warehouse": first["sha256"],
        "files": [each["sha256"] for line in lines[: first["n"]] for each in line.get("files", ())],
    }  # fmt: skip
    write_certificate(content, key, paper)
    told = held_against(paper, root)
    assert told.code == 2 and "a look was left out: 2024-05-01" in told.out


def test_a_certificate_of_before_it_named_its_exports_is_still_read(signed, tmp_path):
    root, key, paper = signed
    content = json.loads(paper.read_text()) | {"form": FORM_1}
    del content["rests_on"]
    write_certificate(content, key, paper)
    assert run("certificate", "check", paper, "--key", tmp_path / "h.pem.pub").code == 0
    told = held_against(paper, root)
    assert told.code == 0 and "from before certificates named the exports" in told.err


def test_a_finding_or_an_event_left_out_is_told_by_the_ledger(repaired, tmp_path):
    stage = repaired.copied(tmp_path / "own")
    root, key, paper = stage.of("LEFT-OUT")
    finding = family(root, "LEFT-OUT")
    told = held_against(paper, root)
    assert told.code == 0 and "nothing of what the ledger held" in " ".join(told.out.split()), told
    whole = json.loads(paper.read_text())
    rest = [each for each in whole["events"] if each["finding_id"] != finding]
    says = [each for each in whole["says"] if each["finding_id"] != finding]
    write_certificate({**whole, "events": rest, "says": says}, key, paper)
    assert run("certificate", "check", paper, "--key", stage.folder / "h.pem.pub").code == 0
    told = held_against(paper, root)
    said = " ".join(told.out.split())
    assert told.code == 2
    assert f"a finding was left out: false ground ({finding}), raised on" in said
    assert "in the ledger it is repair proven" in said
    # a comment that somebody wrote, and the signer left out
    assert run("findings", "comment", finding, "smelt burnt", "--workspace", root).code == 0
    assert run("build", "--workspace", root).code == 0
    write_certificate(whole, key, paper)
    told = held_against(paper, root)
    assert (
        told.code == 0 and f"written later by its word: 4 of false ground ({finding})" in told.err
    )
    later = {**whole, "made_at": "2030-01-01T00:00:00.000000+00:00"}
    write_certificate(later, key, paper)
    assert f"an event was left out: 4 of false ground ({finding})" in " ".join(
        held_against(paper, root).out.split()
    )


def test_a_look_since_the_proof_that_disproves_it_is_told(repaired, since, tmp_path):
    finding = family(repaired.root, "BACK")
    stage = since.copied(tmp_path / "own")
    root, key, paper = stage.of("BACK")
    assert run("build", "--workspace", root).code == 0
    told = held_against(paper, root)
    assert told.code == 0
    assert "a look speaks against the proven repair: 2024-09-01, cover_off_inspection" in told.err
    assert "not in it, as it was raised later by its word: false ground" in told.err
    # a certificate of now from which the recurrence was taken, but not the look
    assert certified(root, stage.folder, "BACK").code == 0
    whole = json.loads(paper.read_text())
    assert [each["family"] for each in whole["says"]].count("false_ground") == 2
    kept = {
        name: [each for each in whole[name] if each["finding_id"] == finding]
        for name in ("events", "says")
    }
    write_certificate({**whole, **kept}, key, paper)
    alone = run("certificate", "check", paper, "--key", stage.folder / "h.pem.pub")
    assert alone.code == 2 and "a look speaks against the proven repair: 2024-09-01" in alone.out
    assert "a finding was left out" in held_against(paper, root).out


def test_records_in_doubt_about_an_opening_are_in_its_certificate(repaired):
    root, _, paper = repaired.of("SLOTS")
    done = certified(root, repaired.folder, "SLOTS", "--json")
    assert "record_conflict:slots_disagree" in {each["family"] for each in done.json()}
    assert held_against(paper, root).code == 0


def test_a_proof_by_a_look_that_is_read_another_way_later_is_told_as_in_doubt(
    repaired, since, tmp_path, monkeypatch
):
    (row,) = (
        row
        for row in run("findings", "list", "--all", "--workspace", repaired.root, "--json").json()
        if (row["building_id"], row["family"]) == ("REREAD", "false_ground")
    )
    finding = row["finding_id"]
    assert (row["verified_on"], row["proof_in_doubt"]) == ("2024-07-03", None)
    stage = since.copied(tmp_path / "own")
    root, _, paper = stage.of("REREAD")
    at = ("--workspace", root)
    said = f"Proof in doubt: {finding}: the look of 2024-07-03 (cover off inspection) that proved"
    for words in (("list",), ("list", "--overdue")):
        told = run("findings", *words, *at)
        assert told.code == 0 and said in told.err, words
    rows = run("findings", "list", *at, "--json").json()
    assert "read another way" in {r["finding_id"]: r for r in rows}[finding]["proof_in_doubt"]
    told = run("findings", "digest", *at, "--json").json()
    assert [r["finding_id"] for r in told if r["section"] == "doubted"] == [finding]
    assert "no export holds any more" in run("findings", "digest", *at).out
    assert run("build", *at).code == 0
    made = ("certificate", "make", "REREAD", "K1", "--unit", "2A", "--key", stage.folder / "h.pem")
    refused = run(*made, "-o", tmp_path / "new.json", *at)
    assert refused.code == 2 and "stands in no export as it was judged" in refused.err
    assert held_against(paper, root).code == 2
    app = screen_of(monkeypatch, Workspace(root), "overdue")
    sound(app)
    assert "1 in doubt" in plate(app, "standing")
    # taken back with a reason, it is told no more
    reason = ("--reason", "the look was made in March")
    assert run("findings", "reopen", finding, *reason, *at).code == 0
    assert "Proof in doubt" not in run("findings", "list", *at).err
