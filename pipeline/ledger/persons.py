"""Whether two names may be of one person, so that nobody proves their own repair."""

from __future__ import annotations

import re
import unicodedata


def may_be_one(one: str, other: str) -> bool:
    """Say whether two names may be of the same person.

    Case, accents, punctuation and the order of the names do not matter, and an initial may stand
    for any name that begins with it: "Smith, J." may be "John Smith", and so may "Smith".
    """
    shorter, longer = sorted((_parts(one), _parts(other)), key=len)
    left = list(longer)
    for part in sorted(shorter, key=len, reverse=True):
        match = next((each for each in left if _agree(part, each)), None)
        if match is None:
            return False
        left.remove(match)
    return True


def _parts(name: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(each for each in plain if not unicodedata.combining(each))
    return re.findall(r"\w+", letters)


def _agree(one: str, other: str) -> bool:
    short, long = sorted((one, other), key=len)
    return short == long or (len(short) == 1 and long.startswith(short))
