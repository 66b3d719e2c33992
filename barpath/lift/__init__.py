"""Metres become a lift: repetitions, measures, loads on the joints, rules and what to try.

In: curves in metres and seconds, the fitted arms. Out: the rep table (`reps`), the measure table
(`measures`, each row with `u95`, quality and reason), the arms at the bottom as draws (`bottom`),
moment arms (`stacking`), checks against the rules (`rules`), advice (`advice`). `catalogue` says
what a measure is called, its unit and how it is written.
"""

__all__ = ["advice", "bottom", "catalogue", "measures", "reps", "rules", "stacking"]
