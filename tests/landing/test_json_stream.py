"""A document read piece by piece is the document read whole."""

import json
import random

import pytest

from pipeline.landing.readers import json_stream

DOCUMENTS = [
    '[{"a": 12.5e-3, "b": [1, {"c": null}]}, 3 , -7, "x\\u00e9", true]',
    '{"k": 1, "l": [{"a":1},{"a":2.0}] , "m": {"n": [1]}, "z": [1,2,"3"]}',
    '[ {"a":1e5},{"a":"]}"} ] ',
    '{"":[{"a":1}],"b":2}',
    '[{"a":1,"b":"x"},{"a":2,"b":"y"},{"b":"z","a":3}]',
    '[{"a": "},{", "b": "\\":"}, {"a": 1}, {"a" : 2, "c": 3}]',
    '{"l":[{"a":{"b":1},"c":2},{"a":{"b":3},"c":4}]}',
    "[]",
    "{}",
]


@pytest.mark.parametrize(
    "twice",
    [
        '{"a":1,"a":2}',
        '{"a":1,"a" :2}',
        '{"a":1,"\\u0061":2}',
        '{"a" \n:1,"b":"\\":","a":2}',
        '{"b":{"a":1,"a":1}}',
    ],
)
def test_a_key_that_stands_twice_is_found_among_many(tmp_path, twice):
    path = tmp_path / "a.json"
    for number in (0, 1, 50, 99):
        objects = ['{"a":1,"b":2}'] * 100
        objects[number] = twice
        path.write_text("[" + ",".join(objects) + "]", encoding="utf-8")
        with pytest.raises(ValueError, match="stands twice"):
            list(json_stream.read_members(path))


def whole(text):
    try:
        return json.loads(text, object_pairs_hook=json_stream.each_once)
    except ValueError:
        return "refused"


def piecewise(path):
    try:
        members = list(json_stream.read_members(path))
    except ValueError:
        return "refused"
    if members and members[0].key is json_stream.WHOLE:
        return [member.value for member in members[1:]]
    found = {}
    for member in members:
        if member.number is None:
            found[member.key] = member.value
        elif member.number == 0:
            found[member.key] = []
        else:
            found[member.key].append(member.value)
    return found


def mutated(text, chance):
    for _ in range(chance.choice([0, 1, 1, 2])):
        at = chance.randrange(len(text) + 1)
        put = text[:at] + chance.choice('[]{},:"1 e-.\\nt') + text[at:]
        text = chance.choice([text[:at] + text[at + 1 :], put, text[:at]])
    return text


@pytest.mark.parametrize("size", [1, 2, 3, 7, 1 << 18])
def test_whole_and_damaged_documents_are_read_alike(tmp_path, monkeypatch, size):
    monkeypatch.setattr(json_stream, "CHUNK", size)
    chance = random.Random(size)
    path = tmp_path / "a.json"
    read = refused = 0
    for document in DOCUMENTS * 60:
        text = mutated(document, chance)
        if text.lstrip().startswith(("[", "{")):
            path.write_text(text, encoding="utf-8")
            assert piecewise(path) == whole(text), text
            read, refused = read + 1, refused + (whole(text) == "refused")
    assert read > 250
    assert 50 < refused < read - 50
