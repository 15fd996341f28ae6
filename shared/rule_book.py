"""The rule book: every number that Coverplate judges with, its unit and where it comes from.

One TOML file, validated here as a whole (all faults reported together), identified by the SHA-256
of its canonical content. The hash stands on every result, so that two rankings can be compared
knowing which rules made each.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import tomllib
from collections.abc import Iterator, Mapping
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Self

from pydantic import BaseModel, ValidationError, model_validator
from pydantic import Field as PydanticField

from shared.faults import CoverplateError
from shared.numbers import Number, Odds, OpenShare, Positive, Section, Share, says
from shared.remedies import CostLine, Due, GfciRules, LedgerRules, Remedy, SeverityClass
from shared.vocabulary import Method, Selection, WiringMethod


class RatePrior(Section):
    """A rate that differs from building to building: a beta distribution by mean and strength."""

    mean: float = PydanticField(gt=0, lt=1, description="mean share over buildings of this era")
    strength: float = PydanticField(
        gt=0.05,
        le=1000,
        description="pseudo-openings behind the mean; small means buildings are all or nothing",
    )
    unit: str
    source: str = PydanticField(min_length=3)

    @model_validator(mode="after")
    def _proper(self) -> Self:
        if min(self.mean, 1 - self.mean) * self.strength < 0.05:
            raise ValueError(
                f"mean {self.mean:g} with strength {self.strength:g} puts nearly all weight on 0 "
                "or 1: raise the strength"
            )
        return self

    @property
    def beta(self) -> tuple[float, float]:
        """The two parameters of the beta distribution."""
        return self.mean * self.strength, (1 - self.mean) * self.strength


class Circuit(Section):
    """The branch circuit that the evidence model solves."""

    supply_volts: Positive = says("line-to-neutral supply voltage")
    conductor_gauge: Positive = says("conductor size, American wire gauge")
    ohms_per_1000_ft_14: Positive = says("resistance of 14 AWG solid copper")
    ohms_per_1000_ft_12: Positive = says("resistance of 12 AWG solid copper")
    ohms_per_1000_ft_10: Positive = says("resistance of 10 AWG solid copper")
    run_length: Positive = says("conductor run assumed where one length must be stated")
    run_length_median: Positive = says("median run length from panel to opening")
    run_length_spread: Positive = says("log-normal spread of run lengths (sigma of ln)")
    lamp_ohms: Positive = says("resistance of one tester lamp with its series resistor")
    lamp_strike_volts: Positive = says("voltage below which a tester lamp stays dark")
    jumper_ohms: Positive = says("resistance of a neutral-to-ground jumper at the receptacle")
    leakage_ohms: Positive = says("insulation leakage that pulls a floating conductor to earth")
    meter_ohms: Positive = says("input resistance of a high-impedance voltmeter")
    appliance_ohms: Positive = says("resistance of a plugged appliance switched on")
    appliance_leakage_ohms: Positive = says(
        "leakage of a sound appliance's filter from either conductor to its metal case"
    )
    case_fault_ohms: Positive = says("resistance of a hot-to-case insulation fault")
    body_ohms: Positive = says("body resistance, hand to foot or hand to hand")
    body_earth_ohms: Positive = says("resistance from the body's other contact to earth")
    test_load_amps: Positive = says("largest load drawn for a neutral-to-ground reading")
    test_load_least: Positive = says(
        "smallest such load; where none is stated, any between, evenly in the logarithm"
    )
    false_ground_volts: Positive = says(
        "neutral-to-ground reading under load at or below which a bond near by is suspected"
    )
    false_ground_loop_ohms: Positive = says(
        "neutral-to-ground loop impedance at or below which a meter reports a false ground"
    )
    poor_ground_loop_ohms: Positive = says(
        "neutral-to-ground loop impedance from which a meter reports a poor ground"
    )
    poor_ground_least_ohms: Positive = says("least resistance of a poor ground path")
    poor_ground_most_ohms: Positive = says(
        "greatest such resistance; any between, evenly in the logarithm"
    )
    stray_earth_share: Share = says(
        "share of ground wires bonded to the neutral further up that also touch other grounded "
        "metal, so that load current divides onto them"
    )
    stray_earth_least_ohms: Positive = says("least resistance of such a touch to earth")
    stray_earth_most_ohms: Positive = says(
        "greatest such resistance; any between, evenly in the logarithm"
    )
    shared_load_least_ohms: Positive = says(
        "least resistance of what runs on a circuit whose shared neutral is broken"
    )
    shared_load_most_ohms: Positive = says(
        "greatest such resistance; any between, evenly in the logarithm"
    )
    abnormal_volts: Positive = says("hot-to-neutral reading from which the voltage is abnormal")
    supply_spread_volts: Positive = says("standard deviation of supply voltages among openings")
    clamp_amps: Positive = says("smallest current on a ground wire that a clamp shows")
    volts_error: Positive = says("standard error of a neutral-to-ground reading")
    ohms_error_share: Positive = says("relative standard error of an impedance reading")
    breaker_amps: Positive = says("branch breaker rating")
    breaker_instant_multiple: Positive = says(
        "multiple of the rating at which the breaker trips without delay"
    )
    breaker_instant_seconds: Positive = says("clearing time above that multiple")
    breaker_double_seconds: Positive = says("longest clearing time at twice the rating")
    gfci_must_trip_milliamps: Positive = says("class A GFCI: current that must trip it")
    gfci_must_not_trip_milliamps: Positive = says("class A GFCI: current that must not trip it")

    @model_validator(mode="after")
    def _ranges(self) -> Self:
        faults = [
            f"{name}_least_ohms must be below {name}_most_ohms"
            for name in ("poor_ground", "stray_earth", "shared_load")
            if not float(getattr(self, f"{name}_least_ohms"))
            < float(getattr(self, f"{name}_most_ohms"))
        ]
        if not float(self.supply_volts) < float(self.abnormal_volts):
            faults.append("abnormal_volts must be above supply_volts")
        if faults:
            raise ValueError("; ".join(faults))
        return self


class Misreading(Section):
    """How often a look by a method goes wrong, beyond what the method cannot see at all."""

    passes_anyway: OpenShare = says("share of looks reported correct whatever is shown")
    scatter: OpenShare = says("share of looks reported as any result at random")
    volunteers: Share = says(
        "share of looks that name one of the faults behind an ambiguous reading, though the "
        "method cannot tell which"
    )


class Evidence(Section):
    """How readings are weighed."""

    look_floor: OpenShare = says(
        "least relative likelihood of any condition after one look (wrong opening noted, mistyped)"
    )
    repair_doubt: OpenShare = says("chance that a proven repair is not what it was proven to be")
    alike_within_building: Share = says(
        "correlation of readings within one building, when inspectors are compared"
    )
    lenient_share: OpenShare = says(
        "share of readers who write some looks correct whatever is shown"
    )
    usual_faults: OpenShare = says(
        "share of looks that find a fault, where readers are compared and few others looked"
    )
    usual_faults_looks: Positive = says("looks' worth of weight behind it")
    confirm_probability: OpenShare = says(
        "probability of a defect at which a reported or measured defect counts as confirmed"
    )
    ground_present_error: OpenShare = says("chance that ground_present is wrong, cover off")
    ground_present_error_cover_on: OpenShare = says("the same with the cover on")
    jumper_error: OpenShare = says("chance that neutral_ground_jumper is wrong, cover off")
    jumper_error_cover_on: OpenShare = says("the same with the cover on")
    polarity_error: OpenShare = says("chance that a measured polarity is wrong")
    number_error: OpenShare = says("chance that a written volts or ohms figure means nothing")
    volunteer_right: OpenShare = says("chance that a fault named by guess is the one there is")
    no_look: OpenShare = says("share of rows without a look: no power, no access, not tested")
    load_on: OpenShare = says("chance that something is switched on beyond an open neutral")
    live_volts: Positive = says("slot voltage from which a reader calls a pair live")
    dead_volts: Positive = says("slot voltage up to which a reader calls a pair dead")
    float_dead: OpenShare = says("chance that a floating contact reads as good as nothing")
    float_low: OpenShare = says(
        "of the rest, readings spread evenly in their logarithm; what remains is spread evenly; "
        "against earth all are in their logarithm"
    )
    earth_spread: OpenShare = says(
        "relative standard deviation of volts to earth: service voltage, and what loads take off"
    )
    earth_low: OpenShare = says(
        "chance that the earth that volts are read against is itself poor: any lower reading then"
    )
    unknown_load_none: OpenShare = says("chance of no load where none is stated with the volts")
    ground_good_ohms: Positive = says("ground-path reading up to which a path is good")
    ground_none_ohms: Positive = says("ground-path reading from which there is no path")
    raised_readings: OpenShare = says(
        "share of ground-path readings raised by the instrument's own poor contact, as if the path "
        "were poor"
    )
    poor_ground_seen: OpenShare = says(
        "chance that who opens the box sees that a ground path is poor (no bonding strip, rust)"
    )
    live_box_noticed: OpenShare = says(
        "chance that who opens the box notices a ground wire that is live from further up"
    )
    detector_volts: Positive = says("volts against earth from which a non-contact detector answers")
    detector_error: OpenShare = says("chance that a non-contact detector answers wrongly")
    scorch_usual: OpenShare = says("chance of heat or scorch marks at any opening")
    scorch_bad_contact: OpenShare = says("the same where a conductor is open or a path is poor")
    shock_usual: OpenShare = says("chance that a shock is reported of any opening")
    shock_if_live: OpenShare = says("the same where its metal is live")
    told_apart: OpenShare = says(
        "total-variation distance from which a method tells two conditions apart"
    )
    near_best: Share = says(
        "share of what the most telling next look settles from which one of less effort is named"
    )
    points_at: OpenShare = says(
        "relative likelihood above which a look points at a defect, and not above which it must "
        "have left *grounded* for the defect to count as reported"
    )
    misreading: dict[Method, Misreading]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [m.value for m in Method if m not in self.misreading]
        if missing:
            raise ValueError("misreading rates are missing for " + ", ".join(missing))
        if not float(self.dead_volts) < float(self.live_volts):
            raise ValueError("dead_volts must be below live_volts")
        if not float(self.ground_good_ohms) < float(self.ground_none_ohms):
            raise ValueError("ground_good_ohms must be below ground_none_ohms")
        if not float(self.scorch_usual) <= float(self.scorch_bad_contact):
            raise ValueError("scorch_usual must not be above scorch_bad_contact")
        for method, rate in self.misreading.items():
            if float(rate.passes_anyway) + float(rate.scatter) >= 1:
                raise ValueError(
                    f"passes_anyway and scatter of {method.value} leave no look that is read"
                )
        return self


class SelectionOdds(Section):
    """How looks made for a reason differ from looks made at random."""

    three_slot: Odds = says("odds that a three-slot opening is picked, against another")
    dangerous: Odds = says("odds that a dangerous opening is picked, against one that is not")


class WiringRates(Section):
    """Rates that differ from building to building within a group."""

    ungrounded_origin: RatePrior = says("wiring without a grounding conductor")
    converted: RatePrior = says("of this, hands that gave it three slots")
    false_ground: RatePrior = says("of these, hands that made grounds by a jumper to the neutral")
    reversed: RatePrior = says("openings with hot and neutral swapped")
    other_fault: RatePrior = says("openings with an open or misplaced conductor")


class Era(WiringRates):
    """A band of construction years with its building-level rates."""

    label: str
    first_year: Number = says("first year of the band")
    last_year: Number = says("last year of the band")
    share: Share = says("share of buildings of this era where no year is known")


class Structure(Section):
    """Facts and odds that link the rates."""

    two_slot_on_grounded: OpenShare = says("two-slot share of openings wired with a ground")
    other_slots: OpenShare = says("share of openings that are neither two- nor three-slot")
    open_neutral_share: OpenShare = says("of other faults, open neutral")
    open_hot_share: OpenShare = says("of other faults, open hot")
    hot_on_ground_share: OpenShare = says("of other faults, hot on the ground contact")
    shared_neutral_share: OpenShare = says("of other faults, a broken neutral shared by circuits")
    slots_wrong: OpenShare = says("chance that the slots of an opening were written down wrongly")
    year_wrong: OpenShare = says("chance that a recorded year of construction is wrong")
    era_blend_years: Positive = says(
        "years on either side of an era's first year over which it blends with the era before"
    )
    wiring_odds: dict[WiringMethod, Odds]
    poor_ground: dict[WiringMethod, OpenShare]
    poor_ground_unknown: OpenShare = says(
        "poor grounds among grounded wiring where the wiring method is not known"
    )
    evaluation_odds_at_worst: Odds = says(
        "odds on other faults where a visit graded common-area outlets worst, against best"
    )


class Hierarchy(Section):
    """How alike the openings of a dwelling and of a circuit are; the portfolio corrects it."""

    circuit_follows: RatePrior = says("circuits wired as the rest of their dwelling")
    origin_follows: RatePrior = says(
        "of circuits not wired as the rest, those whose cable has a ground, or none, like the rest"
    )
    opening_follows: RatePrior = says(
        "openings on wiring without a ground that look like the rest of their circuit"
    )
    opening_own: RatePrior = says("openings wired on their own, whatever their circuit is")
    careful: RatePrior = says(
        "of hands that gave three slots without a jumper, those that protected them by a GFCI"
    )
    careful_protected: RatePrior = says("openings of such a hand that have the protection")
    head_jumpered: RatePrior = says(
        "of jumpered circuits, those with one jumper at the head and a ground wire on from it"
    )
    live_false_ground: RatePrior = says("of false grounds, those with hot and neutral swapped too")
    openings_on_circuit: Positive = says("openings on a circuit of which nothing is known, at most")
    head_opening: OpenShare = says("openings of a circuit jumpered at the head that are the head")


class Learning(Section):
    """How a portfolio corrects the defaults."""

    default_buildings: Positive = says("buildings' worth of weight behind each era's defaults")
    era_share_buildings: Positive = says(
        "buildings' worth of weight behind the rule book's era shares, where years are missing"
    )
    crew_spread_max: Positive = says("largest spread of owner or manager effects considered")
    crew_none_probability: OpenShare = says("prior belief that owner or manager explains nothing")
    portfolio_spread: Positive = says(
        "standard deviation of how far a portfolio's rates lie from the rule book's, all eras alike"
    )
    portfolio_strength_spread: Positive = says(
        "the same for the strengths of the rates, in natural logarithms"
    )
    passes: Positive = says("passes over the portfolio")
    prior_draws: Positive = says("draws of the learned rates that carry their uncertainty on")
    buildings_max: Positive = says("buildings used for learning, at most")
    held_out_buildings: Positive = says(
        "buildings whose likelihood tells whether what was learned still fits, at most"
    )
    relearn_tolerance: Positive = says(
        "how far their mean log likelihood, over that under the rule book's own priors, may move "
        "before all is learned again"
    )
    relearn_growth: Positive = says(
        "growth of the portfolio, in looks or in buildings, after which all is learned again"
    )


class Counting(Section):
    """What stands in where the register is silent, always marked as assumed."""

    openings_per_dwelling: Positive = says("receptacle openings in a typical dwelling")
    openings_spread: Positive = says(
        "log-normal spread of openings in a building of known dwellings (sigma of ln)"
    )
    dwellings_spread: Positive = says("the same where the dwellings are not known either")
    dwellings_per_building: Positive = says("dwellings in a building of which nothing is known")
    occupants_per_dwelling: Positive = says("people in a typical dwelling")
    vulnerable_share: Share = says("vulnerable share of occupants where not counted")
    gfci_share_wet: OpenShare = says("GFCI-protected share in wet rooms and kitchens")
    gfci_share_dry: OpenShare = says("GFCI-protected share elsewhere")
    gfci_default_openings: Positive = says("openings' worth of weight behind those shares")
    gfci_error: OpenShare = says("chance that a reported protection is wrong")
    wet_share: OpenShare = says("share of openings in wet rooms and kitchens where not known")


class Harm(Section):
    """What turns a touch voltage into expected harm."""

    touches_normal: Positive = says(
        "touches of a plugged metal case and earth at once, per person, opening and year"
    )
    shell_share: Share = says(
        "touches of a part behind the switch (a lamp holder's shell), per touch of a metal case"
    )
    plate_share: Share = says(
        "touches of the cover's screw or metal plate, per touch of a metal case"
    )
    two_wire_case_share: Share = says(
        "metal cases without a ground pin at an opening without a ground contact, per metal case "
        "at one that has it"
    )
    case_faults: Positive = says("hot-to-case faults of a plugged appliance, per opening and year")
    case_fault_days: Positive = says("days that a case fault stays where nothing clears it")
    open_neutrals: Positive = says("neutrals opened upstream, per opening and year")
    open_neutral_days: Positive = says("days that an open neutral stays before it is mended")
    stopped_touch_factor: Positive = says(
        "touches of an appliance that has stopped working, against one that works"
    )
    gfci_at_opening: Share = says(
        "chance that the protection is at the opening itself, so that a conductor or jumper on "
        "the ground contact goes round its sensor"
    )
    exposure_seconds: Positive = says("contact time where nothing clears the fault")
    let_go_milliamps: Positive = says("current above which a person may not be able to let go")
    fibrillation_constant: Positive = says("k in I = k/sqrt(t), body current against contact time")
    fibrillation_spread: Positive = says("log-normal spread about that current (sigma of ln)")
    fibrillation_probability: OpenShare = says("probability of fibrillation at I = k/sqrt(t)")
    no_let_go_weight: Share = says("harm of a shock one cannot let go of, against a fatal one")


class Exposure(Section):
    """Who is near an opening."""

    vulnerable_weight: Positive = says("weight of a vulnerable occupant, against another")
    wet_factor: Positive = says("touches in wet rooms and kitchens, against elsewhere")


class Urgent(Section):
    """What makes an opening urgent because it was measured, or likely enough."""

    touch_volts: Positive = says(
        "volts from plate, case or ground contact to an independent earth from which it is urgent"
    )
    supply_low: Positive = says("supply voltage below which, and not dead, it is abnormal")
    supply_high: Positive = says("supply voltage above which it is abnormal")
    supply_dead: Positive = says("supply voltage up to which the circuit counts as dead")
    inferred_probability: OpenShare = says(
        "probability of live metal from which an opening that nobody reported is listed"
    )
    severity_class: SeverityClass

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not float(self.supply_dead) < float(self.supply_low) < float(self.supply_high):
            raise ValueError("supply_dead, supply_low and supply_high must rise in this order")
        # 50 V: the conventional limit of touch voltage, IEC 60364-4-41, from memory.
        if float(self.touch_volts) > 50.0:
            raise ValueError("touch_volts must not be above 50 V: metal at more is urgent")
        return self


class Scoring(Section):
    """How results are cut and printed."""

    interval: OpenShare = says("probability held by every interval")
    draws: Positive = says("posterior draws behind score and rank intervals")
    top: Positive = says("K of 'probability of being in the top K'")
    blind_reason_weight: Share = says("weight of the reason that openings were seen only blindly")
    unrecorded_reason_weight: Share = says("weight of the reason that openings were never recorded")
    most_share: OpenShare = says("ungrounded origin from which reasons speak of most openings")
    some_share: OpenShare = says("ungrounded origin from which reasons speak of some openings")
    seed: Number = says("seed of all simulation")
    score_unit_years: Positive = says("years over which harm is counted")


class Looks(Section):
    """What a day of looks takes, and how much of it is drawn by lot."""

    random_share: Share = says("share of the crews' time kept for visits drawn by lot")
    random_openings: Positive = says("openings looked at on a visit drawn by lot, at most")
    entry_minutes: Positive = says("entering a dwelling and leaving it")
    arrival_minutes: Positive = says("parking and being let in, once a building")
    travel_factor: Positive = says("length of a way, per length as the crow flies")
    travel_speed: Positive = says("speed on the way")
    unknown_travel_minutes: Positive = says("a way of which one end has no coordinates")
    notice_days: Positive = says("days between notice and entry to a dwelling")
    minutes: dict[Method, Positive] = says("a look")

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [m.value for m in Method if m not in self.minutes]
        if missing:
            raise ValueError("minutes of a look are missing for " + ", ".join(missing))
        return self


class RuleBook(Section):
    """All the numbers. Build one with ``load_rule_book``."""

    circuit: Circuit
    evidence: Evidence
    selection: dict[Selection, SelectionOdds]
    eras: dict[str, Era]
    rewired: WiringRates
    hierarchy: Hierarchy
    structure: Structure
    learning: Learning
    counting: Counting
    harm: Harm
    exposure: Exposure
    scoring: Scoring
    urgent: Urgent
    due: Due
    ledger: LedgerRules
    remedies: dict[str, Remedy]
    gfci: GfciRules
    looks: Looks
    cost_lines: dict[str, CostLine] = PydanticField(default_factory=dict)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        problems: list[str] = []
        nominal = float(self.circuit.supply_volts)
        if not (
            float(self.urgent.supply_low) >= 0.7 * nominal
            and float(self.urgent.supply_high) <= 1.25 * nominal
        ):
            problems.append(
                "urgent.supply_low and supply_high must lie within 70 % and 125 % of the supply "
                f"({nominal:g} V): what lies beyond destroys what is plugged in"
            )
        bands = list(self.eras.values())
        for earlier, later in itertools.pairwise(bands):
            if float(earlier.last_year) + 1 != float(later.first_year):
                problems.append(
                    f"era {later.label} does not start the year after {earlier.label} ends"
                )
        missing = [s.value for s in Selection if s not in self.selection]
        if missing:
            problems.append("selection odds are missing for " + ", ".join(missing))
        for name in ("wiring_odds", "poor_ground"):
            absent = [w.value for w in WiringMethod if w not in getattr(self.structure, name)]
            if absent:
                problems.append(f"structure.{name} is missing for " + ", ".join(absent))
        faults = (
            float(self.structure.open_neutral_share)
            + float(self.structure.open_hot_share)
            + float(self.structure.hot_on_ground_share)
            + float(self.structure.shared_neutral_share)
        )
        if abs(faults - 1.0) > 1e-9:
            problems.append(f"the shares of other faults add up to {faults:g}, not 1")
        if "remedy" in self.cost_lines:
            problems.append(
                "no cost line may be called remedy: so the remedies' own costs are told"
            )
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def __hash__(self) -> int:
        return int(self.hash[:15], 16)

    @cached_property
    def hash(self) -> str:
        """SHA-256 of the canonical content: same numbers and sources, same hash."""
        return _content_hash(self.model_dump(mode="json"))

    @property
    def text(self) -> str:
        """The whole content as JSON, from which ``kept_rule_book`` gives the same rule book."""
        # In the order of the file: the eras are only valid in the order of their years.
        return json.dumps(self.model_dump(mode="json"), separators=(",", ":"))

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """Copy, with other members where they are given; the copy's hash is its own."""
        copied = super().model_copy(update=update, deep=deep)
        copied.__dict__.pop("hash", None)
        return copied

    def numbers(self) -> Iterator[tuple[str, float, str, str, str]]:
        """Yield (dotted path, value, unit, meaning, source) of every number in file order."""
        yield from _numbers("", self)


def _numbers(prefix: str, node: BaseModel) -> Iterator[tuple[str, float, str, str, str]]:
    for name, info in type(node).model_fields.items():
        value = getattr(node, name)
        path = f"{prefix}{name}"
        if isinstance(value, Number):
            yield path, value.value, value.unit, info.description or "", value.source
        elif isinstance(value, RatePrior):
            meaning = info.description or ""
            yield f"{path}.mean", value.mean, value.unit, f"{meaning}: mean", value.source
            yield (
                f"{path}.strength",
                value.strength,
                "pseudo-openings",
                f"{meaning}: strength",
                value.source,
            )
        elif isinstance(value, BaseModel):
            yield from _numbers(f"{path}.", value)
        elif isinstance(value, dict):
            for key, member in value.items():
                if isinstance(member, Number):
                    yield (
                        f"{path}.{key}",
                        member.value,
                        member.unit,
                        f"{info.description or name} for {key}",
                        member.source,
                    )
                elif isinstance(member, BaseModel):
                    yield from _numbers(f"{path}.{key}.", member)


_ADDED_LATER = ("urgent", "gfci", "looks")
"""Sections that rule books written before do not have; these take the shipped ones."""


@lru_cache(maxsize=8)
def parse_rule_book(text: str, name: str = "rule book") -> RuleBook:
    """Validate the text of a rule book.

    Args:
        text: TOML.
        name: what to call the file in messages.

    Raises:
        CoverplateError: listing every fault found, not the first only.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CoverplateError(
            f"{name} is not valid TOML: {error}",
            expected="a TOML file laid out like the default rule book",
            to_do="print the default with `coverplate rules show --toml` and start from it",
        ) from error
    try:
        return RuleBook.model_validate(_filled_up(content))
    except ValidationError as error:
        faults = [
            f"  {'.'.join(str(part) for part in fault['loc']) or '(whole file)'}: {fault['msg']}"
            for fault in error.errors()
        ]
        raise CoverplateError(
            f"{name} has {len(faults)} fault(s):\n" + "\n".join(faults),
            expected="every number as { value, unit, source } within its stated range",
            to_do="correct the lines above; nothing was changed",
        ) from error


def _content_hash(content: Any) -> str:  # noqa: ANN401 - any JSON value
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def check_kept(text: str, digest: str) -> dict[str, Any]:
    """Return the content of a text that was kept, whether this program can read it or not.

    Raises:
        CoverplateError: the text is not of that hash.
    """
    try:
        content: dict[str, Any] = json.loads(text)
        found = _content_hash(content)
    except (ValueError, TypeError, RecursionError) as error:
        raise CoverplateError(f"the rule book {digest[:12]} that is kept is not JSON") from error
    if found != digest:
        raise CoverplateError(f"the rule book that is kept as {digest[:12]} is another one")
    return content


def kept_rule_book(text: str, digest: str) -> RuleBook:
    """Return the rule book of a text that was kept (``RuleBook.text``).

    Args:
        text: JSON.
        digest: its hash, as it stands on what it judged.

    Raises:
        CoverplateError: the text is not of that hash, or this program cannot read it any more.
    """
    content = check_kept(text, digest)
    try:
        return RuleBook.model_validate(_filled_up(content))
    except (ValidationError, TypeError) as error:
        raise CoverplateError(
            f"the rule book {digest[:12]} that is kept is none that this program can read"
        ) from error


def _filled_up(content: dict[str, Any]) -> dict[str, Any]:
    """Content with the shipped sections where a rule book of before lacks them."""
    shipped = tomllib.loads(default_rule_book_text())
    return content | {name: shipped[name] for name in _ADDED_LATER if name not in content}


def default_rule_book_text() -> str:
    """Return the TOML text of the rule book shipped with the package."""
    return resources.files("shared").joinpath("rule_book.toml").read_text(encoding="utf-8")


def load_rule_book(path: Path | None = None) -> RuleBook:
    """Load a rule book from a file, or the default shipped with the package.

    Raises:
        CoverplateError: if the file cannot be read or is not a valid rule book.
    """
    if path is None:
        return parse_rule_book(default_rule_book_text(), "the default rule book")
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise CoverplateError(
            f"the rule book {path} cannot be read: {error}",
            expected="a UTF-8 TOML file",
            to_do="check the path",
        ) from error
    return parse_rule_book(text, str(path))
