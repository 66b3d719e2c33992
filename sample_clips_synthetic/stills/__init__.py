"""Random stills of a lifter under a bar, with the truth of every point: a training set.

World frame, metres, as in the generator beside it: x toward the lifter's head, y up, z toward the
lifter's left; the origin lies on the floor under the middle of the shoulder joints.
"""
