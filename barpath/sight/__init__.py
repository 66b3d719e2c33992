"""What is seen in the pictures: plate, bar and the lifter's joints, in pixels with uncertainty.

In: frames. Out, a row a frame: the plate table (`plate`), the bar table (`barline`, its ends placed
by `barends`) and the pose table (`pose`, read by the joint network `jointnet`). `firstlook` says
what the network sees before the bar is sought, `bridge` what the hands say of a bar that is lost,
`ellipse` holds the geometry of outlines. All places in image pixels, standard uncertainties too.
"""

__all__ = ["barends", "barline", "bridge", "ellipse", "firstlook", "jointnet", "plate", "pose"]
