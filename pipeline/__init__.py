"""From bytes to a ranking, one direction only: landing, evidence, scoring, warehouse, cli."""
