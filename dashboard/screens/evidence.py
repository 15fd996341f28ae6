"""What readings prove: one opening drawn from the circuit model, and what each method can tell."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.circuit import PAIR_NAMES, circuit_drawing, in_words, volts
from dashboard.charts.readings import readings as readings_picture
from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import percent, word
from dashboard.components.frame import opened, screen
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, likelihoods, rule_book, version
from pipeline.evidence.lamps import pattern
from pipeline.evidence.opening_facts import FACTS, opening_facts
from pipeline.screens import told_apart
from pipeline.screens.opening_picture import (
    SITUATIONS,
    Situation,
    opening_picture,
    same_lamps,
    with_run,
)
from pipeline.warehouse import predictions
from shared.rule_book import RuleBook
from shared.vocabulary import CONDITIONS, Condition, Method

METHOD_NOTES: dict[Method, str] = {
    Method.VISUAL: "sees slots and labels",
    Method.THREE_LAMP_TESTER: "sees which pairs carry voltage",
    Method.VOLTMETER_UNDER_LOAD: "sees neutral to ground while a load runs",
    Method.GROUND_IMPEDANCE_METER: "sees the path behind the ground contact",
    Method.COVER_OFF_INSPECTION: "sees the wires, by a qualified person",
    Method.GROUND_WIRE_CLAMP: "sees current on the ground wire while a load runs",
    Method.NEUTRAL_LIFTED_TEST: "sees whether the ground wire reaches earth by itself",
    Method.UPSTREAM_BOX_SEEN: "sees what the ground wire meets further up",
}


def controls(book: RuleBook) -> tuple[Condition, Condition, Situation, float]:
    """Which opening, beside which, in which situation, how far from the panel."""
    first, second, third = st.columns(3, vertical_alignment="bottom")
    conditions = [c.value for c in CONDITIONS]
    with first:
        shown = st.selectbox(
            "The opening is",
            conditions,
            index=conditions.index(Condition.FALSE_GROUND.value),
            format_func=word,
            key="condition",
            bind="query-params",
        )
    with second:
        beside = st.selectbox(
            "Beside it",
            conditions,
            index=conditions.index(Condition.GROUNDED.value),
            format_func=word,
            key="beside",
            bind="query-params",
        )
    with third:
        feet = st.slider(
            "Feet of cable from the panel",
            min_value=10,
            max_value=200,
            value=int(float(book.circuit.run_length)),
            step=5,
            key="feet",
            bind="query-params",
        )
    situation = st.radio(
        "What is plugged in",
        [s.value for s in Situation],
        format_func=lambda key: SITUATIONS[Situation(key)],
        key="plugged",
        bind="query-params",
        horizontal=True,
    )
    return (
        Condition(shown or Condition.FALSE_GROUND),
        Condition(beside or Condition.GROUNDED),
        Situation(situation or Situation.TESTER),
        float(feet),
    )


def verdict(book: RuleBook, condition: Condition) -> str:
    """Which conditions the lamps cannot tell from this one."""
    alike = [word(c.value) for c in same_lamps(book.circuit, condition) if c is not condition]
    lit = pattern(book.circuit, condition)
    lamps = ", ".join(
        f"{name} {'lit' if on else 'dark'}" for name, on in zip(PAIR_NAMES, lit, strict=True)
    )
    if not alike:
        told = f"No other condition lights the same lamps ({lamps})."
    else:
        told = (
            f"The lamps show the same ({lamps}) for <b>{plate.text(word(condition.value))}</b> and "
            f"for <b>{plate.text(' and '.join(alike))}</b>. However good the tester and however "
            "careful the hand, this reading cannot tell them apart."
        )
    return f'<section class="panel next"><h3>Three lamps are not proof</h3><p>{told}</p></section>'


def drawn(book: RuleBook, condition: Condition, situation: Situation, feet: float) -> str:
    """One opening: heading, drawing, words."""
    shown = opening_picture(with_run(book.circuit, feet), condition, situation)
    words = "".join(f"<li>{plate.text(line)}</li>" for line in in_words(shown))
    return (
        f"<section><h3>{plate.text(word(condition.value)).capitalize()}</h3>"
        f"{circuit_drawing(shown)}<ul>{words}</ul></section>"
    )


def matrix(book: RuleBook, reference: Condition) -> str:
    """Methods against conditions, seen from one condition."""
    frame = told_apart.against(likelihoods(book), reference)

    def cell(method: Method) -> Any:  # noqa: ANN401 - a function of a row
        def told(row: dict[str, Any]) -> str:
            apart = bool(row[f"{method.value}_apart"])
            distance = f"{row[method.value]:.2f}"
            mark = "● told apart" if apart else "○ looks the same"
            kind = "strong" if apart else "soft"
            return f'<span class="{kind}">{mark}</span> <span class="soft small">{distance}</span>'

        return told

    columns = [plate.Column("From", lambda r: plate.text(word(r["condition"])), heads=True)]
    columns += [
        plate.Column(word(m.value).capitalize(), cell(m), note=METHOD_NOTES[m]) for m in Method
    ]
    limit = f"{float(book.evidence.told_apart):.2f}"
    caption = (
        f"Can a method tell {word(reference.value)} from …? The number is the distance between "
        f"what it reports in the two cases: 0 the same reports, 1 never the same; told apart from "
        f"{limit}."
    )
    return plate.table(frame.to_dict(orient="records"), columns, plate.text(caption))


SAID = {
    predictions.WITHOUT_OWN_LOOKS: "This build, without an opening's own looks",
    predictions.EARLIER_BUILDS: "The build before its first capable look",
}


def said_and_found(source: Source) -> None:
    """What was said of openings, beside what capable looks found."""
    st.subheader("Was it as we said?", anchor=False)
    found = predictions.said_and_found(source.cursor(), source.workspace)
    if found.empty:
        st.caption("No opening was seen by a capable method yet, so there is nothing to compare.")
        return
    columns = [
        plate.Column("Who said it", lambda r: plate.text(SAID[r["basis"]]), heads=True),
        plate.Column(
            "Chance of danger said", lambda r: f"{percent(r['said_from'])}–{percent(r['said_to'])}"
        ),
        plate.Column("Openings", lambda r: f"{r['openings']:,}", "right"),
        plate.Column("Said, mean", lambda r: percent(r["said"]), "right"),
        plate.Column("Found", lambda r: percent(r["found"]), "right"),
    ]
    caption = (
        "Openings seen by a method that can see a false ground, by the chance of danger that was "
        "said of them before. Found: the mean chance with those looks. Openings with a repair are "
        "left out. Looks that are picked because somebody expects something find more."
    )
    plate.show(plate.table(found.to_dict(orient="records"), columns, caption), key="said")
    downloads(found, "said-and-found", "What was said and what was found")


@screen(
    "What readings prove",
    "The wiring behind an opening, solved as a circuit: what a tester, a meter and a person would "
    "meet in each condition, and which readings cannot tell one condition from another.",
)
def page() -> None:
    """The screen."""
    book = rule_book()
    condition, beside, situation, feet = controls(book)
    plate.show(verdict(book, condition), key="verdict")
    left, right = st.columns(2, gap="large")
    with left:
        plate.show(drawn(book, condition, situation, feet), key="drawn")
    with right:
        plate.show(drawn(book, beside, situation, feet), key="beside-drawn")
    st.caption(
        f"Thick lines carry current. Three-slot opening, {float(book.circuit.conductor_gauge):g} "
        f"AWG, {feet:.0f} ft, {volts(float(book.circuit.supply_volts))}; a person of "
        f"{float(book.circuit.body_ohms):,.0f} Ω on earth. Lamps are named by the pair of "
        "conductors they sit between; order and colour differ by maker."
    )

    st.subheader("What each method can tell", anchor=False)
    plate.show(matrix(book, condition), key="matrix")
    pairs = likelihoods(book).distinguishes()
    downloads(pairs, "told-apart", "Every pair of conditions by method")

    st.subheader("How often each method reports what", anchor=False)
    method = st.segmented_control(
        "Method",
        [m.value for m in Method],
        default=Method.THREE_LAMP_TESTER.value,
        format_func=word,
        key="method",
        bind="query-params",
    )
    table = told_apart.readings(likelihoods(book), Method(method or Method.THREE_LAMP_TESTER))
    st.caption(
        "From the circuit model and the rule book's rates of misreading. Results that come up in "
        "less than 5 % of looks under every condition are left out."
    )
    picture(
        readings_picture(table, tone()),
        f"Probability of each result by condition for the {word(method)}",
        table,
        f"readings-{method}",
    )

    st.subheader("All the model's answers", anchor=False)
    facts = opening_facts(book.circuit, feet=feet)
    with st.expander("Volts, ohms, amperes and seconds for every condition"):
        st.dataframe(facts, hide_index=True, alt="The circuit model's answers for each condition")
        st.markdown("\n".join(f"- `{name}`: {meaning}" for name, meaning in FACTS.items()))
    downloads(facts, "circuit-model", "The circuit model's answers")
    if version() is not None:
        said_and_found(opened())


page()
