"""The refusal that asks: a file, or a table of it, can be read more than one way."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass

from shared.faults import CoverplateError


@dataclass(frozen=True)
class Question:
    """Something that only a person can settle before a table is read.

    Attributes:
        slug: stable name of the kind of question.
        column: the canonical column it is about, "" where it is about none.
        found: what makes it open, with values.
        answers: texts for ``--set`` that settle it, the likeliest first.
    """

    slug: str
    column: str
    found: str
    answers: tuple[str, ...] = ()


class OpenQuestionError(CoverplateError):
    """A file that can be read more than one way, or that nothing fits: a person must say which.

    Attributes:
        questions: what is open.
        draft: the mapping as far as it goes, as TOML with the questions as comments; "" for none.
        name: name of the draft.
    """

    def __init__(
        self,
        found: str,
        *,
        expected: str,
        to_do: str,
        questions: Sequence[Question],
        draft: str = "",
        name: str = "",
    ) -> None:
        super().__init__(found, expected=expected, to_do=to_do)
        self.questions = tuple(questions)
        self.draft = draft
        self.name = name


def refusal(questions: Sequence[Question], expected: str) -> OpenQuestionError:
    """Return the refusal of a file of which something is open that its rows do not settle."""
    answers = [f"--set {shlex.quote(q.answers[0])}" for q in questions if q.answers]
    others = [shlex.quote(answer) for q in questions for answer in q.answers[1:]]
    more = f" (or, with --set, another answer: {'; '.join(others)})" if others else ""
    return OpenQuestionError(
        "; ".join(q.found for q in questions),
        expected=expected,
        to_do=f"answer with {' '.join(answers)}{more}; the answer is kept",
        questions=questions,
    )
