"""Names of targets: one spelling for each catalogue number."""

import re

# Catalogues whose designations are a prefix and a number; the published spelling has one blank.
CATALOGUES = {
    "m": "M",
    "messier": "M",
    "ngc": "NGC",
    "ic": "IC",
    "sh2": "Sh2",
    "sh": "Sh2",
    "ldn": "LDN",
    "lbn": "LBN",
    "vdb": "vdB",
    "abell": "Abell",
    "barnard": "B",
    "ugc": "UGC",
    "pgc": "PGC",
    "mel": "Mel",
    "cr": "Cr",
    "arp": "Arp",
}
_DESIGNATION = re.compile(
    r"(messier|ngc|ic|sh\s*2|sh|ldn|lbn|vdb|abell|barnard|ugc|pgc|mel|cr|arp|m)[\s_-]*0*(\d+)",
    re.IGNORECASE,
)
NO_TARGET = "(no name)"


def fold_target(raw: str | None) -> str:
    """Give a target one spelling: catalogue numbers as published, other names trimmed.

    Only a name that is nothing but a designation is folded; "NGC 7000 panel 2" keeps its words.
    """
    text = " ".join((raw or "").replace("_", " ").split())
    if not text:
        return NO_TARGET
    match = _DESIGNATION.fullmatch(text)
    if match is None:
        return text
    prefix = CATALOGUES["".join(match[1].lower().split())]
    return f"{prefix}{'-' if prefix == 'Sh2' else ' '}{match[2]}"
