"""The events of a finding: what may be written down, validated, and in which words.

Nothing is ever changed or taken back; what turned out wrong is answered by a later event. One
pydantic model for each kind; ``parse_payload`` reads any of them.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    field_validator,
    model_validator,
)

from shared.faults import CoverplateError
from shared.records import GFCI_YEARS
from shared.standing import Standing
from shared.vocabulary import Condition, Marking, Method, Polarity, Result, Slots, YesNo

Text = Annotated[str, Field(min_length=1, max_length=4000)]
Reason = Annotated[str, Field(min_length=3, max_length=4000)]
MOST_MONEY = 1e10
Money = Annotated[float, Field(ge=0, le=MOST_MONEY, allow_inf_nan=False)]
Chance = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Grade = Literal["suspected", "confirmed", "record_in_doubt"]
Label = Literal[Marking.NO_EQUIPMENT_GROUND, Marking.GFCI_PROTECTED]


class _Payload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Look(_Payload):
    """One look at the opening, in the columns of an opening observation."""

    observed_on: dt.date
    inspector: Text | None = None
    firm_of_inspector: Text | None = None
    method: Method
    result: Result
    slots: Slots | None = None
    cover_removed: YesNo | None = None
    ground_present: YesNo | None = None
    neutral_ground_jumper: YesNo | None = None
    polarity: Polarity | None = None
    neutral_ground_volts: Annotated[float, Field(ge=0, le=1000)] | None = None
    load_amps: Annotated[float, Field(ge=0, le=100)] | None = None
    ground_path_ohms: Annotated[float, Field(ge=0, le=1e9)] | None = None
    plate_earth_volts: Annotated[float, Field(ge=0, le=1000)] | None = None
    case_earth_volts: Annotated[float, Field(ge=0, le=1000)] | None = None
    ground_contact_earth_volts: Annotated[float, Field(ge=0, le=1000)] | None = None
    hot_neutral_volts: Annotated[float, Field(ge=0, le=1000)] | None = None
    non_contact_detector: YesNo | None = None
    heat_or_scorch: YesNo | None = None
    shock_reported: YesNo | None = None
    gfci_protected: YesNo | None = None
    gfci_button_tripped: YesNo | None = None
    marking: Marking | None = None
    note: Text | None = None


class LandedRow(_Payload):
    """Where an event was landed: the hash of the file, the sheet, the row as a person sees it."""

    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    sheet: str = ""
    row: Annotated[int, Field(ge=1)]


class Raised(_Payload):
    """A defect is confirmed or suspected, or records contradict each other.

    ``first_seen_on`` is the day of the first look that pointed at it, ``pointed_on`` that of the
    last one (None where evidence suspects what no look pointed at), ``notified_on`` the day on
    which whoever must act was told, where a regulation counts from there.
    """

    kind: Literal["raised"] = "raised"
    building_id: Text
    unit_id: str = ""
    opening_id: str = ""
    family: Text
    occurrence: Annotated[int, Field(ge=1)] = 1
    recurs_of: Text | None = None
    grade: Grade
    condition: Condition | None = None
    standing: Standing | None = None
    slots: Slots | None = None
    protected: YesNo | None = None
    probability: Chance | None = None
    first_seen_on: dt.date
    last_seen_on: dt.date | None = None
    pointed_on: dt.date | None = None
    notified_on: dt.date | None = None
    methods: tuple[Method, ...] = ()
    regulation: Text = "none"
    rule_book_hash: str = ""
    note: Text | None = None


class SeenAgain(_Payload):
    """The same defect was seen again, or the evidence for it changed its grade.

    ``pointed_on`` as in ``Raised``.
    """

    kind: Literal["seen_again"] = "seen_again"
    grade: Grade
    condition: Condition | None = None
    standing: Standing | None = None
    probability: Chance | None = None
    seen_on: dt.date
    pointed_on: dt.date | None = None
    methods: tuple[Method, ...] = ()
    rule_book_hash: str = ""


class EvidenceWithdrawn(_Payload):
    """Evidence no longer points at it. Not a repair: nothing was done and nothing is proven."""

    kind: Literal["evidence_withdrawn"] = "evidence_withdrawn"
    probability: Chance | None = None
    reason: Reason
    rule_book_hash: str = ""


class Accepted(_Payload):
    """Somebody takes it on."""

    kind: Literal["accepted"] = "accepted"
    note: Text | None = None


class Dismissed(_Payload):
    """Closed on paper, with a reason. Closed on paper is not repaired."""

    kind: Literal["dismissed"] = "dismissed"
    reason: Reason


class MadeSafe(_Payload):
    """The danger is out of reach for now; the defect is still there."""

    kind: Literal["made_safe"] = "made_safe"
    how: Literal["circuit_de_energised", "opening_out_of_service", "other"]
    since: dt.date
    note: Text | None = None


class MadeLiveAgain(_Payload):
    """What was made safe for now is in use again."""

    kind: Literal["made_live_again"] = "made_live_again"
    since: dt.date
    reason: Reason


class Assigned(_Payload):
    """A firm is to deal with it, by a day; without one the target stays where it is.

    ``note`` holds the reason where the day is later than the first target (``targets``).
    """

    kind: Literal["assigned"] = "assigned"
    firm: Text
    person: Text | None = None
    due_on: dt.date | None = None
    note: Text | None = None


class Quoted(_Payload):
    """A firm named its price.

    ``amount`` is the price for this finding. Where one price was named for several, ``whole`` is
    that price and ``shared_over`` their number.
    """

    kind: Literal["quoted"] = "quoted"
    firm: Text
    amount: Money
    whole: Money | None = None
    shared_over: Annotated[int, Field(ge=2)] | None = None
    remedy: Text | None = None
    valid_until: dt.date | None = None
    note: Text | None = None


class FixReported(_Payload):
    """Somebody says that it is repaired. A claim until a capable look proves it.

    ``leaves_*`` say what the remedy leaves behind under the rule book at the time; they are filled
    in when the event is written. ``gfci_year`` is the year in which the GFCI that the repair rests
    on was made or installed, ``gfci_tested_on`` the day on which its own button last took the power
    off. ``landed`` names the row of a file that says so, ``corrects`` that of an earlier file of
    the same name which this row takes the place of.
    """

    kind: Literal["fix_reported"] = "fix_reported"
    remedy: Text
    fixed_on: dt.date
    firm: Text
    worker: Text | None = None
    licence: Text | None = None
    permit: Text | None = None
    invoice: Text | None = None
    cost: Money | None = None
    markings: tuple[Label, ...] = ()
    gfci_year: Annotated[int, Field(ge=GFCI_YEARS[0], le=GFCI_YEARS[1])] | None = None
    gfci_tested_on: dt.date | None = None
    attachments: tuple[Text, ...] = ()
    note: Text | None = None
    leaves_condition: Condition | None = None
    leaves_slots: Slots | None = None
    leaves_protected: YesNo | None = None
    rule_book_hash: str = ""
    landed: LandedRow | None = None
    corrects: LandedRow | None = None

    @field_validator("markings")
    @classmethod
    def _each_once(cls, value: tuple[Label, ...]) -> tuple[Label, ...]:
        return tuple(sorted(set(value)))


class Billed(_Payload):
    """A firm's bill names this finding.

    ``amount`` is the whole bill, ``shared_over`` the number of findings that it names, ``share``
    what falls to this one; the shares of a bill add up to it. ``number`` counts the bills under
    one invoice number of one firm: 1, and one more where somebody said that another bill bears it
    too. ``corrects`` is the number of the bill that this one takes the place of.
    """

    kind: Literal["billed"] = "billed"
    firm: Text
    invoice: Text
    amount: Money
    share: Money
    shared_over: Annotated[int, Field(ge=1)]
    on: dt.date
    number: Annotated[int, Field(ge=1)] = 1
    corrects: Annotated[int, Field(ge=1)] | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _no_more_than_the_whole(self) -> Self:
        if self.share > self.amount:
            raise ValueError("a share cannot be more than the bill")
        if self.corrects is not None and self.corrects >= self.number:
            raise ValueError("only an earlier bill of the same number can be corrected")
        return self


class Verified(_Payload):
    """A capable look after the reported fix found the repaired state."""

    kind: Literal["verified"] = "verified"
    look: Look
    odds: float | None = None
    rule_book_hash: str = ""
    landed: LandedRow | None = None


class VerificationFailed(_Payload):
    """A look after the reported fix found the defect, or not what the remedy should have left."""

    kind: Literal["verification_failed"] = "verification_failed"
    look: Look
    reason: str = ""
    rule_book_hash: str = ""
    landed: LandedRow | None = None


class Reopened(_Payload):
    """Back to work, with a reason."""

    kind: Literal["reopened"] = "reopened"
    reason: Reason


class Commented(_Payload):
    """Anything else worth keeping."""

    kind: Literal["commented"] = "commented"
    text: Text


class NoticeGiven(_Payload):
    """The tenant was told that somebody will come; between which hours, where these were told."""

    kind: Literal["notice_given"] = "notice_given"
    given_on: dt.date
    entry_on: dt.date | None = None
    entry_starts: Hour | None = None
    entry_ends: Hour | None = None
    note: Text | None = None


class EntryRefused(_Payload):
    """The tenant did not let anybody in."""

    kind: Literal["entry_refused"] = "entry_refused"
    on: dt.date
    note: Text | None = None


class NoAccess(_Payload):
    """Nobody was there, or the opening could not be reached."""

    kind: Literal["no_access"] = "no_access"
    on: dt.date
    note: Text | None = None


class Paused(_Payload):
    """The present target stands still from a day, for a reason. Regulatory windows run on.

    ``note`` says the reason in words. No pause is written without one (``state.check_follows``); it
    is None in pauses of before it was asked for, which stay readable.
    """

    kind: Literal["paused"] = "paused"
    since: dt.date
    reason: Literal["no_access", "waiting_for_permit", "waiting_for_parts", "other"]
    note: Text | None = None


class Resumed(_Payload):
    """The present target runs again from a day."""

    kind: Literal["resumed"] = "resumed"
    since: dt.date


def _time_of_day(value: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise ValueError(f"{value!r} is no time of day such as 09:30")
    return value


Hour = Annotated[str, AfterValidator(_time_of_day)]
"""A time of day on the wall clock of the dwelling, such as 09:30; no time zone goes with it."""


class _Hours(_Payload):
    """A day, and from when to when on it; a day without hours is any time of that day."""

    on: dt.date
    starts: Hour | None = None
    ends: Hour | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.ends is not None and (self.starts is None or self.ends <= self.starts):
            raise ValueError("an end needs a start before it, on the same day")
        return self


VisitId = Annotated[str, Field(pattern=r"^V(-[A-Za-z0-9]+){3,4}$", max_length=60)]


class VisitPlanned(_Hours):
    """Somebody is to go there on a day; one such event on every finding of the visit.

    A visit is one day, one person, one dwelling. ``visit_id`` is given by the program
    (``visits.plan_visit``); ``firm`` is missing where the person comes for nobody else.
    """

    kind: Literal["visit_planned"] = "visit_planned"
    visit_id: VisitId
    person: Text
    firm: Text | None = None
    note: Text | None = None


class VisitMoved(_Hours):
    """A planned visit is to be on another day or at other hours; notice of those before tells
    nothing of these. An event without hours leaves it without."""

    kind: Literal["visit_moved"] = "visit_moved"
    visit_id: VisitId
    reason: Reason


class VisitCalledOff(_Payload):
    """A planned visit will not be made."""

    kind: Literal["visit_called_off"] = "visit_called_off"
    visit_id: VisitId
    reason: Reason


class VisitMade(_Payload):
    """Somebody went there. What was repaired, and what proves it, is written by events of its own.

    ``went`` names who, ``firm`` for whom they came, ``landed`` the first row of the visit's sheet
    where that says so. In events of before firms were told apart ``went`` may name a firm.
    """

    kind: Literal["visit_made"] = "visit_made"
    visit_id: VisitId
    on: dt.date
    went: Text | None = None
    firm: Text | None = None
    note: Text | None = None
    landed: LandedRow | None = None

    @model_validator(mode="after")
    def _somebody(self) -> VisitMade:
        if self.went is None and self.firm is None:
            raise ValueError("who went, or for which firm somebody went, must be said")
        return self


class Attached(_Payload):
    """A file belongs to a visit, or to this finding alone; it is kept under the SHA-256 of its
    bytes (``papers``)."""

    kind: Literal["attached"] = "attached"
    visit_id: VisitId | None = None
    name: Annotated[str, Field(min_length=1, max_length=255)]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    size: Annotated[int, Field(ge=0)]
    note: Text | None = None


class PermitNoted(_Payload):
    """How a permit for the work of a visit, or at this finding alone, stands since a day; the last
    word on it counts."""

    kind: Literal["permit_noted"] = "permit_noted"
    visit_id: VisitId | None = None
    number: Text
    status: Literal["applied_for", "issued", "closed", "refused"]
    on: dt.date
    expires_on: dt.date | None = None
    authority: Text | None = None
    note: Text | None = None


VisitStep = VisitPlanned | VisitMoved | VisitCalledOff | VisitMade
"""What is written of a visit, on each of its findings alike."""

Payload = (
    Raised
    | SeenAgain
    | EvidenceWithdrawn
    | Accepted
    | Dismissed
    | MadeSafe
    | MadeLiveAgain
    | Assigned
    | Quoted
    | FixReported
    | Billed
    | Verified
    | VerificationFailed
    | Reopened
    | Commented
    | NoticeGiven
    | EntryRefused
    | NoAccess
    | Paused
    | Resumed
    | VisitPlanned
    | VisitMoved
    | VisitCalledOff
    | VisitMade
    | Attached
    | PermitNoted
)
"""Any event's content; told apart by ``kind``."""

_ADAPTER: TypeAdapter[Payload] = TypeAdapter(Annotated[Payload, Field(discriminator="kind")])

KINDS: tuple[str, ...] = tuple(model.model_fields["kind"].default for model in Payload.__args__)
"""Every kind of event, in the order of a usual life."""


KIND_WORDS: dict[str, str] = {
    "raised": "raised",
    "seen_again": "seen again",
    "evidence_withdrawn": "no longer indicated",
    "accepted": "taken on",
    "dismissed": "closed on paper, nothing repaired",
    "made_safe": "made safe for now",
    "made_live_again": "in use again",
    "assigned": "assigned",
    "quoted": "price named",
    "fix_reported": "fix reported",
    "billed": "billed",
    "verified": "repair proven",
    "verification_failed": "fix disproved",
    "reopened": "reopened",
    "commented": "comment",
    "notice_given": "tenant given notice",
    "entry_refused": "entry refused",
    "no_access": "no access",
    "paused": "own target paused",
    "resumed": "own target runs again",
    "visit_planned": "visit planned",
    "visit_moved": "visit moved",
    "visit_called_off": "visit called off",
    "visit_made": "visit made",
    "attached": "file kept with it",
    "permit_noted": "permit noted",
}
"""The kinds as people read them."""


def parse_payload(content: dict[str, Any]) -> Payload:
    """Validate the content of an event.

    Raises:
        CoverplateError: naming every fault.
    """
    try:
        return _ADAPTER.validate_python(content)
    except ValidationError as fault:
        raise refused_content(fault, str(content.get("kind", "event"))) from fault


def refused_content(fault: ValidationError, what: str) -> CoverplateError:
    """Turn faults of a payload into a refusal that names every one of them."""
    lines = [
        f"  {'.'.join(str(part) for part in error['loc'])}: {error['msg']}"
        for error in fault.errors()
    ]
    return CoverplateError(
        f"{what}: {len(lines)} fault(s)\n" + "\n".join(lines),
        to_do="correct these and try again; nothing was written",
    )


class Event(BaseModel):
    """One event as stored.

    Attributes:
        position: order of writing over the whole ledger; 0 before it is stored.
        finding_id: the finding.
        sequence: 1, 2, … within the finding.
        recorded_at: when it was written down, UTC.
        who: who wrote it down.
        origin: from where (cli, dashboard, import, evidence).
        payload: what happened.
        previous_hash, hash: the chain; see ``pipeline.ledger.chain``.
    """

    model_config = ConfigDict(frozen=True)

    position: int = 0
    finding_id: str
    sequence: int
    recorded_at: dt.datetime
    who: str
    origin: str
    payload: Annotated[Payload, Field(discriminator="kind")]
    previous_hash: str = ""
    hash: str = ""

    @property
    def kind(self) -> str:
        """The kind of event."""
        return self.payload.kind

    def content(self) -> dict[str, Any]:
        """Return the payload as plain JSON values, blanks left out."""
        return self.payload.model_dump(mode="json", exclude_none=True)
