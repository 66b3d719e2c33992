"""Pages that ask nothing of the network: templates, what goes into them, and their safety.

The templates lie in `templates/`. Everything that is put into them is escaped (Jinja2's
autoescape) and freed from control and direction-changing characters; only what templates make
themselves is HTML. Style and pictures are inside the page, and its content security policy forbids
scripts and every connection.
"""

from __future__ import annotations

import base64
import hashlib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PrefixLoader, StrictUndefined
from markupsafe import Markup

from barpath.report.picture import Picture

FOLDER = Path(str(files("barpath")))
NBSP = "\u00a0"
QUALITIES = ("good", "fair", "poor", "missing")


def clean(text: Any) -> str:
    """Text from outside without control and direction-changing characters."""
    text = str(text).encode("utf-8", "replace").decode("utf-8")
    # Pictures as text are long, and plain.
    if text.isascii() and text.isprintable():
        return text
    kept = (c for c in text if unicodedata.category(c) not in ("Cc", "Cf") or c == "\u200d")
    return "".join(kept)


def data_uri(data: bytes, kind: str) -> str:
    """Bytes as an address that holds them."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


@dataclass(frozen=True)
class Photo:
    """A picture for a page: an address that holds it, its size, and what it shows, in words."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


def photo(
    image: np.ndarray, alt: str, caption: str, longer_side_px: int = 1280, quality: int = 86
) -> Photo:
    """An RGB image for a page, scaled down where it is larger than `longer_side_px`."""
    shrink = longer_side_px / max(image.shape[:2])
    if shrink < 1.0:
        image = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    options = [cv2.IMWRITE_JPEG_QUALITY, quality]
    _, data = cv2.imencode(".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), options)
    height, width = image.shape[:2]
    return Photo(data_uri(data.tobytes(), "image/jpeg"), width, height, alt, caption)


def svg_uri(picture: Picture) -> str:
    """A drawing as an address that holds it."""
    return data_uri(picture.svg(), "image/svg+xml")


def plural(n: int, word: str) -> str:
    """A count and its word.

    Examples
    --------
    >>> plural(1, "repetition"), plural(2, "repetition")
    ('1 repetition', '2 repetitions')
    """
    return f"{n} {word}{'' if n == 1 else 's'}"


def unbroken(text: str) -> str:
    """Numbers with their uncertainty and unit kept on one line."""
    return text.replace(" ± ", f"{NBSP}±{NBSP}").replace(" cm", f"{NBSP}cm")


def _put(value: Any) -> Any:
    """What a template writes: text from outside is cleaned, a template's own HTML is not."""
    return value if isinstance(value, Markup) or not isinstance(value, str) else clean(value)


@cache
def templates(**more: Path) -> Environment:
    """The templates of pages; `more` are folders of others, by what goes before their names."""
    environment = Environment(
        loader=ChoiceLoader(
            [
                FileSystemLoader(FOLDER / "report" / "templates"),
                PrefixLoader({name: FileSystemLoader(folder) for name, folder in more.items()}),
            ]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_put,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"svg_uri": svg_uri, "unbroken": unbroken}
    environment.globals |= {"QUALITIES": QUALITIES}
    return environment


def fill(template: str, **context: Any) -> str:
    """A template filled in."""
    return templates().get_template(template).render(**context)


def render(template: str, *, media: str = "", more_style: str = "", **context: Any) -> str:
    """A page as a whole HTML document.

    Parameters
    ----------
    template : str
        A file of `templates/` that extends `base.html`.
    media : str
        What the content security policy allows beside embedded pictures.
    more_style : str
        Style sheet after the reports' own.
    **context
        What the template asks for, `title` among it.

    Returns
    -------
    str
    """
    style = (FOLDER / "assets" / "report.css").read_text("utf-8") + more_style
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; {media}"
        "base-uri 'none'; form-action 'none'"
    )
    return fill(template, style=Markup(style), policy=policy, **context)
