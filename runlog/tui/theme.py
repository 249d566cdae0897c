"""What Textual paints by itself, in our colours."""

from textual.theme import Theme

from runlog.tui.look import Look


def theme(look: Look, name: str, dark: bool) -> Theme:
    """Make Textual's theme of a look."""
    return Theme(
        name=name, dark=dark, primary=look.accent, secondary=look.quiet, accent=look.accent,
        foreground=look.text, background=look.ground, surface=look.raised, panel=look.raised,
        success=look.keep, warning=look.doubtful, error=look.reject,
        variables={
            "keep": look.keep, "doubtful": look.doubtful, "reject": look.reject,
            "quiet": look.quiet, "cursor": look.cursor,
            "text-muted": look.quiet, "text-disabled": look.quiet,
            "block-cursor-background": look.cursor, "block-cursor-foreground": look.text,
            "block-cursor-blurred-background": look.cursor,
            "block-cursor-blurred-foreground": look.text,
            "scrollbar": look.cursor, "scrollbar-background": look.ground,
            "scrollbar-hover": look.accent, "scrollbar-active": look.accent,
            "scrollbar-corner-color": look.ground, "scrollbar-background-hover": look.ground,
            "scrollbar-background-active": look.ground,
            "input-cursor-background": look.accent, "input-cursor-foreground": look.ground,
        },
    )  # fmt: skip
