"""From a picture of a card to marks in millimetres. Imports no other package of ours, clock or camera."""

from vision.calibrate import CameraModel, calibrate
from vision.card import SIZES, STATIONS, CardSheet, card_sheet
from vision.core import read
from vision.errors import (
    BarRefused,
    CalibrationFailed,
    PictureRefused,
    UnknownSize,
    UnknownStation,
    VisionError,
)
from vision.find import find_card
from vision.live import Moment, Stream
from vision.picture import load_picture
from vision.print_pdf import write_cards_pdf, write_grid_pdf
from vision.raster import draw_card, write_cards_png
from vision.reading import CardView, Mark, NoReading, Reading

__all__ = [
    "SIZES",
    "STATIONS",
    "BarRefused",
    "CalibrationFailed",
    "CameraModel",
    "CardSheet",
    "CardView",
    "Mark",
    "Moment",
    "NoReading",
    "PictureRefused",
    "Reading",
    "Stream",
    "UnknownSize",
    "UnknownStation",
    "VisionError",
    "calibrate",
    "card_sheet",
    "draw_card",
    "find_card",
    "load_picture",
    "read",
    "write_cards_pdf",
    "write_cards_png",
    "write_grid_pdf",
]
