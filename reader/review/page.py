"""Pictures and the template of the decision sheet, which is one page complete in itself."""

from typing import Final

import cv2
import numpy as np

from reader.draw import ink, templates
from reader.draw.annotate import Plan, draw
from reader.draw.page_picture import data_uri, png
from reader.files.bundled import DATA
from reader.verdict.evidence import Evidence
from reader.words import Call

TEMPLATES: Final = DATA / "sheet"

PLATE_WIDTH: Final = 1080  # px; three a CSS pixel on a phone
PLATE_QUALITY: Final = 85


def plate_jpeg(evidence: Evidence, sheet: Plan) -> str:
    """The plate of a plan, without its margins, as the data URI of a JPEG without metadata."""
    view = next(shape for shape in sheet.shapes if isinstance(shape, ink.PhotoView))
    (x0, y0), (x1, y1) = view.low, view.high
    drawn = draw(evidence, sheet)[round(y0) : round(y1), round(x0) : round(x1)]
    size = PLATE_WIDTH, round(drawn.shape[0] * PLATE_WIDTH / drawn.shape[1])
    small = cv2.resize(drawn, size, interpolation=cv2.INTER_AREA)
    sampling = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, PLATE_QUALITY, *sampling])
    return data_uri("image/jpeg", data.tobytes())


def sign_png(name: ink.SignName, colour: str) -> str:
    """A grade's sign on its colour."""
    canvas = np.full((160, 160, 3), ink.bgr(colour), np.uint8)
    ink.paint(canvas, [ink.Sign(at=(8.0, 8.0), size=144.0, name=name)], None)
    return png(canvas)


def call_png(call: Call) -> str:
    """A call's bar, as the annotated image draws it."""
    canvas = np.full((44, 100, 3), 255, np.uint8)
    ink.paint(canvas, [ink.CallBar(low=(6.0, 6.0), high=(94.0, 38.0), call=call)], None)
    return png(canvas)


def render(**content: object) -> bytes:
    """Fill the sheet's template in; values are HTML-escaped, except what `page` and `draw` make themselves."""
    return templates.render("sheet.html", [TEMPLATES], content)
