"""Given names and their short forms: which two may be of one person.

Common practice, no source. Names in no table are compared by their letters; in doubt they are one.
"""

from __future__ import annotations

import re


def without_dots(text: str) -> str:
    """Return letters with "u" for "ue", which is how others write "ü": names are compared so."""
    for pair, single in (("ae", "a"), ("oe", "o"), ("ue", "u")):
        text = text.replace(pair, single)
    return text


SHORT_FORMS = tuple(
    frozenset(without_dots(names).split())
    for names in (
        "robert rob bob bobby robbie roberto beto bert", "william will bill billy liam wm wilhelm",
        "richard rick dick richie rich ricardo", "james jim jimmy jamie jas jem santiago diego",
        "john jack johnny jon jonathan juan hans sean shaun shawn ian iain ivan vanya",
        "edward ed ted eddie ned eduardo teddy lalo", "henry harry hank enrique quique heinrich",
        "charles charlie chuck chas carlos karl carl", "anthony tony antonio ton toni anton",
        "margaret peggy peg meg maggie greta margarita rita daisy marge",
        "elizabeth liz lizzie beth bess bessie betty betsy eliza lisa elsa elise libby isabel",
        "katherine catherine kate kathy kathryn cathy kathleen kit kitty katie karen trina",
        "mary polly molly maria marie mamie may", "francis frank francisco paco pancho franz",
        "alexander alexandra sandy sasha alex alec xander alejandro lex sacha",
        "theodore ted teddy", "joseph joe jose pepe josef joey josephine josie jo",
        "lawrence larry laurie lars lorenzo",
        "harold hal harry", "dorothy dorothea dot dolly dora thea dottie", "sarah sally sadie",
        "helen nell nelly ellen elena lena", "ellen nell nelly", "michael mike mick mickey mikhail "
        "misha miguel mitch michelle", "gerald gerard jerry gerry geraldine jeremy jerome",
        "jacob jake jakob james jack", "rebecca becky becca", "margarethe grete gretel",
        "jeffrey geoffrey jeff geoff", "augustus august augustine gus gustav",
        "anne ann anna nancy annie nan hannah nina", "aaron ronald ron ronnie veronica",
        "patricia pat trish patty tricia patrick paddy", "steven stephen steve esteban stefan",
        "christopher christine kris chris kit topher christian tina", "gregory greg gregor",
        "philip phil felipe", "samuel samantha sam sammy", "thomas tom tommy thos tomas",
        "benjamin ben benny", "daniel dan danny danielle", "david dave davey", "peter pete pedro",
        "nicholas nick nicky nicole klaus nicolas nico colin", "matthew matt mateo mat",
        "andrew andy drew andreas andres", "timothy tim", "kenneth ken kenny", "donald don donny",
        "eugene gene", "walter walt wally", "frederick fred freddy fritz rick alfred",
        "albert al bert alan alfred alvin", "leonard leo len lenny lennie", "vincent vince vinny",
        "victoria vicky tori", "virginia ginny ginger", "susan sue susie suzanne susanna",
        "judith judy", "jennifer jen jenny", "jessica jess", "deborah debbie deb",
        "pamela pam", "barbara babs barb", "abigail abby gail", "amanda mandy", "martha patty",
        "ignacio nacho", "jesus chucho", "manuel manolo emanuel manny", "guadalupe lupe",
        "rosario charo", "concepcion concha", "rafael rafa", "guillermo memo william",
        "luis lucho", "dmitri dima mitya", "vladimir vova volodya", "johannes hans johann jan",
        "friedrich fritz",
        "sebastian basti bastian", "matthias matze", "giovanni gianni john",
        "giuseppe beppe joseph", "jorge george georg geo coco yuri",
        "hubert bert", "herbert bert herb", "gilbert gil bert",
        "zachary zach zack", "isaac ike", "dwight ike", "terence terry theresa teresa tess",
        "russell russ rusty", "raymond ray ramon", "reginald reg reggie", "douglas doug",
        "archibald archie", "maximilian max maxwell maxine", "natalia natasha natalie",
    )
)  # fmt: skip
"""Each name of a row may stand for each other one of it."""


def short_form(one: str, other: str) -> bool:
    """Say whether two given names, or a letter and one, may be of the same person."""
    if _alike(one, other):
        return True
    for names in SHORT_FORMS:
        if one in names and (other in names or (len(other) == 1 and _begins(names, other))):
            return True
        if other in names and len(one) == 1 and _begins(names, one):
            return True
    return False


def _begins(names: frozenset[str], letter: str) -> bool:
    return any(name.startswith(letter) for name in names)


def _alike(one: str, other: str) -> bool:
    """Say whether one may be short for the other by its letters alone."""
    first, second = _heard(one), _heard(other)
    short, long = sorted((first, second), key=len)
    if not short or len(short) == 1:
        return long.startswith(short)
    if first[:_BEGINS] == second[:_BEGINS] or (len(short) > _BEGINS and long.endswith(short)):
        return True
    return first[0] == second[0] and is_within(short, long)


def is_within(short: str, long: str) -> bool:
    """Say whether the letters of one stand in the other in their order: Wm in William."""
    rest = iter(long)
    return all(letter in rest for letter in short)


def _heard(name: str) -> str:
    """A name as it is heard, near enough: Kris and Chris, Geoff and Jeff."""
    for written, heard in (("ph", "f"), ("ch", "k"), ("c", "k"), ("geo", "je"), ("y", "i")):
        name = name.replace(written, heard)
    return re.sub(r"(.)\1+", r"\1", name.replace("z", "s"))


_BEGINS = 2
"""First letters that a name and its short form have in common. Common practice, no source."""
