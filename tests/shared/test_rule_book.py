"""The rule book: complete, sourced, hashed by content, and every fault reported at once."""

import re
import tomllib

import pytest

from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book

TEXT = default_rule_book_text()
BOOK = parse_rule_book(TEXT)


def declared(node, path=""):
    """Walk parsed TOML: {value, unit, source} is one number, {mean, strength, ...} is two."""
    if isinstance(node, dict):
        if "value" in node:
            yield path, node["value"]
        elif "mean" in node and "strength" in node:
            yield f"{path}.mean", node["mean"]
            yield f"{path}.strength", node["strength"]
        else:
            for key, member in node.items():
                yield from declared(member, f"{path}.{key}" if path else key)


def test_numbers_lists_every_number_of_the_file():
    listed = {path: value for path, value, *_ in BOOK.numbers()}
    assert listed == {path: float(value) for path, value in declared(tomllib.loads(TEXT))}
    assert len(listed) == len(list(BOOK.numbers())) > 150


def test_no_number_stands_in_the_file_without_unit_and_source():
    def bare(node, path=""):
        if isinstance(node, bool | str):
            return
        if isinstance(node, int | float):
            yield path
        elif isinstance(node, list):
            for place, member in enumerate(node):
                yield from bare(member, f"{path}[{place}]")
        elif "unit" not in node or not node.get("source"):
            for key, member in node.items():
                yield from bare(member, f"{path}.{key}")

    assert list(bare(tomllib.loads(TEXT))) == []


def test_every_number_has_unit_meaning_and_source():
    lacking = [entry[0] for entry in BOOK.numbers() if not all(text.strip() for text in entry[2:])]
    assert lacking == []


def test_hash_is_of_the_content_not_of_the_text():
    head, *sections = re.split(r"(?m)^(?=\[)", TEXT)
    shuffled = head + "".join(
        section
        for section in sections
        if not section.startswith("[eras.")  # bands follow one another, their order says so
    )
    shuffled = "\n".join(
        "# a remark\n" + "".join(section)
        for section in reversed(re.split(r"(?m)^(?=\[)", shuffled))
    ) + "".join(section for section in sections if section.startswith("[eras."))
    assert shuffled != TEXT
    assert parse_rule_book(shuffled.replace(" = ", "   =  ")).hash == BOOK.hash
    assert parse_rule_book(TEXT.replace("value = 120.0", "value = 120")).hash == BOOK.hash


CHANGEABLE = list(re.finditer(r"(?:value|mean|strength) = (-?[\d.]+)", TEXT))


@pytest.mark.slow
def test_hash_changes_with_any_number():
    seen = {BOOK.hash}
    refused = 0
    for place, match in enumerate(CHANGEABLE):
        nudged = repr(float(match[1]) * (1 + 1e-9) + 1e-9 * (float(match[1]) == 0))
        text = TEXT[: match.start(1)] + nudged + TEXT[match.end(1) :]
        try:
            seen.add(parse_rule_book(text).hash)
        except CoverplateError:
            refused += 1  # a nudge out of its range
        assert len(seen) + refused == place + 2, match[0]
    assert refused < 30
    assert len(CHANGEABLE) == len(list(BOOK.numbers()))


def test_hash_changes_with_a_source():
    text = TEXT.replace('source = "judgement" }', 'source = "our own count, 2024" }', 1)
    assert parse_rule_book(text).hash != BOOK.hash


def spoiled(*changes):
    text = TEXT
    for old, new in changes:
        assert re.search(old, text), old
        text = re.sub(old, new, text, count=1)
    return text


SPOILS = {
    "circuit.supply_volts": (r"supply_volts = \{ value = 120.0", "supply_volts = { value = -1"),
    "evidence.look_floor": (r"look_floor = \{ value = 0.0003", 'look_floor = { value = "low"'),
    "exposure.wet_factor": (r'(wet_factor = .*), source = "judgement"', r"\1"),
    "harm.nonsense": (r"\[harm\]", "[harm]\nnonsense = 1"),
    "scoring.top": (r"top = \{ value = 10,[^\n]*", ""),
    "eras.from_1987.converted": (
        r"(?s)(\[eras.from_1987\].*?converted = \{ mean = )0.4",
        r"\g<1>1.4",
    ),
}


def test_every_fault_is_reported_together():
    with pytest.raises(CoverplateError) as refused:
        parse_rule_book(spoiled(*SPOILS.values()), "mine.toml")
    message = str(refused.value)
    assert f"mine.toml has {len(SPOILS)} fault(s)" in message
    for place in SPOILS:
        assert place in message
    assert "What to do:" in message


@pytest.mark.parametrize("place", SPOILS)
def test_each_fault_alone_is_reported_at_its_place(place):
    with pytest.raises(CoverplateError, match=r"has 1 fault\(s\)") as refused:
        parse_rule_book(spoiled(SPOILS[place]))
    assert place in str(refused.value)


@pytest.mark.parametrize(
    "change,message",
    [
        ((r"first_year = \{ value = 1940", "first_year = { value = 1941"), "does not start"),
        ((r"\[selection.survey\]\n.*\n.*\n", ""), "selection odds are missing for survey"),
        ((r"knob_and_tube = \{.*\n", ""), "wiring_odds is missing for knob_and_tube"),
        ((r"open_hot_share = \{ value = 0.39", "open_hot_share = { value = 0.5"), "add up to 1.11"),
    ],
)
def test_numbers_that_do_not_go_together_are_refused(change, message):
    with pytest.raises(CoverplateError, match=message):
        parse_rule_book(spoiled(change))


def test_faults_between_sections_are_reported_together():
    with pytest.raises(CoverplateError) as refused:
        parse_rule_book(
            spoiled(
                (r"first_year = \{ value = 1940", "first_year = { value = 1941"),
                (r"knob_and_tube = \{.*\n", ""),
            )
        )
    assert "does not start" in str(refused.value)
    assert "wiring_odds is missing" in str(refused.value)


@pytest.mark.parametrize("number", ["inf", "nan", "-inf"])
def test_numbers_are_finite(number):
    with pytest.raises(CoverplateError, match=r"circuit\.body_ohms"):
        parse_rule_book(
            spoiled((r"body_ohms = \{ value = 1000.0", f"body_ohms = {{ value = {number}"))
        )


def test_files(tmp_path):
    assert load_rule_book().hash == BOOK.hash
    own = tmp_path / "own.toml"
    own.write_text(TEXT, encoding="utf-8")
    assert load_rule_book(own).hash == BOOK.hash
    with pytest.raises(CoverplateError, match="cannot be read"):
        load_rule_book(tmp_path / "absent.toml")
    own.write_bytes(b"\xff\xfe")
    with pytest.raises(CoverplateError, match="cannot be read"):
        load_rule_book(own)
    own.write_text("[circuit", encoding="utf-8")
    with pytest.raises(CoverplateError, match="not valid TOML"):
        load_rule_book(own)
