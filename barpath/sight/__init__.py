"""What is seen in the pictures: plate, bar and the lifter's joints, in pixels with uncertainty.

In: frames. Out, a row a frame: the plate table (`platetrack`), the bar table (`bartrack`, its ends
placed by `barends`) and the pose table (`pose`). All places in image pixels, standard uncertainties
too. Each of the three is walked from its first module to its last, over `pictures` (grey levels and
parts of pictures):

- the plate (side, oblique): `plate` says what is said of it, `ellipse` holds the geometry of
  outlines, `plateoutline` finds the outline in one picture, `platemaps` scores it at every place.
  `platefind` finds the plate in a clip: by `platesamples`, `platepaths`, `platemates`,
  `platemeasure` and `platebehind`. `platetrack` follows it, `plateface` says how its face moved,
  `platestack` lays the pictures over one another, `platerim` says where its rim is.
- the bar (front): `barline` says what is said of it, `baredges` finds edges and fits the line,
  `shaft` knows how the shaft looks across. `barfind` finds the bar in a clip: by `barsearch` and
  `barmodel`. `bartrack` follows it, by `shaftline` and `barplates`; `barends` says where the shaft
  ends, in pictures that `barstrips` lays over one another.
- the lifter: `jointnet` reads joints in a picture, `lifter` finds and follows who is read, `pose`
  makes the table. `firstlook` says what the network sees before the bar is sought, `strays` where
  something else was followed for a bar seen from the feet, `bridge` what the hands say of a bar
  that is lost. Of a bar without plates, from aside, `sleeve` says where the nearer end is and how
  large it looks, in pictures that `sleevelooks` keeps, and by its face as `sleeveface` knows it;
  `sleevewidths` how thick both sleeves look at an angle.
"""

__all__ = [
    "baredges",
    "barends",
    "barfind",
    "barline",
    "barmodel",
    "barplates",
    "barsearch",
    "barstrips",
    "bartrack",
    "bridge",
    "ellipse",
    "firstlook",
    "jointnet",
    "lifter",
    "pictures",
    "plate",
    "platebehind",
    "plateface",
    "platefind",
    "platemaps",
    "platemates",
    "platemeasure",
    "plateoutline",
    "platepaths",
    "platerim",
    "platesamples",
    "platestack",
    "platetrack",
    "pose",
    "shaft",
    "shaftline",
    "sleeve",
    "sleeveface",
    "sleevelooks",
    "sleevewidths",
    "strays",
]
