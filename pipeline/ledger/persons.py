"""Whether two names may be of one person or one firm, so that nobody proves their own repair.

Names are typed by hand, so they are compared by what a reader would take for the same: case,
accents, look-alike letters, punctuation, titles and the order of the parts do not matter, a
beginning may stand for any name that begins with it, initials for the names that begin with them, a
pet name for its full form, and one letter of a name may be a slip. A number without a name (a crew,
a licence) may be anybody's. A role ("Site manager") and what stands for a name ("N.N.") are nobody;
a surname that is also a role ("J. Porter") is one. Where in doubt two names are one.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from shared.shown import LOOK_ALIKES

_LETTERS = str.maketrans(
    {
        **dict(zip("łøđðıħŧ", "lodiht" + "t", strict=False)),
        "ß": "ss", "æ": "ae", "œ": "oe", "þ": "th",
        **LOOK_ALIKES,
    }
)  # fmt: skip
"""Letters without a decomposition, and Cyrillic and Greek ones that look like Latin ones."""


def _parts(name: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(
        each
        for each in plain
        if not unicodedata.combining(each) and unicodedata.category(each) != "Cf"
    ).translate(_LETTERS)
    # "ue" is how others write "ü", which has lost its dots by now
    for pair, single in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        letters = letters.replace(pair, single)
    # a figure typed for a letter it looks like
    letters = re.sub(r"(?<=[^\W\d_])0|0(?=[^\W\d_])", "o", letters)
    letters = re.sub(r"1(?=[^\W\d_])", "l", letters)
    letters = re.sub(r"5(?=[^\W\d_])", "s", letters)
    # a number alone tells crews apart; one that hangs on a name does not
    return re.findall(r"\b\d+\b|[^\W\d_]+", letters)


def _set(words: str) -> frozenset[str]:
    return frozenset(_parts(words))


_TITLES = _set(
    "mr mrs ms miss mx dr prof sir madam herr frau jr sr ii iii electrician elec electr inspector "
    "insp technician tech foreman master journeyman apprentice licensed licence license lic reg nr "
    "number id the by"
)
"""Words beside a name that are none."""

_NOBODY = _set(
    "same as above ditto idem unknown unnamed none no nobody anonymous na n a tbd tba self me "
    "myself various several somebody someone staff crew team worker owner tenant firm company "
    "contractor see x xx xxx y z xy xyz abc nn asdf name person"
)
"""Words that name nobody in particular."""

_BESIDE = frozenset(word for word in _NOBODY if len(word) > 3)
"""Those of them that are no name where they stand beside one: "Orme (tenant)"."""

_STAND_INS = tuple(
    map(_set, ("john doe", "jane doe", "joe bloggs", "max mustermann", "john q public"))
)
"""Names that stand for anybody's."""

_ROLES = _set(
    "manager management supervisor superintendent caretaker janitor concierge custodian handyman "
    "handywoman maintenance landlord landlady lessee lessor resident occupant occupier "
    "householder electricians inspectors inspection engineer surveyor assessor auditor officer "
    "official operator installer builder employee colleague coworker assistant helper admin "
    "administrator user tester client customer neighbor neighbour receptionist secretary wireman "
    "lineman subcontractor sub site building property facility facilities housing estate "
    "department dept authority council city municipal jurisdiction ahj insurer insurance utility "
    "office third party independent external internal qualified competent authorised authorized "
    "responsible certified senior junior assigned duty block floor on in at of for from our his "
    "her their my who ever whoever whom hausmeister elektriker mieter vermieter unbekannt prufer "
    "inquilino electricista conserje desconocido gardien locataire inconnu"
)
"""Roles, and words beside them: whoever is called so may be anybody. Common practice, no source."""

_ROLES_AND_SURNAMES = _set(
    "agent boss carpenter chief clerk day driver fitter foreman glazier guard guest head house "
    "joiner lead mason master mechanic night painter plumber porter sparks sparky steward super "
    "warden"
)
"""Roles that are surnames too: with a first name or its letter they are a person."""

_PET_NAMES = tuple(
    _set(names)
    for names in (
        "robert rob bob bobby robbie", "william will bill billy liam", "richard rick dick richie",
        "james jim jimmy jamie", "john jack johnny", "edward ed ted eddie ned", "henry harry hank",
        "charles charlie chuck", "anthony tony", "margaret peggy meg maggie", "elizabeth liz beth "
        "bess betty", "katherine catherine kate kathy", "mary polly molly", "francis frank",
        "alexander sandy sasha", "theodore ted", "joseph joe", "lawrence larry", "harold hal",
        "dorothy dot dolly", "sarah sally", "helen nell nelly", "ellen nell nelly",
    )
)  # fmt: skip
"""Given names and short forms that do not begin alike. From memory."""

_FIRM_WORDS = _set(
    "ltd limited llc llp inc incorporated corp corporation co company plc gmbh ag sa sarl bv "
    "electric electrical electrics electricians wiring services service contractors contractor "
    "contracting solutions group holdings sons daughters son and of the bros brothers"
)
"""Words of a firm's name that others have too."""


def names_somebody(name: str | None) -> bool:
    """Say whether a cell names a person: a role, or what stands for a name, is none."""
    if name is None:
        return False
    parts = _parts(name)
    if set(parts) <= _NOBODY | _TITLES or set(parts) in _STAND_INS:
        # "A. Foreman" is a person, "a foreman" none
        return _initials_and_surname(name, parts)
    roles = _ROLES | _ROLES_AND_SURNAMES
    own = [part for part in parts if part not in _NOBODY | _TITLES | roles]
    if not set(parts) & (roles | _TITLES) or any(len(part) > 1 or part.isdigit() for part in own):
        return bool(own)
    return _initials_and_surname(name, parts)  # letters at most, such as "Technician B"


def _initials_and_surname(name: str, parts: list[str]) -> bool:
    """Say whether a name is letters and one word that may be a surname: "A. Porter"."""
    words = [part for part in parts if len(part) > 1]
    letters = [part for part in parts if len(part) == 1 and part.isalpha()]
    return (
        len(words) == 1
        and words[0] in _ROLES_AND_SURNAMES
        and bool(letters)
        and not re.match(r"[Aa]n?\s+[a-z]", name.strip())
    )


def _names_firm(name: str | None) -> bool:
    """Say whether a cell names a firm at all; an owner's "Maintenance" may be one."""
    return name is not None and not set(_parts(name)) <= _NOBODY | _TITLES


def _own(name: str, beside: frozenset[str]) -> list[str]:
    """Return the words of a name without titles, roles and what else stands beside it."""
    parts = _parts(name)
    # of a firm called "Maintenance" all words are its own
    own = [part for part in parts if part not in beside] or [p for p in parts if p not in _TITLES]
    titled = len(own) > 1 and own[0] in _ROLES_AND_SURNAMES and max(map(len, own[1:])) > 1
    if titled and not re.match(r"\W*\w+\s*,", name):  # "Carpenter Orme", not "Carpenter, John"
        return own[1:]
    return own


def may_be_one(one: str, other: str, firm: str = "") -> bool:
    """Say whether two names may be of the same person.

    Args:
        one, other: the names; "Smith, J." may be "John Smith", and so may "Smith".
        firm: of the firm that either may belong to; its words are no part of a name.
    """
    beside = _TITLES - _ROLES_AND_SURNAMES | _ROLES | _BESIDE
    first = _own(one, beside | (frozenset(_parts(firm)) - frozenset(_parts(other))))
    second = _own(other, beside)
    if "".join(first) == "".join(second):
        return True  # "Anne-Marie" and "Annemarie"
    if _names_no_one(first) != _names_no_one(second):
        return True  # "lic 4711" may be anybody's
    if _initials(first, second) or _initials(second, first):
        return True
    shorter, longer = sorted((first, second), key=len)
    left = list(longer)
    unlike = []
    for part in sorted(shorter, key=len, reverse=True):
        match = next((each for each in left if _agree(part, each)), None)
        if match is None:
            unlike.append(part)
        else:
            left.remove(match)
    if len(unlike) == 1 and len(shorter) > 1:  # the rest agrees: a slip, or a short form
        return any(
            _one_letter_apart(unlike[0], each) or _short_form(unlike[0], each) for each in left
        )
    return not unlike


def _names_no_one(parts: list[str]) -> bool:
    """Say whether a number is all that tells who it is; words that name nobody are not asked."""
    others = [part for part in parts if not part.isdigit()]
    return len(others) < len(parts) and set(others) <= _NOBODY | _TITLES | _ROLES_AND_SURNAMES


def _initials(short: list[str], names: list[str]) -> bool:
    """Say whether one part, "bt", is made of the first letters of two or more names."""
    return len(short) == 1 and len(names) > 1 and sorted(short[0]) == sorted(n[0] for n in names)


def may_be_of_firm(name: str, firm: str) -> bool:
    """Say whether who looked may stand under the name of a firm: they share a word of its own."""
    own = set(_parts(firm)) - _FIRM_WORDS - _NOBODY
    return bool(own & (set(_parts(name)) - _FIRM_WORDS - _TITLES - _NOBODY))


@lru_cache(maxsize=4096)
def firm_name(name: str) -> str:
    """Return a firm's name as money is held together by it: the words that are its own, however
    it writes them and whatever stands beside them; all its words where none is its own.

    Two names with the same are one firm. Who asks in doubt whether two may be one, as a proof
    must, goes by ``may_be_one_firm``.
    """
    parts = set(_parts(name))
    return " ".join(sorted(parts - _FIRM_WORDS or parts)) or name.casefold().strip()


def may_be_one_firm(one: str, other: str) -> bool:
    """Say whether two names may be of the same firm: they share a word that is its own."""
    first, second = (set(_parts(name)) - _FIRM_WORDS for name in (one, other))
    if not first or not second:
        return True  # nothing in them that tells one firm from another
    return bool(first & second)


def is_another_firm(one: str | None, other: str | None) -> bool:
    """Say whether two names are shown to be of different firms: an unknown firm is no other one."""
    if one is None or other is None or not (_names_firm(one) and _names_firm(other)):
        return False
    return not may_be_one_firm(one, other)


def _agree(one: str, other: str) -> bool:
    short, long = sorted((one, other), key=len)
    return long.startswith(short)


def _short_form(one: str, other: str) -> bool:
    """Say whether a given name may be short for another: Dora or Thea for Dorothea."""
    if any({one, other} <= names for names in _PET_NAMES):
        return True
    short, long = sorted((one, other), key=len)
    return one[:_BEGINS] == other[:_BEGINS] or (len(short) >= _LONG_ENOUGH and long.endswith(short))


def _one_letter_apart(one: str, other: str) -> bool:
    """Say whether one letter too many, too few or another makes one word of the other."""
    short, long = sorted((one, other), key=len)
    if len(short) < _LONG_ENOUGH or len(long) - len(short) > 1:
        return False
    same = next(
        (n for n, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short)
    )
    rest = short[same:] if len(long) > len(short) else short[same + 1 :]
    return rest == long[same + 1 :]


_BEGINS = 3
"""First letters that a name and its short form have in common. Common practice, no source."""

_LONG_ENOUGH = 4
"""Letters of a word from which on a slip of one is told from another word."""
