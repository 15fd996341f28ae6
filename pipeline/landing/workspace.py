"""Where everything is kept on disk, and in which order files landed.

::

    <root>/
      landed/<sha256>/           one folder a file, named by the SHA-256 of its bytes
        original/<name>          the bytes as they came, unchanged
        manifest.json            what was read from them and how (``Manifest``)
        <part>.parquet           one table read as one record kind, typed, every row of it
        <part>.quarantine.parquet  rows set aside: original cells and every reason
        <part>.findings.parquet  data-quality findings of single rows
        outcomes.parquet         rows that are not simply accepted, here and in earlier files
      mappings/*.toml            mappings that people saved
      drafts/*.toml              mappings of files that were refused, as far as they are known
      logbook.jsonl              what landed, was read again, was built: a chain (``logbook``)
      warehouse/                 built from ``landed`` and replaceable at any time
      learned/                   what the portfolio taught: records, each written once
      predictions/               what builds said of openings that later looks settled
      ledger/                    what people enter later; never rebuilt
      attachments/<sha256>       files kept with visits and findings
      rule_book.toml             optional: overrides the shipped rule book

A folder under ``landed`` appears by one rename, and counts once its call stands in the logbook:
what a failed or killed intake left is taken back by whoever writes next (``recovery``).
``sequence`` (the landing order of files) and ``part`` (of tables) only ever grow.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from pipeline.landing.cells import DateOrder, DecimalMark
from pipeline.landing.certificate import Stretch
from pipeline.landing.mapping import Mapping
from pipeline.landing.report import Finding
from pipeline.landing.row_kinds import normalised
from pipeline.landing.seals import damage, seal
from shared.faults import CoverplateError
from shared.turns import take_turn
from shared.vocabulary import RecordKind
from shared.whole_file import appearing_whole

FORMAT_VERSION = 1

PARTS_PER_FILE = 1000
"""``part`` is the file's sequence times this, plus the number of the table within the file, so that
a file that is read anew with another mapping keeps its place in the landing order."""


CELLS_A_ROW = 1_000
"""Where every row of a sheet holds several looks (``wide``), a look's row number is its row's times
this, plus the place of its column: no table has so many."""

HEADING = "name of the column"
"""Column of such a table, once it holds one row a look, with the header that the look stood under.
"""


class Corrects(BaseModel):
    """The quarantined rows that a part answers: those of one table of an earlier file."""

    model_config = ConfigDict(frozen=True)

    sha256: str
    sheet: str


class Part(BaseModel):
    """One table of a file, read as one record kind.

    Attributes:
        part: identifier, growing in landing order over the whole workspace.
        sheet: worksheet or table name, "" where there is only one.
        record_kind: the layout of the typed rows.
        source: who says so; rows of one source correct each other, two sources can disagree.
        precedence: higher wins where sources disagree; equal: the newer file.
        mapping: mapping name or ``default layout``.
        mapping_hash: content hash of the mapping, so that an edited mapping is read anew.
        mapping_confidence: 0 to 1.
        reading: the mapping itself, so that what was landed can be read again the same way.
        date_orders, decimal_marks: column to the reading that was settled on, where it mattered.
        header: the source's columns, in order, after padding was cut and repeats were numbered.
        unmapped: source columns that no typed column was read from (kept in the original).
        file: name of the typed Parquet file.
        first_row: row number of the first record where the Parquet keeps file order and has no
            ``_row`` column; None where it has one.
        rows_read, accepted, duplicate, superseded, quarantined, blanked: as in ``IntakeReport``.
        corrects: set where the rows are corrected quarantined rows of an earlier file.
        findings: as in ``IntakeReport``.
    """

    part: int
    sheet: str
    record_kind: RecordKind
    source: str
    precedence: int = 0
    mapping: str
    mapping_hash: str
    mapping_confidence: float
    reading: Mapping
    date_orders: dict[str, DateOrder] = Field(default_factory=dict)
    decimal_marks: dict[str, DecimalMark] = Field(default_factory=dict)
    header: tuple[str, ...]
    unmapped: tuple[str, ...] = ()
    file: str
    first_row: int | None
    rows_read: int
    accepted: int = 0
    duplicate: int = 0
    superseded: int = 0
    quarantined: int
    blanked: int = 0
    corrects: Corrects | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def cells_a_row(self) -> int:
        """What a row number is divided by to give the row of the file."""
        return CELLS_A_ROW if self.reading.wide and self.corrects is None else 1

    def told_by(self, column: str) -> str:
        """The header that rooms or circuits of looks are read from, where a difference in it may
        be another opening; else ''."""
        record = next(r for r in self.reading.records if r.kind is self.record_kind)
        spec, opening = record.columns.get(column), record.columns.get("opening_id")
        said = {normalised(name) for name in self.reading.same_opening}
        names = [n for n in spec.from_ if normalised(n) not in said] if spec is not None else []
        if not names or (opening is not None and set(opening.join) & set(names)):
            return ""
        there = {normalised(name): name for name in self.header}
        return next((there[normalised(n)] for n in names if normalised(n) in there), "")

    @property
    def room_tells(self) -> bool:
        """Whether looks that name another room may be at another opening."""
        return self.record_kind is RecordKind.OPENING_OBSERVATIONS and self.told_by("room") != ""

    @property
    def circuit_tells(self) -> bool:
        """Whether looks that name another circuit may be at another opening."""
        return (
            self.record_kind is RecordKind.OPENING_OBSERVATIONS and self.told_by("circuit_id") != ""
        )


class Manifest(BaseModel):
    """What was read from one landed file.

    Attributes:
        version: of this format.
        sequence: landing order, growing over the workspace.
        path: the file as the caller named it.
        name: file name of the stored original.
        sha256, size: of the original bytes.
        encoding: of the text, or "" for binary formats.
        parts: the tables read from it, in order.
        findings: what concerns the file as a whole.
        certificate: what every row of the file is; () for files landed before it was kept.
        as_of: the day that its facts are as of, where something tells (see ``as_of``).
        full_register: whether a person said that it names every building of the portfolio.
        files: name of each file derived from it to the SHA-256 of its bytes; {} for files landed
            before hashes were kept.
    """

    version: int = FORMAT_VERSION
    sequence: int
    path: str
    name: str
    sha256: str
    size: int
    encoding: str
    parts: tuple[Part, ...]
    findings: tuple[Finding, ...] = ()
    certificate: tuple[Stretch, ...] = ()
    as_of: dt.date | None = None
    full_register: bool = False
    files: dict[str, str] = Field(default_factory=dict)


class Workspace:
    """The folder that holds all landed data; see the module's text for its layout.

    Args:
        root: the folder; it need not exist before ``create``.
    """

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)

    @property
    def landed(self) -> Path:
        """Folder of landed files, one subfolder per SHA-256."""
        return self.root / "landed"

    @property
    def mappings(self) -> Path:
        """Folder of mappings that people saved."""
        return self.root / "mappings"

    @property
    def drafts(self) -> Path:
        """Folder of unfinished mappings, one for each file that had to be asked about."""
        return self.root / "drafts"

    def save_draft(self, name: str, text: str) -> Path:
        """Write an unfinished mapping and return its file."""
        self.drafts.mkdir(parents=True, exist_ok=True)
        path = self.drafts / f"{name}.toml"
        with appearing_whole(path) as partial:
            partial.write_text(text, encoding="utf-8")
        return path

    @property
    def warehouse(self) -> Path:
        """Folder of the derived database."""
        return self.root / "warehouse"

    @property
    def learned(self) -> Path:
        """Folder of the records of what the portfolio taught, written once each."""
        return self.root / "learned"

    @property
    def predictions(self) -> Path:
        """Folder of what builds said of openings that later looks settled, a file a build."""
        return self.root / "predictions"

    @property
    def ledger(self) -> Path:
        """Folder of what people enter."""
        return self.root / "ledger"

    @property
    def rule_book(self) -> Path:
        """The optional file that overrides the shipped rule book."""
        return self.root / "rule_book.toml"

    @property
    def scratch(self) -> Path:
        """Folder for work in progress, on the same disk so that a rename can finish it."""
        return self.root / "scratch"

    @property
    def replaced(self) -> Path:
        """Folder of earlier readings while a file is read anew; empty between intakes."""
        return self.root / "replaced"

    @property
    def pending(self) -> Path:
        """Folder of marks, one for each file that the running intake has put in its place and that
        does not stand in the logbook yet; empty between intakes."""
        return self.root / "pending"

    def create(self) -> Workspace:
        """Make the folders where they are missing; return self."""
        if self.root.exists() and not self.root.is_dir():
            raise CoverplateError(
                f"{self.root} is a file",
                expected="a folder, or a path where one can be made",
                to_do="name another folder with --workspace",
            )
        for folder in (self.landed, self.mappings, self.warehouse, self.ledger):
            folder.mkdir(parents=True, exist_ok=True)
        return self

    def exists(self) -> bool:
        """Say whether anything was ever created here."""
        return self.landed.is_dir()

    def folder(self, sha256: str) -> Path:
        """Return the folder of a landed file."""
        return self.landed / sha256

    def manifests(self) -> list[Manifest]:
        """Return the manifests of all landed files, in landing order."""
        if not self.landed.is_dir():
            return []
        found = [
            read_manifest(path) for path in self.landed.glob("*/manifest.json") if path.is_file()
        ]
        return sorted(found, key=lambda manifest: manifest.sequence)

    def busy(self) -> bool:
        """Whether an intake is running; asked without writing anything."""
        try:
            with (self.root / ".lock").open("rb") as handle:
                return take_turn(handle, alone=False, wait=False) is False
        except OSError:  # never written to
            return False

    def derived_damage(self, manifest: Manifest) -> list[str]:
        """Return what is wrong with the files derived from a landed one, [] where nothing is."""
        parts = [part.file for part in manifest.parts]
        return damage(self.folder(manifest.sha256), manifest.files, parts)

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Keep a second writer out for the time of the block.

        Raises:
            CoverplateError: another intake is running on this workspace.
        """
        self.create()
        with (self.root / ".lock").open("a") as handle:
            if take_turn(handle, alone=True, wait=False) is False:
                raise CoverplateError(
                    f"another intake is running on {self.root}",
                    expected="one intake at a time",
                    to_do="wait until it has ended and try again",
                )
            yield


def read_manifest(path: Path) -> Manifest:
    """Read a manifest file.

    Raises:
        CoverplateError: the file is damaged or of a newer version.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content.get("version", 0) > FORMAT_VERSION:
            raise CoverplateError(
                f"{path} was written by a newer version of Coverplate",
                expected=f"version {FORMAT_VERSION} or older",
                to_do="update Coverplate",
            )
        return Manifest.model_validate(content)
    except CoverplateError:
        raise
    except ValueError as damaged:
        raise CoverplateError(
            f"{path} is damaged: {damaged}",
            to_do="move its folder out of the workspace and take the file in again; "
            "the original is inside",
        ) from damaged


def write_manifest(folder: Path, manifest: Manifest, changed: Collection[str] = ()) -> None:
    """Write a manifest into a folder, whole or not at all, with the hashes of the files there.

    Args:
        folder: of the landed file.
        manifest: what to write.
        changed: names of files that were written since the manifest's hashes were worked out.
    """
    sealed = manifest.model_copy(update={"files": seal(folder, manifest.files, changed)})
    with appearing_whole(folder / "manifest.json", durable=True) as partial:
        partial.write_text(sealed.model_dump_json(indent=1), encoding="utf-8")
