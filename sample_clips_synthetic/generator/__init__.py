"""Generator of synthetic bench-press clips: a skinned human body, a barbell, a room and a camera.

World frame, metres: x toward the lifter's head, y up, z toward the lifter's left; the origin lies
on the floor under the middle of the shoulder joints of the lying lifter.
"""
