"""A signed certificate of one opening: what is said of it, and everything that this rests on.

It holds the whole history of the opening's findings, the rule books that judged it, and the looks
that were landed there, so that somebody who has nothing else can put every event through the rules
once more (``check``), years later and without any ledger. Whoever holds the landed exports and the
ledger as well can tell whether looks, findings or events were left out before it was signed
(``hold_against``). The signature
(Ed25519, RFC 8032) tells who vouches for it; it does not make a wrong look right.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import itertools
import json
import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)
from pydantic import ValidationError

from pipeline.landing.logbook import Logbook
from pipeline.ledger import events as ev
from pipeline.ledger.archive import line_of
from pipeline.ledger.chain import Break, StoredEvent, breaks, well_formed
from pipeline.ledger.database import FINDINGS
from pipeline.ledger.events import KIND_WORDS
from pipeline.ledger.landed_looks import speaks_against
from pipeline.ledger.may_mean_it import in_words, open_papers
from pipeline.ledger.may_mean_it import well_formed as of_their_form
from pipeline.ledger.replay import in_chains, judged, replay, sound_parts
from pipeline.ledger.rule_books import Books
from pipeline.ledger.state import Finding
from pipeline.ledger.store import Ledger
from shared.canonical import canonical, utc_text
from shared.faults import CoverplateError
from shared.finding_states import STATE_MEANING
from shared.vocabulary import CAUTIONS
from shared.whole_file import appearing_whole

FORM = "coverplate opening certificate 2"
"""What a certificate says that it is."""

FORM_1 = "coverplate opening certificate 1"
"""The same of one from before it named what it rests on."""

LIMITS = (
    "It says how the findings of this opening stand by the looks and reports held here. It does "
    "not say that the opening is safe: where no finding stands, perhaps nobody looked with a "
    "method able to see the fault. A three-lamp tester that shows correct rules out no false "
    "ground."
)
"""What every certificate says of itself."""


@dataclass(frozen=True)
class Checked:
    """What a certificate turned out to be.

    Attributes:
        opening: building, dwelling and opening that it speaks of.
        made_at: when it was made, as it says.
        signer: fingerprint of the key that signed it.
        says: one row a finding, as worked out anew from the events.
        may_mean_it: open papers of danger that name no opening (``may_mean_it``).
        faults: what does not hold; none where everything does.
        unknown_books: hashes of rule books that judged and that this program does not ship; who
            relies on the certificate trusts its signer for them.
    """

    opening: tuple[str, str, str]
    made_at: str
    signer: str
    says: list[dict[str, Any]]
    may_mean_it: list[dict[str, Any]]
    faults: list[str]
    unknown_books: list[str]


def new_key(path: Path) -> str:
    """Make a signing key: a private one in ``path``, its public one in ``path`` + ``.pub``.

    Returns:
        The fingerprint.

    Raises:
        CoverplateError: a file of that name stands there.
    """
    public = path.with_name(path.name + ".pub")
    for each in (path, public):
        if each.exists():
            raise CoverplateError(
                f"{each} is there already",
                expected="a new name",
                to_do="a key is never overwritten: what it signed could not be checked any more",
            )
    key = Ed25519PrivateKey.generate()
    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(secret)
        public.write_bytes(
            key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        )
    except OSError as fault:
        raise CoverplateError(
            f"{path} cannot be written: {fault.strerror}", to_do="choose another place"
        ) from fault
    return fingerprint(key.public_key())


def fingerprint(key: Ed25519PublicKey) -> str:
    """Return a public key as text: its 32 bytes in base64."""
    return base64.b64encode(key.public_bytes(Encoding.Raw, PublicFormat.Raw)).decode()


def read_private(path: Path) -> Ed25519PrivateKey:
    """Read a signing key.

    Raises:
        CoverplateError: it is none.
    """
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as fault:
        raise _no_key(path, fault) from fault
    if not isinstance(key, Ed25519PrivateKey):
        raise _no_key(path, "it is of another kind")
    return key


def read_public(path: Path) -> Ed25519PublicKey:
    """Read a public key.

    Raises:
        CoverplateError: it is none.
    """
    try:
        key = load_pem_public_key(path.read_bytes())
    except (OSError, ValueError, TypeError) as fault:
        raise _no_key(path, fault) from fault
    if not isinstance(key, Ed25519PublicKey):
        raise _no_key(path, "it is of another kind")
    return key


def _no_key(path: Path, why: object) -> CoverplateError:
    return CoverplateError(
        f"{path} is no key to use here: {why}",
        expected="an Ed25519 key in PEM, as `coverplate certificate key` makes it",
        to_do="check the path; the private key signs, the one ending in .pub checks",
    )


def opening_certificate(
    ledger: Ledger,
    place: tuple[str, str, str],
    *,
    looks: Iterable[Mapping[str, Any]] = (),
    exports: Mapping[str, Any] | None = None,
    may_mean_it: Iterable[Mapping[str, Any]] = (),
    now: dt.datetime | None = None,
) -> dict[str, Any]:
    """Return what a certificate of an opening holds.

    Args:
        ledger: the ledger.
        place: building_id, unit_id ("" where there is none), opening_id.
        looks: the looks landed at the opening, each with the file and row that it came from.
        exports: what of the exports it rests on (``exports_of``); None where nothing landed.
        may_mean_it: urgent papers that name no opening (``may_mean_it.open_papers``).
        now: when it is made; now by default.

    Raises:
        CoverplateError: the ledger holds no finding and no look of such an opening, or a chain of
            it does not hold.
    """
    building, unit, opening = place
    recorded = [dict(each) for each in looks]
    with ledger.reading() as con:
        events = _events_of(ledger, con, place)
        books = ledger.books(con)
    if not events and not recorded:
        raise CoverplateError(
            f"nothing is recorded of {place_words(place)}",
            expected="an opening with a finding or a look",
            to_do="`coverplate building ID --openings` lists those of a building",
        )
    moment = now or dt.datetime.now(dt.UTC)
    faults, standing = _followed(events, books, moment)
    if faults:
        raise CoverplateError(
            f"{place_words(place)}: {faults[0]}",
            expected="a history that holds",
            to_do="run `coverplate ledger verify`",
        )
    used = {digest for event in events if (digest := judged(event))}
    enough = Books([], {each: text for each in used if (text := books.text(each))})
    if _followed(events, enough, moment)[0]:
        used |= books.hashes  # an assignment does not say which one its target was held against
    return {
        "form": FORM,
        "made_at": utc_text(moment),
        "building_id": building,
        "unit_id": unit,
        "opening_id": opening,
        "says": _said(standing.values()),
        "may_mean_it": [dict(each) for each in may_mean_it],
        "events": [line_of(each) for each in events],
        "rule_books": [{"hash": each, "text": books.text(each)} for each in sorted(used)],
        "looks": recorded,
        "rests_on": {
            "looks": len(recorded),
            "look_hashes": [look_hash(each) for each in recorded],
            **(exports or exports_of(Logbook())),
        },
        "limits": LIMITS,
        "cautions": list(CAUTIONS),
    }


def _events_of(
    ledger: Ledger, con: sa.Connection, place: tuple[str, str, str]
) -> list[StoredEvent]:
    building, unit, opening = place
    ids = con.execute(
        sa.select(FINDINGS.c.finding_id).where(
            FINDINGS.c.building_id == building,
            FINDINGS.c.unit_id == unit,
            FINDINGS.c.opening_id == opening,
        )
    ).scalars()
    return sorted(ledger.stored_of(con, list(ids)), key=in_chains)


def look_hash(look: Mapping[str, Any]) -> str:
    """Return the hash of a look's content and of where in which file it is, by the file's bytes."""
    content = {name: cell for name, cell in look.items() if name != "file" and cell is not None}
    return hashlib.sha256(canonical(content).encode()).hexdigest()


def exports_of(book: Logbook) -> dict[str, Any]:
    """Return what a certificate says of the exports: the SHA-256 of every landed file, the head of
    the logbook, which holds their manifests' hashes, and the hash of the warehouse."""
    landed = sorted(sha256 for sha256, each in book.files().items() if not each.withdrawn)
    return {
        "files": landed,
        "logbook": book.head,
        "warehouse": str((book.last_built() or {}).get("sha256", "")),
    }


def hold_against(
    path: Path,
    looks: Iterable[Mapping[str, Any]],
    superseded: Collection[tuple[str, str, int]],
    book: Logbook,
    ledger: Ledger | None,
    *,
    papers: Iterable[Mapping[str, Any]] = (),
) -> tuple[list[str], list[str]]:
    """Say whether a certificate holds all of its opening that the exports and the ledger hold.

    Args:
        path: the certificate.
        looks: the looks in force at its opening in a workspace, as for ``opening_certificate``.
        superseded: file, sheet and row of those that another row took the place of.
        book: the logbook of that workspace.
        ledger: its ledger; None where there is none.
        papers: urgent papers there that may mean the opening (``queries.urgent_papers_of``).

    Returns:
        What does not hold, and what is to be known beside it, in words.

    Raises:
        CoverplateError: it is no certificate.
    """
    content, events = _read(path)
    rests = content.get("rests_on")
    faults, notes = [], []
    head = book.line_of(str(rests["logbook"])) if rests else None
    if rests is None:
        notes.append("it is from before certificates named the exports that they rest on")
    elif head is None:
        notes.append(
            "it was made from another workspace: which of the files here had landed then is its "
            "signer's word"
        )
    else:
        built = {e.content.get("sha256") for e in book.lines[: head.number] if e.what == "built"}
        if rests["warehouse"] not in built | {""}:
            faults.append("no warehouse was built here of the hash that it names")
        if rests["files"] != exports_of(Logbook(book.lines[: head.number]))["files"]:
            faults.append("the files that it names are not those that had landed when it was made")
    entered = {
        each["sha256"]: line
        for line in reversed(book.lines)
        for each in line.content.get("files", ())
    }

    def since(landed: Mapping[str, Any]) -> bool:
        """Whether a row had not landed when it was made, by its word."""
        sha256 = str(landed["file_sha256"])
        line = entered.get(sha256)
        later = (
            head is not None
            and line is not None
            and line.number > head.number
            and str(line.content.get("at")) > content["made_at"]
        )
        return later or (rests is not None and head is None and sha256 not in rests["files"])

    held = {look_hash(each) for each in content["looks"]}
    here = {look_hash(each): each for each in looks}
    books = _carried_books(content)
    _, standing = _followed(events, books, dt.datetime.now(dt.UTC))
    for digest, each in here.items():
        if digest in held:
            continue  # ``check`` puts it to the judge
        if since(each):
            notes.append(f"not in it, as the file had not landed by its word: {_look_words(each)}")
        else:
            faults.append(f"a look was left out: {_look_words(each)}")
        notes += _against(standing, [each], events, books)
    for each in content["looks"]:
        where = (str(each.get("file_sha256")), str(each.get("sheet") or ""), each.get("file_row"))
        if where in superseded:
            notes.append(f"another row has taken the place of a look since: {_look_words(each)}")
        elif look_hash(each) not in here:
            faults.append(f"a look is not in these exports: {_look_words(each)}")
    named = {look_hash(each) for each in content.get("may_mean_it", ())}
    for each in open_papers(papers):
        if look_hash(each) in named:
            continue
        said = in_words(each).rstrip(".")
        if "may_mean_it" not in content:
            notes.append(f"it is from before certificates named such papers: {said}")
        elif since(each):
            notes.append(f"not in it, as the file had not landed by its word: {said}")
        else:
            faults.append(f"an open paper is not in it that had landed: {said}")
    if ledger is None:
        notes.append("there is no ledger: whether findings or events were left out nobody can tell")
    else:
        wrong, told = _against_ledger(
            content, events, ledger, own=rests is None or head is not None
        )
        faults += wrong
        notes += told
    return faults, notes


def _against_ledger(
    content: Mapping[str, Any], events: Sequence[StoredEvent], ledger: Ledger, *, own: bool
) -> tuple[list[str], list[str]]:
    """Say what a ledger holds of an opening and a certificate does not, or the other way round.

    Args:
        content, events: of the certificate.
        ledger: the ledger.
        own: whether the certificate was made from it, as far as can be told.
    """
    faults: list[str] = []
    notes: list[str] = []
    carried = {(each.finding_id, each.sequence): each for each in events}
    with ledger.reading() as con:
        stored = _events_of(ledger, con, _place_of(content))
    for finding_id, chain in itertools.groupby(stored, key=lambda each: each.finding_id):
        here = list(chain)
        finding = ledger.finding(finding_id)
        what = f"{finding.raised.family.replace('_', ' ')} ({finding_id})"
        stands = f"in the ledger it is {finding.state.value.replace('_', ' ')}"
        first = carried.get((finding_id, 1))
        if first is not None and first.hash != here[0].hash:
            said = f"{what} has another history in the ledger; {stands}"
            (faults if own else notes).append(said)
            continue
        for each in here:
            of_it = carried.get((finding_id, each.sequence))
            if of_it is not None and of_it.hash == each.hash:
                continue
            later = each.recorded_at > content["made_at"]
            said = f"{KIND_WORDS[each.kind]} on {each.recorded_at[:10]}"
            if first is None:
                left = f"a finding was left out: {what}, {said}; {stands}"
                new = f"not in it, as it was raised later by its word: {what}, {said}; {stands}"
            else:
                left = f"an event was left out: {each.sequence} of {what}, {said}; {stands}"
                new = f"written later by its word: {each.sequence} of {what}, {said}; {stands}"
            if later:
                notes.append(new)
            else:
                faults.append(left)
            if first is None:
                break
    known = {(each.finding_id, each.sequence) for each in stored}
    unknown = {finding_id for finding_id, _ in carried.keys() - known}
    foreign = unknown - {each.finding_id for each in stored}
    (faults if own else notes).extend(f"{each} is not in the ledger" for each in sorted(foreign))
    faults += [f"events of {each} are not in the ledger" for each in sorted(unknown - foreign)]
    return faults, notes


def _against(
    standing: Mapping[str, Finding],
    looks: Iterable[Mapping[str, Any]],
    events: Sequence[StoredEvent],
    books: Books,
) -> list[str]:
    """Put looks to the judge: which speak against a repair that stands proven."""
    last: dict[str, Finding] = {}
    for finding in standing.values():
        known = last.setdefault(finding.raised.family, finding)
        if finding.raised.occurrence > known.raised.occurrence:
            last[finding.raised.family] = finding
    sound = _sound(events)[1]  # what was altered may be no JSON any more; ``_followed`` tells it
    by = {each.finding_id: str(judged(each)) for each in sound if each.kind == "verified"}
    found = []
    for cells in looks:
        try:
            look = ev.Look.model_validate({k: v for k, v in cells.items() if k in _LOOK_FIELDS})
        except ValidationError:
            continue  # whether it landed so the exports say
        for finding in last.values():
            if finding.treatment == "proven" and by.get(finding.finding_id) in books.hashes:
                why = speaks_against(books.judge(by[finding.finding_id]), finding, look)
                if why is not None:
                    found.append(
                        f"a look speaks against the proven repair: {_look_words(cells)}: {why}"
                    )
    return found


_LOOK_FIELDS = frozenset(ev.Look.model_fields)


def _carried_books(content: Mapping[str, Any]) -> Books:
    return Books([], {str(each["hash"]): str(each["text"]) for each in content["rule_books"]})


def _place_of(content: Mapping[str, Any]) -> tuple[str, str, str]:
    return str(content["building_id"]), str(content["unit_id"]), str(content["opening_id"])


def _look_words(look: Mapping[str, Any]) -> str:
    named = [str(look.get(each) or "–") for each in ("observed_on", "method", "result")]
    return f"{', '.join(named)} ({Path(str(look.get('file'))).name} row {look.get('file_row')})"


def _followed(
    events: list[StoredEvent], books: Books, now: dt.datetime
) -> tuple[list[str], dict[str, Finding]]:
    """Return what does not hold or follow in whole chains, and what they amount to."""
    found, sound = _sound(events)
    standing: dict[str, Finding] = {}
    found += replay(sound, books, now, standing)
    return [each.said for each in found], standing


def _sound(events: Sequence[StoredEvent]) -> tuple[list[Break], list[StoredEvent]]:
    """Return where hashes do not hold in whole chains, and the events before that."""
    heads = {each.finding_id: (each.sequence, each.hash) for each in events}
    found = breaks(events, heads)
    return found, sound_parts(events, found)


def _said(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    rows = []
    for finding in sorted(findings, key=lambda each: (each.raised.family, each.raised.occurrence)):
        fix, proof = finding.fix, finding.proven_by
        rows.append(
            {
                "finding_id": finding.finding_id,
                "family": finding.raised.family,
                "occurrence": finding.raised.occurrence,
                "condition": finding.condition.value if finding.condition else None,
                "state": finding.state.value,
                "means": STATE_MEANING[finding.state],
                "first_seen_on": finding.raised.first_seen_on.isoformat(),
                "last_seen_on": finding.last_seen_on.isoformat(),
                "remedy": fix.remedy if fix else None,
                "fixed_on": fix.fixed_on.isoformat() if fix else None,
                "fixed_by": fix.firm if fix else None,
                "proven_on": proof.observed_on.isoformat() if proof else None,
                "proven_by": proof.inspector if proof else None,
                "proven_with": proof.method.value if proof else None,
            }
        )
    return rows


def write_certificate(content: Mapping[str, Any], key: Ed25519PrivateKey, path: Path) -> None:
    """Sign what a certificate holds and write it, whole or not at all."""
    signature = base64.b64encode(key.sign(_signed_text(content))).decode()
    signed = {**content, "signed_by": fingerprint(key.public_key()), "signature": signature}
    text = json.dumps(signed, ensure_ascii=False, indent=1) + "\n"
    with appearing_whole(path, durable=True) as partial:
        partial.write_text(text, encoding="utf-8")


def _signed_text(content: Mapping[str, Any]) -> bytes:
    return canonical(
        {name: value for name, value in content.items() if name not in ("signed_by", "signature")}
    ).encode()


def check(path: Path, trusted: Ed25519PublicKey, now: dt.datetime | None = None) -> Checked:
    """Put a certificate to the test with nothing but itself and the signer's public key.

    Args:
        path: the certificate.
        trusted: the key of whom it is believed.
        now: the time that it is; now by default.

    Raises:
        CoverplateError: it is no certificate.
    """
    content, events = _read(path)
    signer = str(content["signed_by"])
    faults = []
    if signer != fingerprint(trusted):
        faults.append(f"it is signed by another key ({signer})")
    try:
        trusted.verify(base64.b64decode(str(content["signature"])), _signed_text(content))
    except (InvalidSignature, ValueError):
        faults.append("the signature is not of this content and the key given")
    place = _place_of(content)
    books = _carried_books(content)
    made_at, present = str(content["made_at"]), now or dt.datetime.now(dt.UTC)
    try:
        moment = dt.datetime.fromisoformat(made_at)
        if utc_text(moment) != made_at or moment > present:
            raise ValueError
    except (ValueError, TypeError):
        faults.append(f"it says that it was made at {made_at}, which is no time that has come")
        moment = present
    wrong, standing = _followed(events, books, moment)
    faults += wrong
    if len({(each.finding_id, each.sequence) for each in events}) < len(events):
        faults.append("it holds an event twice")
    if not events and not content["looks"]:
        faults.append("it holds nothing")
    rests = content.get("rests_on")
    if rests is not None:
        hashes = [look_hash(each) for each in content["looks"]]
        if (rests["looks"], rests["look_hashes"]) != (len(hashes), hashes):
            faults.append(
                f"it says that it rests on {rests['looks']} looks, and those that it holds are not "
                f"these ({len(hashes)})"
            )
    if content["limits"] != LIMITS or content["cautions"] != list(CAUTIONS):
        faults.append("what it says of its limits, or the cautions, is not what such a one says")
    for finding in standing.values():
        raised = finding.raised
        if (raised.building_id, raised.unit_id, raised.opening_id) != place:
            faults.append(f"{finding.finding_id} is of another opening")
    faults += _against(standing, content["looks"], events, books)
    says = _said(standing.values())
    if says != content["says"]:
        faults.append("what it says is not what its events amount to")
    unknown = sorted(books.hashes - Books([], {}).hashes)
    beside = content.get("may_mean_it", [])
    return Checked(place, made_at, signer, says, beside, faults, unknown)


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object; refused where a name stands twice: readers differ on which counts."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


_NEEDED: dict[str, type] = {
    "made_at": str,
    "building_id": str,
    "unit_id": str,
    "opening_id": str,
    "says": list,
    "events": list,
    "rule_books": list,
    "looks": list,
    "limits": str,
    "cautions": list,
    "signed_by": str,
    "signature": str,
}


_RESTS_ON: dict[str, type] = {
    "looks": int,
    "look_hashes": list,
    "files": list,
    "logbook": str,
    "warehouse": str,
}


def _read(path: Path) -> tuple[dict[str, Any], list[StoredEvent]]:
    try:
        text = path.read_text(encoding="utf-8")
        content = json.loads(text, object_pairs_hook=_each_once)
        if content["form"] not in (FORM, FORM_1):
            raise ValueError(f"its form is {content['form']!r}")
        for name, kind in _NEEDED.items():
            if not isinstance(content[name], kind):
                raise TypeError(f"{name} is no {kind.__name__}")
        if content["form"] == FORM:
            rests = content["rests_on"]
            for name, kind in _RESTS_ON.items():
                if not isinstance(rests[name], kind):
                    raise TypeError(f"{name} is no {kind.__name__}")
        else:
            content.pop("rests_on", None)
        if not all(isinstance(each, dict) for each in content["looks"]):
            raise TypeError("a look is not of its form")
        if not of_their_form(content.get("may_mean_it", [])):
            raise TypeError("what it says of papers is not of its form")
        events = [StoredEvent(**each) for each in content["events"]]
        if not all(map(well_formed, events)):
            raise ValueError("an event is not of its form")
        if not all({"hash", "text"} <= set(each) for each in content["rule_books"]):
            raise ValueError("a rule book is not of its form")
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError) as fault:
        raise CoverplateError(
            f"{path} is no certificate: {fault}",
            expected=f"a file made by `coverplate certificate make`, form {FORM!r}",
            to_do="check the path, and that the file came whole",
        ) from fault
    return content, sorted(events, key=in_chains)


def place_words(place: tuple[str, str, str]) -> str:
    """Return building, dwelling and opening in words."""
    building, unit, opening = place
    return f"{building}, {f'unit {unit}, ' if unit else ''}opening {opening}"
