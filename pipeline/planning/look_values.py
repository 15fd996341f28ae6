"""What looks are worth: for every opening and method, the dangerous openings that one newly finds.

A look is worth the chance that the opening is dangerous by a condition, times the chance that the
method finds that condition, summed over conditions. A method that cannot tell a condition from a
ground finds nothing of it. Openings that a look able to see a false ground spoke of, and defects
that count as confirmed, are worth nothing again. One box further up settles the openings of its
circuit as far as their danger comes from there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.likelihood import likelihoods_of
from pipeline.evidence.next_look import dangerous_by_condition
from pipeline.planning.enough import detection_of, found_by
from pipeline.warehouse.narrowing import Narrowing
from pipeline.warehouse.queries import PROBABILITIES
from shared.in_words import plural
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, OPEN_BOX_METHODS, Condition, Method, Selection

Floats = npt.NDArray[np.float64]

METHODS: tuple[Method, ...] = tuple(Method)
WITHOUT_BOX = tuple(method for method in METHODS if method not in OPEN_BOX_METHODS)
FURTHER_UP = (
    Condition.FALSE_GROUND_UPSTREAM,
    Condition.REVERSED_FALSE_GROUND_UPSTREAM,
)
"""Conditions whose cause lies in a box further up, which settles them at all openings beyond."""

LEAST_WORTH = 1e-4
"""Expected findings below which a look is not considered."""

BLOCKS = 240
"""Dwellings that a plan chooses among, those that yield most a minute."""

ANYWHERE = ""
"""The unit of looks at openings that nobody recorded, wherever in the building they are."""


@dataclass(frozen=True)
class Look:
    """A look, or several at openings chosen at random.

    Attributes:
        unit_id: the dwelling; None where none is named or any will do.
        opening_id: the opening; None where the electrician chooses at random.
        how_many: openings looked at.
        method: how.
        minutes: all of them together, without entry and way.
        expected: dangerous openings that they are expected to find newly.
        settles: openings that are expected to be settled.
        also: other openings of the circuit that the same look speaks of.
        room, circuit_id: where it is, as far as known.
        why: in words.
        besides: other methods on the same visit, told in the same row.
        must_say: columns of a look without which it does not settle what it is made for.
        picked: how its openings count as picked; None where that follows from the look itself.
    """

    unit_id: str | None
    opening_id: str | None
    how_many: int
    method: Method
    minutes: float
    expected: float
    settles: float
    why: str
    also: tuple[str, ...] = ()
    room: str | None = None
    circuit_id: str | None = None
    besides: tuple[Method, ...] = ()
    must_say: tuple[str, ...] = ()
    picked: Selection | None = None


@dataclass(frozen=True)
class Level:
    """So many of the looks of a dwelling, the best first: minutes with entry, and their worth."""

    minutes: float
    expected: float
    looks: tuple[Look, ...]


@dataclass(frozen=True)
class Block:
    """What can be done in one dwelling: one of its levels or nothing.

    Attributes:
        key: building number, unit, and whether its openings are recorded ones.
        levels: with more looks from one to the next.
    """

    key: tuple[int, str, bool]
    levels: tuple[Level, ...]


class LookValues:
    """The openings at which something is left to find, and what each method is worth there.

    Args:
        con: a warehouse.
        rule_book: by which it was built.
        only: which buildings.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, rule_book: RuleBook, only: Narrowing
    ) -> None:
        self.rules = rule_book.looks
        where, parameters = only.where()
        chosen = f"SELECT building_no FROM narrowed_by WHERE {where}"
        groups = con.execute(
            f"""
            SELECT building_no, row_no, openings, recorded, p_two_slot, protection, p_dangerous,
                p_live_metal, looked, {", ".join(PROBABILITIES)}
            FROM opening_groups
            WHERE building_no IN ({chosen}) AND NOT sees_false_ground
                AND p_detected < rule('evidence.confirm_probability')
            ORDER BY building_no, row_no
            """,
            parameters,
        ).fetchdf()
        self.buildings = con.execute(
            f"""
            SELECT b.building_no, b.building_id, b.name, b.address, b.latitude, b.longitude,
                z.dwellings
            FROM buildings AS b JOIN building_sizes AS z USING (building_no)
            WHERE building_no IN ({chosen}) ORDER BY building_no
            """,
            parameters,
        ).fetchdf()
        self.likelihoods = likelihoods = likelihoods_of(rule_book)
        self.minutes = np.array([float(self.rules.minutes[each]) for each in METHODS])
        dangerous = dangerous_by_condition(
            groups[list(PROBABILITIES)].to_numpy(dtype=np.float64),
            1 - groups["p_two_slot"].to_numpy(dtype=np.float64),
            groups["protection"].to_numpy(dtype=np.float64),
            groups["p_dangerous"].to_numpy(dtype=np.float64),
        )
        finds = np.array([[found_by(likelihoods, m, c) for c in CONDITIONS] for m in METHODS])
        capable = np.array([detection_of(likelihoods, m) for m in METHODS])
        worth = dangerous @ finds.T
        up = [CONDITIONS.index(each) for each in FURTHER_UP]
        seen_up = finds[METHODS.index(Method.UPSTREAM_BOX_SEEN), up]
        groups["worth_up"] = dangerous[:, up] @ seen_up
        groups["group"] = np.arange(len(groups))
        self._worth, self._capable = worth, capable
        con.register("groups_left", groups[["building_no", "row_no", "group"]])
        named = con.execute(
            """
            SELECT f.building_no, f.unit_id, f.opening_id, f.circuit_id, f.room, g.group
            FROM opening_facts AS f JOIN groups_left AS g USING (building_no, row_no)
            WHERE NOT f.urgent
            ORDER BY f.building_no, f.unit_id, f.opening_id
            """
        ).fetchdf()
        con.unregister("groups_left")
        facts = ["group", "p_dangerous", "p_live_metal", "looked", "worth_up", "openings"]
        hidden = groups[~groups["recorded"] & (groups["openings"] > 0)]
        rest = hidden[["building_no", *facts]].assign(unit_id=ANYWHERE)
        told = groups[facts].drop(columns="openings")
        named = named.merge(told, on="group").assign(openings=1)
        self.openings = pd.concat([named, rest], ignore_index=True)
        self.openings["named"] = self.openings["opening_id"].notna()
        self.capable_methods = [m for m, chance in zip(METHODS, capable, strict=True) if chance]

    def capable_method(self, may_open_boxes: bool) -> Method:
        """The method of visits drawn by lot: the quickest able to see a false ground of those most
        likely to find it (a box is opened where that is allowed)."""
        allowed = OPEN_BOX_METHODS if may_open_boxes else WITHOUT_BOX
        able = [method for method in self.capable_methods if method in allowed]
        return min(able, key=lambda method: float(self.rules.minutes[method]))

    def worth_of(self, row: int, method: Method) -> float:
        """What a look at the opening of a row of ``openings`` is worth by a method."""
        return float(self._worth[int(self.openings["group"].loc[row]), METHODS.index(method)])

    def blocks(self, may_open_boxes: bool, going_rate: float = 0.0) -> list[Block]:
        """The dwellings that yield most a minute, each with a few numbers of looks.

        Args:
            may_open_boxes: whether methods that open the box are allowed.
            going_rate: findings a minute that the crews' time yields elsewhere; a look that yields
                less is not made. Where it is 0 each look is by the method that yields most a
                minute.
        """
        rows = self._best_looks(may_open_boxes, going_rate)
        if rows.empty:
            return []
        entry = float(self.rules.entry_minutes)
        way = float(self.rules.unknown_travel_minutes) / 2 + float(self.rules.arrival_minutes)
        rows = rows.sort_values(
            ["building_no", "unit_id", "named", "rate", "place"],
            ascending=[True, True, True, False, True],
            kind="stable",
        )
        key = [rows["building_no"], rows["unit_id"], rows["named"]]
        of = rows.groupby(["building_no", "unit_id", "named"], sort=False)
        rows["so_far"] = of["worth"].cumsum()
        rows["spent"] = of["minutes"].cumsum() + entry * rows["entries"]
        rows["yield"] = rows["so_far"] / (rows["spent"] + way)
        best = rows.groupby(key, sort=False)["yield"].max().nlargest(BLOCKS)
        chosen = rows.set_index(["building_no", "unit_id", "named"]).loc[best.index].reset_index()
        parts = chosen.groupby(["building_no", "unit_id", "named"], sort=False)
        return [self._block(part.reset_index(drop=True)) for _, part in parts]

    def _best_looks(self, may_open_boxes: bool, going_rate: float) -> pd.DataFrame:
        allowed = METHODS if may_open_boxes else WITHOUT_BOX
        usable = np.array([m in allowed and m is not Method.UPSTREAM_BOX_SEEN for m in METHODS])
        worth = np.where(usable, self._worth, 0.0)
        net = worth - going_rate * self.minutes if going_rate else worth / self.minutes
        pick = np.where(usable, net, -np.inf).argmax(axis=1) if len(net) else np.zeros(0, int)
        rows = self.openings.copy()
        group = rows["group"].to_numpy()
        method = pick[group]
        rows["place"] = np.arange(len(rows))
        rows["method"] = method
        rows["each"], rows["minutes"] = worth[group, method], self.minutes[method]
        rows["net"] = rows["each"] - going_rate * rows["minutes"]
        rows["settles"], rows["also"] = 1.0, ""
        if may_open_boxes:
            rows = self._from_further_up(rows, going_rate)
        rows["worth"] = rows["each"]
        rows["entries"] = 1.0
        rows = rows[(rows["each"] > LEAST_WORTH) & (rows["net"] >= 0)].copy()
        hidden = ~rows["named"]
        rows["rate"] = rows["each"] / rows["minutes"]
        if not hidden.any():
            return rows
        return pd.concat([rows[~hidden], self._by_dwellings(rows[hidden])])

    def _from_further_up(self, rows: pd.DataFrame, going_rate: float) -> pd.DataFrame:
        """Where one box further up is worth more than looks at the openings of a circuit."""
        known = rows[rows["circuit_id"].notna()]
        known = known.assign(gain=known["net"].clip(lower=0.0))
        of = known.groupby(["building_no", "unit_id", "circuit_id"], sort=False)
        box = METHODS.index(Method.UPSTREAM_BOX_SEEN)
        sums = of.agg(
            up=("worth_up", "sum"),
            number=("place", "size"),
            singly=("gain", "sum"),
            first=("worth_up", "idxmax"),
        )
        own = self._worth[known["group"].reindex(index=rows.index, fill_value=0), box]
        first = sums["first"].to_numpy(dtype=np.int64)
        at = pd.Series(own, index=rows.index)
        gained = sums["up"] + at.loc[first].to_numpy() - rows.loc[first, "worth_up"].to_numpy()
        if going_rate:
            better = gained - going_rate * self.minutes[box] > sums["singly"]
        else:
            # no rate to go by yet: against looks at each of them
            better = (gained / self.minutes[box]) > of["each"].sum() / of["minutes"].sum()
        for place in sums.index[better & (sums["number"] > 1)]:
            members = of.get_group(place)
            head = sums.loc[place, "first"]
            rows.loc[members.index, ["each", "net"]] = 0.0, -1.0
            rows.loc[head, ["each", "minutes", "method", "net", "settles", "also"]] = [
                float(gained.loc[place]), self.minutes[box], box, 0.0, float(len(members)),
                "\n".join(str(each) for each in members["opening_id"] if
                          each != rows.loc[head, "opening_id"]),
            ]  # fmt: skip
        return rows

    def _by_dwellings(self, hidden: pd.DataFrame) -> pd.DataFrame:
        """Openings that nobody recorded, as one, half, and all of the dwellings they may be in."""
        dwellings = hidden["building_no"].map(self.buildings.set_index("building_no")["dwellings"])
        numbers = np.maximum(dwellings.to_numpy(dtype=np.float64), 1.0)
        openings = hidden["openings"].to_numpy(dtype=np.float64)
        steps, before = [], np.zeros(len(hidden))
        for entries in (np.ones_like(numbers), np.ceil(numbers / 2), numbers):
            upto = np.minimum(np.ceil(openings * entries / numbers), openings)
            more = upto - before
            steps.append(
                hidden.assign(
                    openings=more,
                    entries=entries,
                    worth=hidden["each"] * more,
                    minutes=hidden["minutes"] * more,
                    settles=more,
                )[more > 0]
            )
            before = np.maximum(before, upto)
        every: pd.DataFrame = pd.concat(steps)
        return every

    def _block(self, part: pd.DataFrame) -> Block:
        ends = {len(part), (len(part) + 1) // 2, int(part["yield"].to_numpy().argmax()) + 1}
        if not part["named"].iat[0]:
            ends = set(range(1, len(part) + 1))
        levels = []
        for end in sorted(ends):
            last = part.iloc[end - 1]
            looks = self._looks(part.iloc[:end])
            levels.append(Level(float(last["spent"]), float(last["so_far"]), looks))
        first = part.iloc[0]
        key = (int(first["building_no"]), str(first["unit_id"]), bool(first["named"]))
        return Block(key, tuple(levels))

    def _looks(self, part: pd.DataFrame) -> tuple[Look, ...]:
        if not part["named"].iat[0]:
            row, number = part.iloc[0], int(part["openings"].sum())
            dwellings = round(float(part["entries"].max()))
            return (
                Look(
                    unit_id=None, opening_id=None, how_many=number,
                    method=METHODS[int(row["method"])], minutes=float(part["minutes"].sum()),
                    expected=float(part["worth"].sum()), settles=float(number),
                    why=f"Nobody recorded these openings; each is dangerous with a chance of "
                    f"{_share(row['p_dangerous'])}. Choose {number} at random in "
                    f"{plural(dwellings, 'dwelling')} not looked at yet.",
                ),
            )  # fmt: skip
        return tuple(
            self.look({str(k): v for k, v in row.items()}) for row in part.to_dict(orient="records")
        )

    def look(self, row: dict[str, object]) -> Look:
        """The look of one row with method (an index), minutes, worth, settles and also."""
        method = METHODS[int(str(row["method"]))]
        also = tuple(filter(None, str(row["also"]).split("\n")))
        seen = "looked at, but by no method able to see it" if row["looked"] else "not looked at"
        why = f"Dangerous with a chance of {_share(row['p_dangerous'])}; {seen}."
        if also:
            why = (
                f"The cause may lie in a box further up: one look speaks of {len(also) + 1} "
                "openings of its circuit."
            )
        return Look(
            unit_id=str(row["unit_id"]) or None, opening_id=str(row["opening_id"]), how_many=1,
            method=method, minutes=float(str(row["minutes"])), expected=float(str(row["worth"])),
            settles=float(str(row["settles"])), also=also, why=why, room=_text(row["room"]),
            circuit_id=_text(row["circuit_id"]),
        )  # fmt: skip

    def drawn(
        self, rng: np.random.Generator, method: Method
    ) -> tuple[int, tuple[Look, ...]] | None:
        """A visit by lot: a dwelling, likelier the more openings it has, and openings there.

        What is drawn is taken out: it is neither drawn nor chosen again.

        Args:
            rng: the lot.
            method: how they are looked at.

        Returns:
            The building's number and the looks; None where nothing is left to look at.
        """
        pool = self.openings
        if pool.empty:
            return None
        places = pool.groupby(["building_no", "unit_id", "named"], sort=True)["openings"].sum()
        shares = places.to_numpy(dtype=np.float64)
        building, unit, named = places.index[rng.choice(len(places), p=shares / shares.sum())]
        here = pool[
            (pool["building_no"] == building) & (pool["unit_id"] == unit) & (pool["named"] == named)
        ]
        each = float(self.rules.minutes[method])
        most = int(float(self.rules.random_openings))
        why = "Drawn by lot, so that rates stay honest."
        if not named:
            first = int(here.index[0])
            number = min(most, int(here["openings"].iat[0]))
            worth = number * self.worth_of(first, method)
            self._take(first, number)
            return int(building), (
                Look(None, None, number, method, number * each, worth, float(number),
                     f"{why} Choose a dwelling not looked at yet, and {number} openings there, at "
                     "random."),
            )  # fmt: skip
        picked = rng.choice(here.index.to_numpy(), size=min(most, len(here)), replace=False)
        looks = []
        for place in sorted(picked.tolist()):
            row = {str(k): v for k, v in here.loc[place].to_dict().items()}
            worth = self.worth_of(place, method)
            row |= {"method": METHODS.index(method), "minutes": each, "worth": worth}
            look = self.look(row | {"settles": 1.0, "also": ""})
            looks.append(replace(look, why=f"{why} {look.why}"))
            self._take(place, 1)
        return int(building), tuple(looks)

    def _take(self, place: int, number: int) -> None:
        if int(self.openings["openings"].loc[place]) > number:
            here = self.openings.index == place
            self.openings["openings"] -= np.where(here, number, 0)
        else:
            self.openings = self.openings.drop(index=place)

    def given(
        self,
        building_no: int,
        unit_id: str | None,
        opening_id: str | None,
        how_many: int,
        method: Method,
    ) -> float:
        """What so many looks somewhere are worth, the mean of what is left there; they are taken
        out, in a named dwelling with all that is in it.

        Args:
            building_no: the building.
            unit_id, opening_id: where in it; None where any will do.
            how_many: openings looked at.
            method: how.
        """
        here = self.openings[self.openings["building_no"] == building_no]
        if unit_id is not None:
            here = here[here["unit_id"] == unit_id]
        if opening_id is not None:
            here = here[here["opening_id"] == opening_id]
        if here.empty:
            return 0.0
        numbers = here["openings"].to_numpy(dtype=np.float64)
        each = np.array([self.worth_of(place, method) for place in here.index.tolist()])
        worth = float(each @ numbers / numbers.sum()) * min(how_many, float(numbers.sum()))
        if opening_id is not None:
            self.openings = self.openings.drop(index=here.index)
        elif unit_id is not None:
            self.leave_out(building_no, unit_id)
        elif not here["named"].all():
            self._take(int(here.index[~here["named"]][0]), how_many)
        return worth

    def leave_out(self, building_no: int, unit_id: str) -> None:
        """Take a dwelling out, or a whole building where ``unit_id`` is blank: it is looked at
        otherwise."""
        here = self.openings["building_no"] == building_no
        if unit_id:
            here &= self.openings["unit_id"] == unit_id
        self.openings = self.openings[~here]


def _share(value: object) -> str:
    share = float(str(value))
    if 0.99 < share < 1:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
