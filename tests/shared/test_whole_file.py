"""Files that appear whole or not at all."""

from __future__ import annotations

import pytest

from shared.whole_file import appearing_whole


@pytest.mark.parametrize("durable", [False, True])
def test_takes_the_place_of_what_was_there(tmp_path, durable):
    target = tmp_path / "history.jsonl"
    target.write_text("old")
    with appearing_whole(target, durable=durable) as partial:
        partial.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_leaves_what_was_there_and_nothing_else_if_writing_fails(tmp_path):
    target = tmp_path / "history.jsonl"
    target.write_text("old")
    with pytest.raises(RuntimeError), appearing_whole(target) as partial:
        partial.write_text("half")
        raise RuntimeError
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]
