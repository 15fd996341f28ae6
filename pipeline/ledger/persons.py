"""Whether two names may be of one person or one firm, so that nobody proves their own repair.

Names are typed by hand, so they are compared by what a reader would take for the same: case,
accents, look-alike letters, punctuation, titles and the order of the parts do not matter, a
beginning may stand for any name that begins with it, initials for the names that begin with them, a
short form for its full one (``short_names``), and a letter of each name may be a slip. Under one
surname two first names are two people only where they are plainly two names, or where two licence
numbers tell them apart. A number without a name (a crew, a licence) may be anybody's.

A person is a surname and something beside it: a first name or its letter, "Mr.", a number. One word
alone may be no name at all ("Dad", "OK"); a role ("Site manager") and what stands for a name
("N.N.") are nobody; a surname that is also a role ("J. Porter") is one. Where in doubt two names
are one.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from pipeline.ledger.short_names import SHORT_FORMS, is_within, short_form, without_dots
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
    letters = without_dots(letters)  # "ü" has lost its dots by now
    letters = re.sub(r"['’]", "", letters)  # O'Brien, Obrien
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
    "contractor see x xx xxx y z xy xyz abc nn asdf name person men man guys people persons "
    "not recorded stated known given noted written named shown told illegible unreadable invoice "
    "report receipt per rep reps representative pending done ok okay yes signed checked "
    "vacant nil null void unk nk et al others other mate mates before later anyone dont know"
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
    "inquilino electricista conserje desconocido gardien locataire inconnu dad daddy father mum "
    "mom mother brother sister uncle aunt cousin friend spouse husband wife partner relative "
    "reviewer verifier checker president director ceo cfo qc qa pm eic investor volunteer temp "
    "trainee intern electrical electric sparkie shift watch charge portero encargado vecino "
    "gerant syndic vermieterin hausmeisterin geselle azubi lehrling inspecteur secretario subject"
)
"""Roles, and words beside them: whoever is called so may be anybody. Common practice, no source."""

_ROLES_AND_SURNAMES = _set(
    "agent boss carpenter chief clerk day driver fitter foreman glazier guard guest head house "
    "joiner lead mason master mechanic meister night painter plumber porter sparks sparky steward "
    "super warden"
)
"""Roles that are surnames too: with a first name or its letter they are a person."""

_FIRM_WORDS = _set(
    "ltd limited llc llp inc incorporated corp corporation co company plc gmbh ag sa sarl bv "
    "electric electrical electrics electricians wiring services service contractors contractor "
    "contracting solutions group holdings sons daughters son and of the bros brothers elec elektro "
    "www com net org"
)
"""Words of a firm's name that others have too."""

_HOUSE_WORDS = _set(
    "in house own inhouse staff crew crews maintenance estate office housing authority property "
    "management department dept landlord owner facilities facility council municipal caretaker "
    "building site team works direct labour labor agency trust"
)
"""Words of whoever owns or keeps a building and does its own work, under many names."""

_NO_FIRM = _set("subcontractor subcontractors contractors private trade tradesman")
"""Words, beside those that name nobody, of a firm that is not named."""


def names_somebody(name: str | None) -> bool:
    """Say whether a cell names a person, so that others can be told from them.

    A role, one word alone, letters alone, and what stands for a name, are none; nor is a name with
    others beside it that are not named ("D. Orme + 1").
    """
    if name is None or _OTHERS_BESIDE.search(name):
        return False
    parts = _parts(name)
    if set(parts) <= _NOBODY | _TITLES or set(parts) in _STAND_INS:
        # "A. Foreman" is a person, "a foreman" none
        return _initials_and_surname(name, parts)
    if any(part.isdigit() for part in parts):
        return not set(parts) & _COUNTED  # a crew or a licence, no "2 men"
    own = [part for part in parts if part not in _NOBODY | _TITLES | _ROLES | _ROLES_AND_SURNAMES]
    words = [part for part in own if len(part) > 1]
    if not words:
        return _initials_and_surname(name, parts)  # letters at most, such as "Technician B"
    if len(words) > 1 or any(part >= _WRITTEN_AS_ONE for part in words):
        return True
    return any(len(part) == 1 or part in _ROLES_AND_SURNAMES | _HONORIFICS for part in parts)


_HONORIFICS = _set("mr mrs ms miss mx dr prof sir madam herr frau jr sr")
"""Titles that only a person has."""

_OTHERS_BESIDE = re.compile(
    r"\+\s*\d|\bet\.? ?al\b|(\+|&|\band)\s*(an?\s+|his\s+|her\s+|the\s+)?(co|crew|team|mates?|"
    r"helpers?|others?|apprentice|son|colleagues?|man|men|assistant)\b|\bn/[ka]\b"
    r"|\b(colleague|friend|mate|helper|son|wife|brother|boss|assistant|apprentice) (of|to)\b",
    re.I,
)
"""Words that more people were there than are named, or another than who is, and "n/k"."""

_COUNTED = _set("men man guys people persons see invoice bill report receipt per page job order")
"""Words whose number is no person's."""

_WRITTEN_AS_ONE = "\u2e80"
"""From this letter on full names are written without a space."""


def may_name_somebody(name: str | None) -> bool:
    """Say whether a cell holds a word that may be of a name, be it no person's full one."""
    return name is not None and bool(
        set(_parts(name)) - _NOBODY - _TITLES - _ROLES - _ROLES_AND_SURNAMES
    )


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
    """Say whether a cell names a firm at all; an owner's "Maintenance" is one."""
    if name is None or re.fullmatch(r"\W*n/[ka]\W*", name, re.I):
        return False
    return not set(_parts(name)) <= (_NOBODY | _TITLES | _NO_FIRM) - _HOUSE_WORDS


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
    licences = _licence(one), _licence(other)
    if all(licences):
        return licences[0] == licences[1]
    if _names_no_one(first) != _names_no_one(second):
        return True  # "lic 4711" may be anybody's
    if _initials(first, second) or _initials(second, first):
        return True
    shorter, longer = sorted((first, second), key=len)
    left = list(longer)
    unlike = []
    surnames = 0
    for part in sorted(shorter, key=len, reverse=True):
        match = min(left, key=lambda each: _apart(part, each), default=None)
        if match is None or _apart(part, match) == _UNLIKE:
            unlike.append(part)
        else:
            left.remove(match)
            surnames += len(part) > 1 and len(match) > 1
    if len(unlike) == 1 and (surnames or len(shorter) == 1):  # the rest agrees: a short form
        return any(short_form(unlike[0], each) for each in left)
    if len(unlike) == 1:  # "Mike O." and "Michael Orme"
        return any({unlike[0], each} <= names for each in left for names in SHORT_FORMS)
    return not unlike


def _licence(name: str) -> str:
    """Return the number of a licence, badge or card that stands beside a name; "" for none."""
    found = re.search(
        r"\b(?:lic(?:en[cs]ed?)?|reg(?:istration)?|badge|card|cert(?:ificate)?)\b[\s.:#]*"
        r"(?:no|nr|number|id)?[\s.:#]*([a-z]{0,3}[\s-]?\d[\d-]*)",
        name.casefold(),
    )
    return re.sub(r"\W", "", found[1]) if found else ""


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
    """Say whether two names may be of the same firm: they share a word that is its own, or nearly
    one, or one is made of the other's letters; who does the work of a house has many names."""
    parts = _parts(one), _parts(other)
    first, second = (set(each) - _FIRM_WORDS for each in parts)
    if not first or not second or first & second:
        return True  # nothing in them that tells one firm from another
    if (first <= _HOUSE_WORDS and second & _HOUSE_WORDS) or (
        second <= _HOUSE_WORDS and first & _HOUSE_WORDS
    ):
        return True
    joined = ["".join(p for p in each if p not in _FIRM_WORDS) for each in parts]
    if _one_spelling(*joined) or any(_one_spelling(a, b) for a in first for b in second):
        return True
    whole = ["".join(each) for each in parts]
    return any(
        len(short) <= _LETTERS_OF_A_FIRM and short[0] == long[0] and is_within(short, long)
        for short, long in zip(joined, reversed(whole), strict=True)
    )


def _one_spelling(one: str, other: str) -> bool:
    """Say whether two words may be one: a beginning, or slips, more of them in a long one."""
    short, long = sorted((one, other), key=len)
    if len(short) < _LONG_ENOUGH:
        return False
    slips = 1 + (len(short) >= 2 * _LONG_ENOUGH)
    return long.startswith(short) or _slips(short, long) <= slips


_LETTERS_OF_A_FIRM = 3
"""Letters by which a firm may be called: "PE", "PWE". Judgement."""


def is_another_firm(one: str | None, other: str | None) -> bool:
    """Say whether two names are shown to be of different firms: an unknown firm is no other one."""
    if one is None or other is None or not (_names_firm(one) and _names_firm(other)):
        return False
    return not may_be_one_firm(one, other)


_SAME, _BEGINNING, _SLIP, _UNLIKE = range(4)


def _apart(one: str, other: str) -> int:
    """Say how two words of names differ: not at all, one begins the other, by a slip, or wholly."""
    short, long = sorted((one, other), key=len)
    if short == long:
        return _SAME
    if long.startswith(short):
        return _BEGINNING
    slip = len(short) >= _LONG_ENOUGH and _slips(short, long) <= 1
    return _SLIP if slip else _UNLIKE


def _slips(one: str, other: str) -> int:
    """Letters too many, too few, other ones and neighbours that changed places, least in number."""
    before: list[int] = []
    row = list(range(len(other) + 1))
    for n, letter in enumerate(one, 1):
        last, before, row = before, row, [n]
        for m, against in enumerate(other, 1):
            least = min(before[m] + 1, row[m - 1] + 1, before[m - 1] + (letter != against))
            if n > 1 and m > 1 and letter == other[m - 2] and one[n - 2] == against:
                least = min(least, last[m - 2] + 1)
            row.append(least)
    return row[-1]


_LONG_ENOUGH = 4
"""Letters of a word from which on a slip of one is told from another word."""
