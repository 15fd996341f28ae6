"""What each invented portfolio looks like before chance has its say.

Every town, street, firm and person here is invented. The coordinates lie out at sea, so that a map
of them can never be taken for a real town. Rates are invented for the demonstration; they are not
estimates of anything.
"""

from __future__ import annotations

from dataclasses import dataclass

from shared.faults import CoverplateError
from shared.vocabulary import Method, Selection


@dataclass(frozen=True)
class Inspector:
    """A reader of openings, with a hand of their own.

    Attributes:
        name: as it stands in the exports.
        misread: probability that a reading is another one than the method shows.
        passes_everything: writes "correct" wherever there is power, whatever the method shows.
        methods: methods the person carries, with the share of visits each is used on.
    """

    name: str
    misread: float
    methods: tuple[tuple[Method, float], ...]
    passes_everything: bool = False


@dataclass(frozen=True)
class Profile:
    """The shape of one portfolio.

    Attributes:
        name: key in ``PROFILES``.
        towns: invented towns; each has a centre (latitude, longitude).
        streets: invented streets.
        id_format: format of a building identifier from its number, counted from 1.
        era_weights: relative share of buildings by decade, 1900s to 2010s.
        dwelling_weights: (dwellings in the building, relative share).
        owners, managers: invented firms; more are numbered when a portfolio needs more.
        buildings_per_owner, buildings_per_manager: how fast the number of firms grows with the
            portfolio.
        crew_owners, crew_managers: positions (modulo ``crew_cycle``) of the firms whose one crew
            made false grounds in many houses.
        crew_cycle: every how many firms that repeats.
        insured: whether the register holds sums insured.
        with_counts: share of buildings whose register holds the receptacle count.
        missing: share of other register facts that are missing.
        inspectors: the readers.
        visits: mean number of visits to a building.
        selection: why a visit looks at what it looks at, with relative shares.
    """

    name: str
    towns: tuple[tuple[str, float, float, str], ...]
    streets: tuple[str, ...]
    id_format: str
    era_weights: tuple[float, ...]
    dwelling_weights: tuple[tuple[int, float], ...]
    owners: tuple[str, ...]
    managers: tuple[str, ...]
    buildings_per_owner: float
    buildings_per_manager: float
    inspectors: tuple[Inspector, ...]
    visits: float
    selection: tuple[tuple[Selection, float], ...]
    crew_owners: tuple[int, ...] = ()
    crew_managers: tuple[int, ...] = ()
    crew_cycle: int = 6
    insured: bool = False
    with_counts: float = 0.7
    missing: float = 0.08


LAMPS = Method.THREE_LAMP_TESTER
VOLTS = Method.VOLTMETER_UNDER_LOAD
OHMS = Method.GROUND_IMPEDANCE_METER
COVER = Method.COVER_OFF_INSPECTION
UPSTREAM = Method.UPSTREAM_BOX_SEEN
LIFTED = Method.NEUTRAL_LIFTED_TEST
LOOK = Method.VISUAL

HOUSING_AUTHORITY = Profile(
    name="housing_authority",
    towns=(("Brackwyth", 36.42, -48.21, "00417"),),
    streets=(
        "Tallowgate",
        "Heronsend Row",
        "Cobblewick Lane",
        "Pennyquill Street",
        "Ropewright Yard",
        "Saltlantern Way",
    ),
    id_format="{:04d}",
    era_weights=(1, 1, 3, 4, 5, 5, 4, 3, 1, 1, 0.5, 0.5),
    dwelling_weights=((2, 2), (3, 2), (4, 4), (6, 4), (8, 3), (12, 2)),
    owners=("Brackwyth Housing Authority",),
    managers=("Northquay Office", "Tallowgate Office", "Eelmarket Office"),
    buildings_per_owner=1e9,
    buildings_per_manager=9,
    crew_managers=(1,),
    inspectors=(
        Inspector("K. Orlan", 0.015, ((LAMPS, 0.85), (VOLTS, 0.15))),
        Inspector("T. Vesk", 0.02, ((LAMPS, 0.9), (LOOK, 0.1))),
        Inspector("M. Ildray", 0.10, ((LAMPS, 1.0),)),
        Inspector("B. Quenth", 0.03, ((LAMPS, 1.0),), passes_everything=True),
        Inspector(
            "S. Ambrel",
            0.005,
            ((COVER, 0.5), (VOLTS, 0.22), (OHMS, 0.15), (UPSTREAM, 0.08), (LIFTED, 0.05)),
        ),
    ),
    visits=1.9,
    selection=(
        (Selection.RANDOM, 0.35),
        (Selection.TARGETED, 0.25),
        (Selection.COMPLAINT, 0.15),
        (Selection.SURVEY, 0.1),
        (Selection.UNKNOWN, 0.15),
    ),
)

PROPERTY_MANAGER = Profile(
    name="property_manager",
    towns=(("Zwennock Quay", -33.41, -18.72, "07030"),),
    streets=("Whelk Terrace", "Old Caulker Street", "Marram Rise", "Fivepost Lane"),
    id_format="ZQ-{:02d}",
    era_weights=(1, 1, 2, 2, 2, 3, 2, 1, 0.5, 0.5, 0.3, 0.2),
    dwelling_weights=((1, 3), (2, 4), (3, 3), (4, 2), (6, 1)),
    owners=("Morrabyth Estates", "Dunlish Family Trust", "Fivepost Homes", "Ondry Holdings"),
    managers=("Ondry & Vale Lettings",),
    buildings_per_owner=3.5,
    buildings_per_manager=1e9,
    crew_owners=(1,),
    inspectors=(
        Inspector("P. Corrow", 0.02, ((LAMPS, 0.8), (VOLTS, 0.2))),
        Inspector("L. Fennadine", 0.01, ((COVER, 0.45), (OHMS, 0.45), (UPSTREAM, 0.1))),
        Inspector("crew phone 3", 0.05, ((LAMPS, 1.0),)),
    ),
    visits=3.2,
    selection=(
        (Selection.RANDOM, 0.2),
        (Selection.TARGETED, 0.3),
        (Selection.COMPLAINT, 0.3),
        (Selection.SURVEY, 0.1),
        (Selection.UNKNOWN, 0.1),
    ),
)

INSURER = Profile(
    name="insurer",
    towns=(
        ("Ulbraeth", 41.03, -38.52, "02215"),
        ("Port Ilvarrick", 41.31, -38.13, "02240"),
        ("Grennickholm", 40.77, -38.88, "02261"),
    ),
    streets=("Lampblack Street", "Kiln Parade", "Sorrel Mews", "Gannet Rise", "Drover's Cut"),
    id_format="{:07d}",
    era_weights=(2, 2, 3, 3, 3, 4, 4, 4, 3, 3, 2, 2),
    dwelling_weights=((1, 6), (2, 3), (3, 2), (4, 2), (6, 1)),
    owners=(
        "Quarnell Properties",
        "Hestwick & Daughters",
        "Bellbuoy Housing Society",
        "Lowtide Lettings",
        "Ulbraeth Almshouse Trust",
        "Gannet Rise Owners",
        "Thornapple Holdings",
        "Sorrel Mews Owners",
        "Quavrin Lettings",
        "Ilvarrick Widows' Fund",
        "Lampblack Partners",
        "Estate of H. Dunvarrow",
        "Kiln Parade Freeholders",
    ),
    managers=(
        "Kiln Parade Agents",
        "Ilvarrick Estate Office",
        "Drovers Management",
        "Holm Lettings",
    ),
    buildings_per_owner=3,
    buildings_per_manager=10,
    crew_owners=(1,),
    insured=True,
    with_counts=0.35,
    missing=0.15,
    inspectors=(
        Inspector("Surveyor 11", 0.02, ((LAMPS, 0.7), (LOOK, 0.3))),
        Inspector("Surveyor 14", 0.02, ((LAMPS, 0.6), (VOLTS, 0.4))),
        Inspector("Surveyor 17", 0.03, ((LAMPS, 1.0),), passes_everything=True),
        Inspector(
            "Surveyor 20", 0.01, ((COVER, 0.6), (OHMS, 0.25), (UPSTREAM, 0.1), (LIFTED, 0.05))
        ),
    ),
    visits=1.1,
    selection=(
        (Selection.RANDOM, 0.55),
        (Selection.TARGETED, 0.2),
        (Selection.SURVEY, 0.05),
        (Selection.UNKNOWN, 0.2),
    ),
)

CALIBRATION = Profile(
    name="calibration",
    towns=(("Ulbraeth", 41.03, -38.52, "02215"),),
    streets=("Lampblack Street", "Kiln Parade"),
    id_format="C{:06d}",
    era_weights=(1, 1, 2, 2, 2, 3, 3, 2, 1, 1, 1, 1),
    dwelling_weights=((1, 6), (2, 3), (3, 1)),
    owners=("Quarnell Properties", "Lowtide Lettings"),
    managers=("Kiln Parade Agents", "Drovers Management"),
    buildings_per_owner=12,
    buildings_per_manager=60,
    with_counts=1.0,
    missing=0.05,
    inspectors=(
        Inspector("R. Tavish-Oke", 0.02, ((LAMPS, 1.0),)),
        Inspector("N. Solverin", 0.02, ((LAMPS, 0.5), (VOLTS, 0.3), (OHMS, 0.2))),
        Inspector("S. Ambrel", 0.01, ((COVER, 1.0),)),
    ),
    visits=1.5,
    selection=((Selection.RANDOM, 0.8), (Selection.TARGETED, 0.1), (Selection.SURVEY, 0.1)),
)

PROFILES: dict[str, Profile] = {
    profile.name: profile for profile in (HOUSING_AUTHORITY, PROPERTY_MANAGER, INSURER, CALIBRATION)
}
"""Three kinds of user, and ``calibration``: many small buildings for simulation tests."""


def profile_named(name: str) -> Profile:
    """Return the profile of that name; ``CoverplateError`` naming the known ones otherwise."""
    try:
        return PROFILES[name]
    except KeyError:
        raise CoverplateError(
            f"no invented portfolio is called {name!r}",
            expected="one of " + ", ".join(PROFILES),
            to_do="Choose one of these names.",
        ) from None
