"""The catalogue of worlds.

``assumptions_hold`` is False where the world was made to break something that Coverplate supposes
(eras the other way round), where what the exact posterior knows cannot be known (which readers are
lenient; how many bonds lie upstream: with everything else known but the rates by era, a share of .2
and the true .6 differ by 5.7 and 2.8 in log likelihood, first seeds 2026 and 2027), or where so
little was looked at that the exact posterior's knowledge of the world's own rates is most of what
it knows. There Coverplate must still not fall below the beta-binomial.
"""

from __future__ import annotations

from dataclasses import replace

from tests.evidence.gate.hierarchy import World

_FLATS = World("flats", "one hand wired each dwelling")

WORLDS: dict[str, World] = {
    world.name: world
    for world in (
        _FLATS,
        World("circuits", "circuit by circuit hands", loyalty=0.10, reversed_share=0.08),
        World(
            "crews",
            "some managers' contractors jumper far more",
            jumper_mean=0.25,
            jumpering_managers=0.35,
            manager_odds=8.0,
            reversed_share=0.12,
        ),
        World(
            "upstream",
            "most jumperers bond once, at the first box",
            assumptions_hold=False,
            head_share=0.6,
            loyalty=0.85,
        ),
        World(
            "eras_reversed",
            "newer buildings are the worse ones",
            assumptions_hold=False,
            newer_worse=True,
        ),
        World(
            "sparse",
            "few looks, most buildings unvisited",
            assumptions_hold=False,
            visited=0.30,
            dwelling_share=0.4,
            opening_share=0.5,
            buildings=120,
        ),
        World(
            "lenient",
            "two of six inspectors let faults pass",
            assumptions_hold=False,
            lenient_readers=2,
            leniency=0.5,
        ),
        replace(
            _FLATS,
            name="no_places",
            meaning="flats, but exports name no dwelling and no circuit",
            assumptions_hold=False,
            with_places=False,
        ),
    )
}
