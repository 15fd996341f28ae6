"""A gate that can fail: invented worlds whose truth is known, and three who guess at it.

Nothing here imports the model that is judged (``pipeline.evidence``). Worlds write ordinary CSV
files, Coverplate is run on these like any export, and its documented answers are compared with the
truth, with an afternoon's beta-binomial, and with the exact posterior of the world's own rules.

Reading order: ``hierarchy`` (the rules of a world), ``worlds`` (the catalogue), ``generate``
(truth and exports), ``readings`` (what a look writes), ``exact``, ``beta_binomial`` and
``coverplate_run`` (the contenders), ``measures``, ``trial`` (all of it, as a table),
``verdicts`` (what must hold).

Every number of a world is invented for it, in the spirit of what is known of old houses, and none
is taken from or fitted to the rule book.
"""
