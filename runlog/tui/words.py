"""One frame in words: its grade, its values, and the evidence against it."""

from rich.text import Text

from runlog.core.columns import COLUMNS, NOTHING, written
from runlog.core.frame import Frame, Grade
from runlog.core.published import value_of
from runlog.core.times import Zone
from runlog.tui.look import SIGNS, Look
from runlog.tui.text import clock, safe, styled


def shown(key: str, value: float | None) -> str:
    """Write one value; those without a published column get two digits."""
    if value is None or key in COLUMNS:
        return NOTHING if value is None else COLUMNS[key].show(value)
    return f"{value:.2f}"


def in_words(line: Frame, look: Look, zone: Zone, width: int = 0) -> Text:
    """Write one frame as a sentence of values, and why it has its grade.

    Where it is wider than `width` cells the values get a line of their own.
    """
    text, values = _named(line, look, zone), _values(line, look)
    text.append("\n" if width and text.cell_len + values.cell_len > width else " ")
    text.append_text(values)
    text.append("\n")
    text.append_text(reasons(line, look))
    return text


def _named(line: Frame, look: Look, zone: Zone) -> Text:
    text = Text()
    grade, names = line.judgement.grade, (line.context.target, line.context.filter)
    text.append(f"{SIGNS[grade]} {grade}", styled(look.grade(grade), bold=True))
    text.append(" *" if line.judgement.graded_by == "person" else "")
    named = "  ".join([f"  {clock(line.header.taken_at_utc, zone)}", *map(safe, names)])
    text.append(f"{named}  {written('exposure_s', line.header.exposure_s)}", styled(bold=True))
    return text


def _values(line: Frame, look: Look) -> Text:
    text = Text()
    for key, word in (("fwhm_px", "FWHM"), ("eccentricity", "ecc."), ("stars", "stars"),
                      ("background_adu", "sky")):  # fmt: skip
        text.append(f" {word} ", styled(look.quiet))
        text.append(f"{written(key, value_of(line, key))} ")
    return text


def reasons(line: Frame, look: Look) -> Text:
    """Write what others say of it, then the evidence of every fault, and the note.

    Evidence may fill all the lines there are.
    """
    said = [Text(f"{safe(words)}.", styled(look.quiet)) for words in line.judgement.said]
    for fault in line.judgement.faults:
        style = styled(look.grade(line.judgement.auto_grade), bold=True)
        said.append(Text.assemble((f"{safe(fault.name)}: ", style), f"{safe(fault.evidence)}."))
    if line.judgement.note and line.judgement.auto_grade is Grade.UNGRADED:
        said.append(Text.assemble(("no grade of its own: ", styled(bold=True)),
                                  f"{safe(line.judgement.note)}."))  # fmt: skip
    elif line.judgement.note:
        said.append(Text(f"“{safe(line.judgement.note)}”", styled(look.accent)))
    return Text("  ").join(said)
