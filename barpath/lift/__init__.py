"""Metres become a lift: repetitions, measures, loads on the joints, rules and what to try.

In: curves in metres and seconds, the fitted arms. Out: the rep table (`reps`), the measure table
(`measures`, each row with `u95`, quality and reason; read another way in `measuresummary`), the
arms at the bottom as draws (`bottom`), moment arms (`stacking`), checks against the rules
(`rules`), advice (`advice`). `catalogue` says what a measure is called, its unit and how it is
written.

Underneath, for repetitions: height and speed with their turns and stops (`barmotion`), turns
gathered into repetitions (`turns`), the events of one (`repevents`) and of the set (`setevents`).
For measures: the bar's way as curves (`barcurves`), measures of its height (`heightmeasures`), of
its path and tilt (`pathmeasures`) and of the arms (`armmeasures`), how a row is made
(`measurerow`).
"""

__all__ = [
    "advice",
    "armmeasures",
    "barcurves",
    "barmotion",
    "bottom",
    "catalogue",
    "heightmeasures",
    "measurerow",
    "measures",
    "measuresummary",
    "pathmeasures",
    "repevents",
    "reps",
    "rules",
    "setevents",
    "stacking",
    "turns",
]
