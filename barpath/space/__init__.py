"""Pixels become metres: the camera from the bar and its parts, the arms in space, smooth curves.

In: the tables of what is seen (pixels). Out: a camera with draws of others that it may be
(`fittedcamera`), from a plate (`platecamera`), from a bar without plates (`barecamera`) or from a
bar seen from the feet (`feetcamera`); how far its lengths may be off together (`scalecheck`);
how far along the bench a bar seen from the feet lies (`alongbench`); joints in the plane of the
view (`joints`), both arms fitted to the whole set with draws from the
covariance (`armfit`, metres), their angles in the trunk's frame (`arms3d`, degrees), smoothed
curves (`smooth`), and two clips' clocks laid on each other (`pairing`, seconds).

Underneath: points moved into the steadied image (`steadying`), a camera's lines of sight
(`pinhole`), what it sees of discs (`discs`) and of the bar's parts (`barparts`); cameras in the
world of the arms and what they saw (`sights`), what is known of arms beforehand (`armprior`),
readings of all cameras (`armreadings`) and what the network adds to them of its own (`armguess`),
residuals (`armproblem`) and their solution (`armsolve`); where around the bench a camera stood
(`standpoint`).
"""

__all__ = [
    "alongbench",
    "armfit",
    "armguess",
    "armprior",
    "armproblem",
    "armreadings",
    "arms3d",
    "armsolve",
    "barecamera",
    "barparts",
    "discs",
    "feetcamera",
    "fittedcamera",
    "joints",
    "pairing",
    "pinhole",
    "platecamera",
    "scalecheck",
    "sights",
    "smooth",
    "standpoint",
    "steadying",
]
