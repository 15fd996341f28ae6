"""Finds one building under two spellings: ``0042`` and ``42.0``, ``B-7``, ``b-07`` and ``B7``,
``12`` and ``Bldg 12``, ``Rowan Hse.`` and ``Rowan House``, ``1.2E+03`` and ``1200``.

Leading zeros count, so nothing is put together unasked; but two identifiers that differ in zeros,
case, a decimal tail, a mark beside a letter, a word that is usually shortened or letters that look
alike only are far more often one building than two, and as two each would have half of the
evidence. A person says which, and the answer is kept in the mapping.
"""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Sequence
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import parquet

from pipeline.landing.current import SMALL
from pipeline.landing.open_question import OpenQuestionError, Question
from pipeline.landing.outcomes import Landing
from pipeline.landing.workspace import Manifest, Part, Workspace
from shared.records import literal
from shared.shown import LOOK_ALIKES

FILE = "buildings.parquet"
"""In the folder of a landed file: the identifiers of its buildings."""

MOST = 20


_SHORT = {
    "st": "street",
    "ave": "avenue|av",
    "rd": "road",
    "ln": "lane",
    "dr": "drive",
    "ct": "court",
    "pl": "place",
    "sq": "square",
    "ter": "terrace|terr",
    "blvd": "boulevard",
    "hse": "house",
    "apts": "apartments",
    "twr": "tower",
    "gdns": "gardens",
}
"""Words of addresses and names as they are shortened. Common practice, no source."""


def same_when(identifier: str) -> str:
    """Return SQL of the form in which two spellings of an identifier are the same."""
    figures = "[0-9](\\.[0-9]+)?e\\+[0-9]{1,2}"
    tailless = (
        f"regexp_replace(CASE WHEN regexp_full_match(lower({identifier}), '{figures}') "
        f"THEN TRY_CAST(TRY_CAST({identifier} AS DOUBLE) AS HUGEINT)::VARCHAR "
        f"ELSE lower({identifier}) END, '\\.0+$', '')"
    )
    tailless = (
        f"regexp_replace({tailless}, '^(building|bldg|bld|block|blk)[-_.:# ]*"
        "((no|number)[-_.:# ]+)?([0-9])', '\\4')"
    )
    for short, words in _SHORT.items():
        tailless = f"regexp_replace({tailless}, '\\b({words})\\b', '{short}', 'g')"
    tailless = f"regexp_replace({tailless}, '(\\pL)\\.$', '\\1')"
    # a mark between two figures parts numbers: 1-12 is not 11-2
    joined = f"regexp_replace({tailless}, '(\\pL)[-_./# ]+', '\\1', 'g')"
    joined = f"regexp_replace({joined}, '[-_./# ]+(\\pL)', '\\1', 'g')"
    return f"regexp_replace({joined}, '(^|[^0-9])0+([0-9])', '\\1\\2', 'g')"


def write_buildings(con: duckdb.DuckDBPyConnection, folder: Path, parts: Sequence[Part]) -> None:
    """Write the identifiers of the buildings that valid rows of a file name."""
    named: set[str] = set()
    for part in parts:
        file = folder / part.file
        if part.rows_read > SMALL:
            named |= {
                name
                for (name,) in con.execute(
                    f"SELECT DISTINCT building_id FROM read_parquet({literal(str(file))}) "
                    "WHERE _reasons IS NULL"
                ).fetchall()
            }
            continue
        # a query costs more than a small file
        table = parquet.read_table(
            file, columns=["building_id", "_reasons"], read_dictionary=["building_id"]
        )
        valid = table.filter(pc.is_null(table["_reasons"]))
        named |= set(pc.unique(valid["building_id"]).to_pylist())
    column = pa.array(sorted(name for name in named if name is not None), pa.string())
    parquet.write_table(pa.table({"building_id": column}), folder / FILE)


def spelling_questions(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    landings: Sequence[Landing],
) -> list[tuple[int, OpenQuestionError]]:
    """Ask where a building of a new file is spelt like another one, of the file or landed before.

    Args:
        con: any connection.
        workspace: where the earlier files are.
        earlier: their manifests.
        landings: the new files in landing order, their buildings written; the mappings of their
            parts may say that a spelling is another building.

    Returns:
        Which of the new files, and the question.
    """
    files = [workspace.folder(manifest.sha256) / FILE for manifest in earlier]
    tables = [_named_in(file, -1) for file in files if file.is_file()]
    tables += [_named_in(landing.folder / FILE, n) for n, landing in enumerate(landings)]
    con.register("named_buildings", pa.concat_tables(tables))
    apart = [
        (number, name)
        for number, landing in enumerate(landings)
        for part in landing.manifest.parts
        for name in part.reading.distinct
    ]
    con.register(
        "named_apart",
        pa.table(
            {
                "file": pa.array([number for number, _ in apart], pa.int32()),
                "building_id": pa.array([name for _, name in apart], pa.string()),
            }
        ),
    )
    rows = con.execute(
        f"WITH named AS (SELECT building_id, file, {same_when('looks')} AS form "
        "FROM named_buildings), "
        "several AS (SELECT form FROM named GROUP BY form "
        "HAVING count(DISTINCT building_id) > 1), "
        "open AS (SELECT DISTINCT building_id, file, form FROM named "
        "SEMI JOIN several USING (form)), "
        "own AS (SELECT * FROM open WHERE file >= 0 "
        "AND (file, building_id) NOT IN (SELECT file, building_id FROM named_apart)) "
        "SELECT n.file, n.form, n.building_id, min(k.building_id) "
        "FILTER (k.building_id <> n.building_id), "
        "arg_min(k.building_id, {'file': k.file, 'name': k.building_id}) "
        "FROM own AS n JOIN open AS k ON k.form = n.form AND k.file <= n.file "
        "AND (n.file, k.building_id) NOT IN (SELECT file, building_id FROM named_apart) "
        "GROUP BY 1, 2, 3 HAVING count(DISTINCT k.building_id) > 1 ORDER BY 1, 3"
    ).fetchall()
    con.unregister("named_buildings")
    con.unregister("named_apart")
    asked = []
    for number in range(len(landings)):
        own = [(form, name, other, first) for n, form, name, other, first in rows if n == number]
        # one spelling for all of a building, so that no answer opens the next question
        pairs = [(name, first) for _, name, _, first in own if name != first]
        told = {form for form, name, _, first in own if name != first}
        pairs += [(name, other) for form, name, other, _ in own if form not in told]
        if pairs:
            asked.append((number, _question(pairs)))
    return asked


def _named_in(file: Path, number: int) -> pa.Table:
    names = parquet.read_table(file, columns=["building_id"])["building_id"].cast(pa.string())
    looks = names
    if not pc.all(pc.string_is_ascii(names), min_count=0).as_py():
        looks = pa.array([_looks(name) for name in names.to_pylist()], pa.string())
    files = pa.array([number] * len(names), pa.int32())
    return pa.table({"building_id": names, "looks": looks, "file": files})


def _looks(name: str) -> str:
    """What a reader sees of an identifier: one sort of dash, and of letters that look alike."""
    if name.isascii():
        return name
    plain = unicodedata.normalize("NFKC", name).casefold()
    dashed = "".join("-" if unicodedata.category(c) == "Pd" or c == "\u2212" else c for c in plain)
    return dashed.translate(_LOOK_ALIKES)


_LOOK_ALIKES = str.maketrans(LOOK_ALIKES)


def _question(pairs: Sequence[tuple[str, str]]) -> OpenQuestionError:
    told = ", ".join(f"{a!r} and {b!r}" for a, b in pairs[:MOST])
    found = f"buildings that may be one under two spellings: {told}"
    found += " …" if len(pairs) > MOST else ""
    first, second = pairs[0]
    answers = (f"building_id:{first}={second}", f"different={first}")
    one = " ".join(f"--set {shlex.quote(f'building_id:{a}={b}')}" for a, b in pairs[:MOST])
    return OpenQuestionError(
        found,
        expected="one spelling for each building",
        to_do=f"say that they are one with {one}, or two with --set {shlex.quote(answers[1])} "
        "(once for each pair); the answer is kept",
        questions=[Question("spellings", "building_id", found, answers)],
    )
