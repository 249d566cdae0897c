"""Why a file gave no frame, told from the words of its failure, and what helps against it.

The words are what is stored. Whoever writes a reason uses one of the signs below, so that the
cure that is shown beside it is true of it.
"""

from enum import StrEnum

NOT_SUPPORTED = "not supported"
AGAINST_STANDARD = "against the FITS standard"
NO_PICTURE = "holds no picture"
OWN_FAULT = "made runlog fail"
NOT_STORED = "could not be stored: "
CHANGED = "was changed while it was read: it may still be being written"
TOO_LARGE_SETTING = "[scan] most_megapixels"
PATIENCE_SETTING = "[scan] patience"


class FailureKind(StrEnum):
    """What kind of trouble a file that could not be read is in."""

    NOT_FITS = "not FITS"
    NOT_SUPPORTED = "not supported"
    NOT_STANDARD = "not standard"
    NO_PICTURE = "no picture"
    TOO_LARGE = "too large"
    TOO_SLOW = "too slow"
    CHANGING = "changing"
    DAMAGED = "damaged"
    OUT_OF_REACH = "out of reach"
    OF_ANOTHERS_RIG = "of another's rig"
    OUR_FAULT = "our fault"
    UNKNOWN = "unknown"


# Looked for in this order; a reason may hold words of another further down.
_SIGNS: tuple[tuple[str, FailureKind], ...] = (
    (OWN_FAULT, FailureKind.OUR_FAULT),
    (f"{NOT_STORED}the rig is ", FailureKind.OF_ANOTHERS_RIG),
    (f"{NOT_STORED}this belongs to a rig ", FailureKind.OF_ANOTHERS_RIG),
    (NOT_STORED, FailureKind.OUR_FAULT),
    (CHANGED, FailureKind.CHANGING),
    (TOO_LARGE_SETTING, FailureKind.TOO_LARGE),
    (PATIENCE_SETTING, FailureKind.TOO_SLOW),
    (NOT_SUPPORTED, FailureKind.NOT_SUPPORTED),
    (AGAINST_STANDARD, FailureKind.NOT_STANDARD),
    (NO_PICTURE, FailureKind.NO_PICTURE),
    ("is not FITS", FailureKind.NOT_FITS),
    ("is not a file", FailureKind.NOT_FITS),
    ("holds no image", FailureKind.NOT_FITS),
    ("holds no pixels", FailureKind.NOT_FITS),
    ("memory", FailureKind.OUT_OF_REACH),
    ("cannot be opened", FailureKind.OUT_OF_REACH),
    ("cannot be read (", FailureKind.OUT_OF_REACH),
    ("is empty", FailureKind.DAMAGED),
    ("cut short", FailureKind.DAMAGED),
    ("damaged", FailureKind.DAMAGED),
)

_CURES = {
    FailureKind.NOT_FITS: "Move it out of the folder: it is no frame, whatever its name says",
    FailureKind.NOT_SUPPORTED: "The file may well be whole: save it as one plain FITS image, "
    "or move it out of the folder",
    FailureKind.NOT_STANDARD: "Save it again with the program that wrote it, "
    "or move it away if it is no frame",
    FailureKind.NO_PICTURE: "Move it out of the folder: too few pixels are stored in it to judge, "
    "and a copy would hold no more",
    FailureKind.TOO_LARGE: f"If it is a frame, raise {TOO_LARGE_SETTING} in the config file "
    "and scan again; else move it away",
    FailureKind.TOO_SLOW: f"The next scan tries again; raise {PATIENCE_SETTING} in the config "
    "file on a slow machine, or move it away if it is no frame",
    FailureKind.CHANGING: "Scan again when whatever writes it has finished",
    FailureKind.DAMAGED: "Copy it again from the rig, or only scan again if it was still being "
    "written; move it away if it is no frame",
    FailureKind.OUT_OF_REACH: "See that it can be read on this machine, then scan again",
    FailureKind.OF_ANOTHERS_RIG: "Nothing ails it: whoever keeps that rig scans it. To store it "
    "as well, ask the keeper for runlog club add LOGIN --role observer --rig NAME, and scan again",
    FailureKind.OUR_FAULT: "Keep the file and report it to whoever looks after runlog; "
    "the next scan tries again",
    FailureKind.UNKNOWN: "If it cannot be opened elsewhere either, copy it again from the rig "
    "or move it away",
}


def kind_of_failure(reason: str) -> FailureKind:
    """Tell the kind of a failure from its words; reasons of earlier versions may be unknown."""
    return next((kind for sign, kind in _SIGNS if sign in reason), FailureKind.UNKNOWN)


def cure_of_failure(reason: str) -> str:
    """Give what helps against a failure."""
    return _CURES[kind_of_failure(reason)]


_PACKAGE = __file__.replace("\\", "/").rpartition("core/")[0]


def place_of(error: BaseException) -> str:
    """Say where in runlog an error arose: what a report needs, in place of the error's own words.

    Those are written for programmers and would tell a person of attributes and types.
    """
    place, trace = "", error.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename.replace("\\", "/")
        if file.startswith(_PACKAGE):
            place = f"{file.removeprefix(_PACKAGE)}, line {trace.tb_lineno}"
        trace = trace.tb_next
    return place or "outside its own code"
