"""Points of a table moved into the steadied image: that of the clip's first frame."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from barpath.clip.scene import transforms_of


def steady(track: pd.DataFrame, camera: pd.DataFrame, prefixes: Sequence[str]) -> pd.DataFrame:
    """Move image points of a table into the steadied image.

    Parameters
    ----------
    track : DataFrame
        Table with `frame` and, for every prefix, columns `{prefix}x_px` and `{prefix}y_px`.
    camera : DataFrame
        Camera table; frames without a transform give NaN.
    prefixes : sequence of str
        Point names with their trailing underscore, `""` for plain `x_px`.

    Returns
    -------
    DataFrame
        Copy of `track`. Lengths named `major_px`, `minor_px` or ending in `plate_px` or
        `sleeve_px` are scaled, and `angle_deg` is turned, by the same similarity.
    """
    maps = camera.set_index("frame").reindex(track["frame"])
    (m00, m01, m02), (m10, m11, m12) = transforms_of(maps).transpose(1, 2, 0)
    # Put together at once: columns set one by one leave a table of many pieces.
    moved = {name: track[name] for name in track.columns}
    for prefix in prefixes:
        x = track[f"{prefix}x_px"].to_numpy(dtype=float)
        y = track[f"{prefix}y_px"].to_numpy(dtype=float)
        moved[f"{prefix}x_px"] = m00 * x + m01 * y + m02
        moved[f"{prefix}y_px"] = m10 * x + m11 * y + m12
    zoom = np.sqrt(np.abs(m00 * m11 - m01 * m10))
    for column in track.columns:
        if column in ("major_px", "minor_px") or column.endswith(("plate_px", "sleeve_px")):
            moved[column] = track[column].to_numpy(dtype=float) * zoom
    if "angle_deg" in track:
        turned = track["angle_deg"].to_numpy(dtype=float) + np.rad2deg(np.arctan2(m10, m00))
        moved["angle_deg"] = (turned + 90) % 180 - 90
    return pd.DataFrame(moved, index=track.index)
