"""What is exposed? The first question of whoever insures the buildings."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.exposure import concentration as concentration_picture
from dashboard.charts.portfolio import insured_by_group
from dashboard.components import plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import amount, count, missing, percent, plural
from dashboard.components.frame import empty, follow, opened, screen, state_of_build
from dashboard.components.picture import picture, tone
from pipeline.screens import exposed

ROWS = 20
CUTS = {"era": "era", "owner": "owner", "city": "town", "manager": "manager"}
EVIDENCE = {"none": "nobody looked", "blind_only": "blind methods only", "capable": "capable"}


def standing(sums: dict[str, float]) -> str:
    """The insured value in figures."""
    insured = sums["insured"] or 1.0
    without = int(sums["without_value"])
    return plate.figures(
        [
            (
                "Insured value",
                amount(sums["insured"]),
                f"{plural(sums['buildings'] - without, 'building')}"
                + (f"; {count(without)} more without a value" if without else ""),
            ),
            (
                "With a dangerous opening",
                amount(sums["insured_expected"]),
                f"expected, {percent(sums['insured_expected'] / insured)}: value × probability of "
                "any",
            ),
            (
                "Where nobody can know",
                amount(sums["insured_blind"]),
                f"{percent(sums['insured_blind'] / insured)}: no method able to see a false ground",
            ),
            (
                "With a confirmed defect",
                amount(sums["insured_confirmed"]),
                f"{percent(sums['insured_confirmed'] / insured)} of the value",
            ),
            (
                "Urgent",
                amount(sums["insured_urgent"]),
                "in buildings with something plainly reported or measured that cannot wait",
            ),
        ]
    )


def columns() -> list[plate.Column]:
    """The columns of the exposed buildings."""

    def name(row: dict[str, Any]) -> str:
        urgent = ' <span class="chip urgent">▲ Urgent</span>' if row["urgent"] else ""
        facts = [
            str(part) for part in (row["city"], row["owner"], row["era_label"]) if not missing(part)
        ]
        return (
            f'<span class="strong">'
            f"{plate.link(row['name'], 'building', id=row['building_id'])}</span>{urgent}<br>"
            f'<span class="soft small">{plate.text(" · ".join(facts))}</span>'
        )

    def dangerous(row: dict[str, Any]) -> str:
        low, high = row["dangerous_low"], row["dangerous_high"]
        return f'<span class="num">{low if low == high else f"{low}–{high}"}</span>'

    def value(key: str) -> Any:  # noqa: ANN401 - a function of a row
        return lambda row: f'<span class="num">{amount(row[key])}</span>'

    return [
        plate.Column("Building", name, heads=True, width="17rem"),
        plate.Column("Insured value", value("insured_value"), half=True),
        plate.Column(
            "Any dangerous opening",
            lambda r: f'<span class="num">{percent(r["p_any_dangerous"])}</span>',
            half=True,
        ),
        plate.Column("Value × probability", value("exposed"), half=True),
        plate.Column("Dangerous openings", dangerous, half=True),
        plate.Column("Evidence", lambda r: EVIDENCE.get(r["evidence"], "–"), half=True),
        plate.Column(
            "Blind", lambda r: f'<span class="num">{percent(r["blind_share"])}</span>', half=True
        ),
        plate.Column(
            "Most useful next look",
            lambda r: f'<span class="small">{plate.text(r["next_look"])}</span>',
            width="15rem",
        ),
    ]


@screen(
    "What is exposed?",
    "Insured value beside what is known about the openings behind it: where danger is likely, "
    "and where nobody is in a position to know.",
)
def page() -> None:
    """The screen."""
    source = opened()
    state_of_build(source)
    sums = source.ask(exposed.totals)
    if not sums["insured"]:
        empty(
            "no-values",
            "No insured values",
            "No register that was taken in names insured values. Take in a policy schedule with "
            "building_id and insured_value; the rest of Coverplate does without.",
        )
        return
    plate.show(standing(sums), key="standing")

    st.subheader("Value by what was done to find out", anchor=False)
    cut = st.segmented_control(
        "By",
        list(CUTS),
        default="era",
        format_func=lambda key: CUTS[key],
        key="by",
        bind="query-params",
    )
    frame = source.ask(exposed.by_group, cut or "era")
    picture(
        insured_by_group(plate.cells(frame), tone()),
        "Insured value by group: seen by a capable method, by blind methods only, never",
        frame,
        f"insured-by-{cut}",
    )

    left, right = st.columns([3, 2], gap="large")
    with left:
        st.subheader("How the harm gathers", anchor=False)
        curve = source.ask(exposed.concentration)
        picture(
            concentration_picture(curve, tone()),
            "Share of the expected harm against share of the insured value",
            curve,
            "concentration",
        )
    with right:
        st.markdown(
            "Buildings are taken by expected harm per insured value, most first. The dashed line "
            "is where every unit of value would carry the same harm. The further the curve bends "
            "away from it, the fewer buildings carry most of the risk.\n\n"
            "Expected harm is for ranking; it is neither a claims forecast nor a premium."
        )

    st.subheader("Buildings", anchor=False)
    rows = source.ask(exposed.buildings, limit=ROWS)
    body = plate.table(
        rows.to_dict(orient="records"),
        columns(),
        plate.text(f"The {len(rows)} largest by value × probability of any dangerous opening."),
        row_class=lambda row: "urgent" if row["urgent"] else "",
    )
    follow(plate.show(body, key="exposed"))
    downloads(lambda: exposed.buildings(source.cursor()), "exposure", "All buildings by exposure")


page()
