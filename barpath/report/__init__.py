"""Pictures, marked clips and pages that people read.

In: results and tables. Out: files. `facts` joins the measures of a set, `answer` says in words what
they come to, `findings` what differs between repetitions; `output.publish` writes a set's folder.

Drawn on frames: `framestate` is what was measured in each, `strokes` are lines and letters,
`overlay` the marked frame, `bottompicture` the arms at the bottom. Figures: `picture` is their
style; `pathplots`, `timeplots`, `measureplots`, `above` and `blockplots` draw them, `placeplots`
the map of camera places.

Pages (`pages`: templates, escaped): of a set (`setpage`), of clips of one set (`pairpage`,
`pairfolder`), of sets side by side (`beside`, `besidefilm`, `besidepage`), of a block
(`blockwords`, `blockpages`, `comparepage`), their folder (`pagesfolder`), and of a photo (`photo`).
"""

__all__ = [
    "above",
    "answer",
    "beside",
    "besidefilm",
    "besidepage",
    "blockpages",
    "blockplots",
    "blockwords",
    "bottompicture",
    "comparepage",
    "facts",
    "findings",
    "framestate",
    "measureplots",
    "output",
    "overlay",
    "pages",
    "pagesfolder",
    "pairfolder",
    "pairpage",
    "pathplots",
    "photo",
    "picture",
    "placeplots",
    "setpage",
    "strokes",
    "timeplots",
]
