"""The stages joined: one set from one or more clips, its result, its folder, corrections.

In: clip files and `config.AnalysisConfig`. Out: `setresult.SetResult` (`pipeline.analyse`), and of
several clips `pairset.PairResult`.

`pipeline` visits the stages in order: `straightening` the pictures, `finding` the bar, `following`
it, `placing` it in metres by its camera (`camerafit`) with its `trajectory`, less what a camera in
the hand leaves in it (`sway`), the arms' sight in `armsight`, `measuring`, and `notes` on how it
went. `kept` is what a result keeps of settings and detections, from which `pipeline.remeasure`
measures again, and `running` what is told of the work meanwhile. `pairset` joins several clips:
`pairspace` on one clock and in one space, `setscale` puts each one's heights on a common scale,
`pairtimes` says when things happened, `pairmeasures` and `pairrules` go on from there, named in
`paircatalogue`.

`store` writes and reads result folders, `source` finds the clip of a result again, `stills` chooses
frames worth a picture, `corrections` holds what was put right by hand. `filmcheck` looks at a test
clip, with `shutter` for its blur and `filmlifter` for lifter and bar, and comes back with
`filmfacts`, of which `filmadvice` says what to change and `filmplace` how sure measures would be;
`azimuth` is where around the bench a camera stood.

`places` says how sure measures would be from any place: a typical lifter and set (`madeset`) as the
detectors would see them from there (`madeview`, with the network's errors as `readingspread` has
them), measured by the pipeline. `placemap` holds what came out for a grid of places.
"""

__all__ = [
    "armsight",
    "azimuth",
    "camerafit",
    "config",
    "corrections",
    "filmadvice",
    "filmcheck",
    "filmfacts",
    "filmlifter",
    "filmplace",
    "finding",
    "following",
    "kept",
    "madeset",
    "madeview",
    "measuring",
    "notes",
    "paircatalogue",
    "pairmeasures",
    "pairrules",
    "pairset",
    "pairspace",
    "pairtimes",
    "pipeline",
    "placemap",
    "places",
    "placing",
    "readingspread",
    "running",
    "setresult",
    "setscale",
    "shutter",
    "source",
    "stills",
    "store",
    "straightening",
    "sway",
    "trajectory",
]
